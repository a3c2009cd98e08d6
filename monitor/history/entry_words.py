"""What a ledger entry about a thing was, in words: the same on page, sheet and CSV."""

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.history.entries import (
    ENTRIES,
    BeadWelded,
    CylinderConnected,
    CylinderDelivered,
    CylinderMoved,
    Entry,
    GaugeRead,
    Moved,
    Opened,
    PlateBroughtIn,
    RanOff,
    StoreChecked,
    TestBead,
    entry_of,
)
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from monitor.model.shop_units import degrees

KINDS_OF_ENTRY: tuple[EventKind, ...] = tuple(dict.fromkeys(kind.kind for kind in ENTRIES))
NO_WORDS = {EventKind.RECOUNT: "counted again", EventKind.SENSOR_CHECK: "recorded"}


@dataclass(frozen=True, slots=True)
class EntryWords:
    """How a shop's entries are worded: what its zones are called, and its unit of temperature."""

    zones: Mapping[str, str]
    fahrenheit: bool = False

    def what(self, event: Event) -> str:
        """One line, such as "holding oven, Rod Oven, read 125.0 °C"."""
        if event.kind is EventKind.CORRECTION:
            return self._corrected(event.body)
        if event.kind in NO_WORDS:
            found = str(event.body.get("words", NO_WORDS[event.kind]))
            return f"check over salts: {found}" if event.kind is EventKind.SENSOR_CHECK else found
        if event.kind not in KINDS_OF_ENTRY:
            return plain_words(event.kind.value)
        try:
            return self.said(entry_of(event.kind, event.body))
        except InputError:
            return f"{event.kind}: cannot be read"

    def said(self, entry: Entry) -> str:
        """An entry in words."""
        return ", ".join(part for part in self._parts(entry) if part)

    def _corrected(self, body: Mapping[str, object]) -> str:
        number, void, new = body.get("of"), body.get("void"), body.get("body")
        if void is not None:
            return f"entry {number} {'taken back' if void else 'stands again'}"
        return f"entry {number} put right" + (f": {self._new(new)}" if isinstance(new, Mapping) else "")

    def _new(self, body: Mapping[str, object]) -> str:
        for kind in KINDS_OF_ENTRY:
            try:
                return self.said(entry_of(kind, body))
            except InputError:
                continue
        return "a new entry"

    def _parts(self, entry: Entry) -> list[str]:
        match entry:
            case StoreChecked(temperature_c=warm, rh_frac=damp):
                return ["read on its display", *self._read(warm, damp)]
            case BeadWelded(outcome=outcome, code=code, clause=clause, pores=pores, package=package):
                found = [f"bead {outcome or 'recorded'}", f"{code} {clause}".strip(), f"{len(pores)} pores"]
                return [*found, package and f"with {package}"]
        return self._of_packages(entry) or self._of_bodies(entry) or [plain_words(entry.entry)]

    def _of_packages(self, entry: Entry) -> list[str]:
        match entry:
            case Opened(consumable=consumable, zone=zone, place=place, lot=lot, job=job):
                where = f"{plain_words(str(place))}, {self.zone(zone)}"
                return ["opened", consumable, where, lot and f"lot {lot}", job and f"job {job}"]
            case Moved(place=place, zone=zone, checked_temperature_c=warm, checked_rh_frac=damp):
                desiccant = "new desiccant" if entry.fresh_desiccant else ""
                return [plain_words(str(place)), desiccant, self.zone(zone), *self._read(warm, damp)]
            case RanOff(depth_m=depth_m, minutes=minutes, mass_kg=mass_kg):
                found = [f"ran off {depth_m * 1000.0:.1f} mm of winding"]
                found += [f"{minutes:g} min"] if minutes else []
                found += [] if entry.wire_m is None else [f"wire {entry.wire_m * 1000.0:g} mm"]
                return [*found, f"{mass_kg:g} kg" if mass_kg else ""]
            case TestBead(sound=sound, bead=bead):
                return ["test bead sound" if sound else "test bead not sound", bead]
        return []

    def _of_bodies(self, entry: Entry) -> list[str]:
        match entry:
            case CylinderDelivered(gas=gas, zone=zone):
                return ["delivered", gas, self.zone(zone)]
            case CylinderMoved(zone=zone):
                return ["brought in", self.zone(zone)]
            case CylinderConnected(machine=machine):
                return ["connected", machine]
            case GaugeRead(pressure_pa=pressure_pa):
                return [f"gauge read {pressure_pa / 1e5:.0f} bar"]
            case PlateBroughtIn(zone=zone, thickness_m=thickness_m):
                return ["brought in", f"{thickness_m * 1000.0:g} mm", self.zone(zone)]
        return []

    def zone(self, zone: str) -> str:
        """What people call a zone."""
        return self.zones.get(zone, zone)

    def _read(self, temperature_c: float | None, rh_frac: float | None) -> list[str]:
        found = []
        if temperature_c is not None:
            shown = degrees(temperature_c, fahrenheit=self.fahrenheit)
            found.append(f"read {shown:.1f} °{'F' if self.fahrenheit else 'C'}")
        return found if rh_frac is None else [*found, f"read {rh_frac * 100.0:.0f} %RH"]


def plain_words(name: str) -> str:
    """A name of ours as people read it."""
    return name.replace("-", " ").replace("_", " ")
