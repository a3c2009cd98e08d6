"""Which place fits which kind of zone: a holding oven needs an oven, a cylinder does not stand in one."""

from collections.abc import Mapping

from monitor.consumables.classes import Place
from monitor.history.entries import (
    BeadWelded,
    CylinderDelivered,
    CylinderMoved,
    DesiccantRenewed,
    Entry,
    Moved,
    Opened,
    PlateBroughtIn,
    StoreChecked,
)
from monitor.model.errors import Fault

OPEN_KINDS = frozenset({"bay", "hall", "store", "cage", "yard", "outdoor"})
CLOSED_KINDS = OPEN_KINDS | {"cabinet"}
PLACES: Mapping[Place, frozenset[str]] = {
    Place.OPEN_AIR: OPEN_KINDS,
    Place.ON_MACHINE: OPEN_KINDS,
    Place.BAGGED: CLOSED_KINDS,
    Place.SEALED: CLOSED_KINDS,
    Place.DRY_CABINET: frozenset({"cabinet", "store"}),  # a heated store counts where its air is shown dry
    Place.HOLDING_OVEN: frozenset({"oven"}),
    Place.REDRY: frozenset({"oven"}),
    Place.HEATED_QUIVER: frozenset({"quiver"}),
    Place.UNKNOWN: CLOSED_KINDS | {"oven", "quiver"},
}
STORE_KINDS = frozenset({"oven", "quiver", "cabinet", "store"})
WITH_DESICCANT = frozenset({"cabinet", "store"})


def place_faults(entry: Entry, subject: str, zones: Mapping[str, str]) -> list[Fault]:
    """What is wrong with where an entry says a thing is; `zones` gives the kind of every zone."""
    match entry:
        case Opened(place=place, zone=zone) | Moved(place=place, zone=zone):
            if place is Place.UNKNOWN and not zone and isinstance(entry, Moved):
                return []
            return _faults("zone", zone, zones, PLACES[place], f"a place of {str(place).replace('-', ' ')}")
        case CylinderDelivered(zone=zone) | CylinderMoved(zone=zone) | PlateBroughtIn(zone=zone):
            return _faults("zone", zone, zones, OPEN_KINDS, "cylinders and steel")
        case StoreChecked() | DesiccantRenewed():
            kinds = STORE_KINDS if isinstance(entry, StoreChecked) else WITH_DESICCANT
            what = "a reading" if isinstance(entry, StoreChecked) else "desiccant"
            return _faults("store", subject, zones, kinds, what) or _empty(entry, zones[subject])
        case BeadWelded(zone=zone) if zone:
            return _faults("zone", zone, zones, CLOSED_KINDS, "welding")
    return []


def _faults(name: str, zone: str, zones: Mapping[str, str], kinds: frozenset[str], what: str) -> list[Fault]:
    fitting = ", ".join(sorted(known for known, kind in zones.items() if kind in kinds))
    if zone not in zones:
        return [
            Fault(name, zone or "nothing", f"is no zone; use one of: {fitting or 'none is in the settings'}")
        ]
    if zones[zone] in kinds:
        return []
    fix = f"is not for {what}; use one of: {fitting or 'none is in the settings'}"
    return [Fault(name, f"{zone} ({zones[zone]})", fix)]


def _empty(entry: StoreChecked | DesiccantRenewed, kind: str) -> list[Fault]:
    if isinstance(entry, DesiccantRenewed):
        return []
    if kind in ("oven", "quiver"):
        return [] if entry.temperature_c is not None else [_missing("temperature_c")]
    read = entry.temperature_c is not None or entry.rh_frac is not None
    return [] if read else [_missing("rh_frac")]


def _missing(name: str) -> Fault:
    return Fault(name, "nothing", "enter what the display shows")
