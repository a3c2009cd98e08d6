"""The entries of a record, one line each, with what became of them: nothing is hidden that was put right."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from monitor.history.entries import (
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
from monitor.history.package_history import Refusal
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from monitor.report.sheet import SheetSection, Writing

COLUMNS = ("no.", "happened", "entered", "thing", "who", "what", "why", "state", "hash")
HASH_SHOWN = 12


@dataclass(frozen=True, slots=True)
class Naming:
    """What zones are called."""

    zones: Mapping[str, str]

    def zone(self, zone: str) -> str:
        """A zone's name."""
        return self.zones.get(zone, zone)


def entries_section(
    events: Sequence[Event], writing: Writing, naming: Naming, refused: Iterable[Refusal] = ()
) -> SheetSection:
    """Every entry with its state: it stands, was taken back, was put right, or cannot be true."""
    states = _states(events, writing, {one.number: one for one in refused})
    rows = tuple(
        (
            str(event.number),
            writing.time(event.time_s),
            writing.time(event.entered_s),
            event.subject,
            event.who,
            what(event, writing, naming),
            event.why,
            states[event.number],
            event.hash[:HASH_SHOWN],
        )
        for event in events
    )
    return SheetSection("entries", "Entries", COLUMNS, rows)


def _states(events: Sequence[Event], writing: Writing, refused: Mapping[int, Refusal]) -> dict[int, str]:
    states = {event.number: "stands" for event in events if event.kind is not EventKind.CORRECTION}
    for left_out, refusal in refused.items():
        if left_out in states:
            states[left_out] = f"left out: {refusal.faults[0]}"
    for event in events:
        if event.kind is EventKind.CORRECTION:
            number = event.body.get("of")
            states[event.number] = f"puts entry {number} right"
            if isinstance(number, int) and number in states:
                states[number] = _after(states[number], event, writing)
    return states


def _after(state: str, correction: Event, writing: Writing) -> str:
    void = correction.body.get("void")
    by = f"by entry {correction.number} ({correction.who})"
    if void is True:
        return f"taken back {by}"
    if void is False:
        return f"stands again {by}"
    time_s = correction.body.get("time_s")
    parts = [f"to {writing.time(float(time_s))}"] if isinstance(time_s, int | float) else []
    if "body" in correction.body and not parts:
        parts.append("with a new entry")
    before = "" if state == "stands" else f"{state}; "
    return f"{before}put right {by} {' '.join(parts)}"


def what(event: Event, writing: Writing, naming: Naming) -> str:
    """One line, such as "holding oven, Rod Oven, read 125.0 °C"."""
    if event.kind is EventKind.CORRECTION:
        new = event.body.get("body")
        return "correction" if not isinstance(new, Mapping) else f"correction: {_new(new, writing, naming)}"
    if event.kind is EventKind.RECOUNT:
        return str(event.body.get("words", "counted again"))
    try:
        entry = entry_of(event.kind, event.body)
    except InputError:
        return f"{event.kind}: cannot be read"
    return said(entry, writing, naming)


def _new(body: Mapping[str, object], writing: Writing, naming: Naming) -> str:
    for kind in (EventKind.PACKAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.STORAGE, EventKind.BEAD):
        try:
            return said(entry_of(kind, body), writing, naming)
        except InputError:
            continue
    return "a new entry"


def said(entry: Entry, writing: Writing, naming: Naming) -> str:
    """An entry in words."""
    parts = [part for part in _parts(entry, writing, naming) if part]
    return ", ".join(parts)


def _parts(entry: Entry, writing: Writing, naming: Naming) -> list[str]:
    plain = _of_packages(entry, writing, naming) or _of_bodies(entry, writing, naming)
    if plain:
        return plain
    match entry:
        case StoreChecked(temperature_c=warm, rh_frac=damp):
            return ["read on its display", *_read(writing, warm, damp)]
        case BeadWelded(outcome=outcome, code=code, clause=clause, pores=pores, package=package):
            found = [f"bead {outcome or 'recorded'}", f"{code} {clause}".strip(), f"{len(pores)} pores"]
            return [*found, package and f"with {package}"]
    return [entry.entry.replace("-", " ")]


def _of_packages(entry: Entry, writing: Writing, naming: Naming) -> list[str]:
    match entry:
        case Opened(consumable=consumable, zone=zone, place=place, lot=lot, job=job):
            where = f"{_words(place)}, {naming.zone(zone)}"
            return ["opened", consumable, where, lot and f"lot {lot}", job and f"job {job}"]
        case Moved(place=place, zone=zone, checked_temperature_c=warm, checked_rh_frac=damp):
            return [_words(place), naming.zone(zone), *_read(writing, warm, damp)]
        case RanOff(depth_m=depth_m, minutes=minutes, mass_kg=mass_kg):
            found = [f"ran off {depth_m * 1000.0:.1f} mm of winding", minutes and f"{minutes:g} min"]
            return [part for part in [*found, mass_kg and f"{mass_kg:g} kg"] if isinstance(part, str)]
        case TestBead(sound=sound, bead=bead):
            return ["test bead sound" if sound else "test bead not sound", bead]
    return []


def _of_bodies(entry: Entry, writing: Writing, naming: Naming) -> list[str]:
    match entry:
        case CylinderDelivered(gas=gas, zone=zone):
            return ["delivered", gas, naming.zone(zone)]
        case CylinderMoved(zone=zone):
            return ["brought in", naming.zone(zone)]
        case CylinderConnected(machine=machine):
            return ["connected", machine]
        case GaugeRead(pressure_pa=pressure_pa):
            return [f"gauge read {pressure_pa / 1e5:.0f} bar"]
        case PlateBroughtIn(zone=zone, thickness_m=thickness_m):
            return ["brought in", f"{thickness_m * 1000.0:g} mm", naming.zone(zone)]
    return []


def _read(writing: Writing, temperature_c: float | None, rh_frac: float | None) -> list[str]:
    warm = "" if temperature_c is None else f"read {writing.temperature(temperature_c)} {writing.degree}"
    damp = "" if rh_frac is None else f"read {writing.percent(rh_frac)} %RH"
    return [warm, damp]


def _words(place: str) -> str:
    return str(place).replace("-", " ")
