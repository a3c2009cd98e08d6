"""Everything the shop has, as settings and ledger tell it: packages, cylinders, plates, stores."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from monitor.history import entries as made
from monitor.history.entries import Entry, entry_of
from monitor.history.records import corrected
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from monitor.model.level import Level
from monitor.model.picture import BodyNow, PackageNow, Picture, ZoneNow
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

KINDS = {
    "package": EventKind.PACKAGE,
    "cylinder": EventKind.CYLINDER,
    "plate": EventKind.STEEL,
    "store": EventKind.STORAGE,
}
STORES = frozenset({"oven", "quiver", "cabinet"})


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing; `place` says in words where it is, `ended` that it is no longer in use."""

    id: str
    kind: str
    name: str
    what: str
    zone: str
    place: str = ""
    since_s: float | None = None
    ended: bool = False
    judged: PackageNow | BodyNow | ZoneNow | None = field(default=None, compare=False)

    @property
    def level(self) -> Level:
        """How the core judges it; what it has not judged is not known."""
        return Level.UNKNOWN if self.judged is None else self.judged.level


def things(settings: Settings, ledger: Ledger, snapshot: Picture, now_s: float) -> dict[str, Thing]:
    """By id; what the settings declare, changed and added to by the ledger."""
    found = declared(settings)
    if snapshot.simulated:  # a demo declares beforehand what is to come
        found = {name: thing for name, thing in found.items() if (thing.since_s or 0.0) <= now_s}
    kinds = [*KINDS.values(), EventKind.CORRECTION]
    events = ledger.events(kinds=kinds)
    for told in corrected(events):
        try:
            entry = entry_of(told.kind, told.body)
        except InputError:
            continue  # written by something else; the records page shows it
        thing = _after(found.get(told.subject), told, entry)
        if thing is not None:
            found[told.subject] = thing
    return {name: judged(thing, snapshot) for name, thing in found.items()}


def declared(settings: Settings) -> dict[str, Thing]:
    """What the settings file names."""
    found = [
        Thing(p.id, "package", p.name, p.consumable, p.zone, "open", p.opened_at.timestamp())
        if p.sealed_at is None
        else Thing(
            p.id,
            "package",
            p.name,
            p.consumable,
            p.oven or p.zone,
            "sealed" if p.oven is None else "holding oven",
            p.sealed_at.timestamp(),
        )
        for p in settings.packages
    ]
    found += [
        Thing(c.id, "cylinder", c.name, c.gas, c.zone, "in place", ended=not c.present)
        for c in settings.cylinders
    ]
    found += [
        Thing(p.id, "plate", p.name, f"{p.thickness_m * 1_000:g} mm", p.zone, "in place", ended=not p.present)
        for p in settings.plates
    ]
    found += [Thing(z.id, "store", z.name, z.kind, z.id) for z in settings.zones if z.kind in STORES]
    return {thing.id: thing for thing in found}


def _after(thing: Thing | None, told: Event, entry: Entry) -> Thing | None:
    """The thing after an entry; None for an entry about something that nobody has entered."""
    at = told.time_s
    match entry:
        case made.Opened(name=name, consumable=consumable, zone=zone, place=place):
            return Thing(told.subject, "package", name, consumable, zone, words(str(place)), at)
        case made.CylinderDelivered(name=name, gas=gas, zone=zone):
            return Thing(told.subject, "cylinder", name, gas, zone, "delivered", at)
        case made.PlateBroughtIn(name=name, zone=zone, thickness_m=thickness_m):
            return Thing(told.subject, "plate", name, f"{thickness_m * 1_000:g} mm", zone, "brought in", at)
    return None if thing is None else _changed(thing, at, entry)


def _changed(thing: Thing, at: float, entry: Entry) -> Thing:
    place, zone, ended = thing.place, thing.zone, thing.ended
    match entry:
        case made.Moved():
            place, zone = words(str(entry.place)), entry.zone
        case made.CylinderMoved():
            place, zone, ended = "brought in", entry.zone, False
        case made.CylinderConnected():
            place = "connected"
        case made.Withdrawn() | made.CylinderChanged() | made.PlateGone():
            place, ended = words(entry.entry), True
        case made.StoreChecked() | made.DesiccantRenewed():
            place = words(entry.entry)
        case _:
            return thing
    return replace(thing, place=place, zone=zone, ended=ended, since_s=at)


def judged(thing: Thing, snapshot: Picture) -> Thing:
    """The thing with what the core says of it now."""
    pools: Mapping[str, Iterable[PackageNow | BodyNow | ZoneNow]] = {
        "package": snapshot.packages,
        "cylinder": snapshot.bodies,
        "plate": snapshot.bodies,
        "store": snapshot.zones,
    }
    return replace(thing, judged=next((one for one in pools[thing.kind] if one.id == thing.id), None))


def words(name: str) -> str:
    """A name of ours as people read it."""
    return name.replace("-", " ").replace("_", " ")
