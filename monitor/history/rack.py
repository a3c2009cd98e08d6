"""The rack: every package, cylinder, plate and store as people see it, a view of the shop's history."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from monitor.history.body_history import BodyHistory
from monitor.history.entry_words import plain_words
from monitor.history.package_history import PackageHistory
from monitor.history.shop_history import DeclaredThings, ShopHistory
from monitor.history.store_history import StoreHistory
from monitor.model.event import EventKind
from monitor.model.level import Level
from monitor.model.picture import BodyNow, PackageNow, Picture, ZoneNow
from monitor.model.place import Zone

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


def things(told: ShopHistory, declared: DeclaredThings, now_s: float) -> dict[str, Thing]:
    """By id; each as its history says it is now, and not yet judged."""
    stores = [
        _store(zone, known, told.stores.get(zone, StoreHistory()))
        for zone, known in declared.zones.items()
        if known.kind in STORES
    ]
    bodies = [_body(one.history) for one in told.bodies.values() if one.history is not None]
    packages = [_package(one.history, now_s) for one in told.packages.values() if one.history is not None]
    return {thing.id: thing for thing in (*stores, *bodies, *packages)}


def judged(found: Mapping[str, Thing], picture: Picture) -> dict[str, Thing]:
    """The things with what the core says of each now."""
    bodies = {one.id: one for one in picture.bodies}
    pools: Mapping[str, Mapping[str, PackageNow | BodyNow | ZoneNow]] = {
        "package": {one.id: one for one in picture.packages},
        "cylinder": bodies,
        "plate": bodies,
        "store": {one.id: one for one in picture.zones},
    }
    return {name: replace(one, judged=pools[one.kind].get(name)) for name, one in found.items()}


def _package(history: PackageHistory, now_s: float) -> Thing:
    begun = [stay for stay in history.stays if stay.start_s <= now_s]
    stay = begun[-1] if begun else history.stays[0]
    place, since_s, gone_s = plain_words(str(stay.place)), stay.start_s, history.withdrawn_s
    if gone_s is not None:
        place, since_s = "withdrawn", gone_s
    return Thing(
        history.id,
        "package",
        history.name,
        history.consumable,
        stay.zone or history.zone,
        place,
        since_s,
        ended=gone_s is not None,
    )


def _body(history: BodyHistory) -> Thing:
    what = history.gas if history.thickness_m is None else f"{history.thickness_m * 1_000:g} mm"
    place, since_s = _stands(history)
    return Thing(
        history.id,
        history.kind,
        history.name,
        what,
        history.zone,
        place,
        since_s,
        ended=not history.present,
    )


def _stands(history: BodyHistory) -> tuple[str, float | None]:
    """In words where a cylinder or plate is, and since when, where that was entered."""
    came_s = history.stands[-1].start_s
    if not history.present and history.last_s is not None:
        return ("changed" if history.kind == "cylinder" else "gone"), history.last_s
    if history.connected_s is not None and history.connected_s >= (came_s or 0.0):
        return "connected", history.connected_s
    if came_s is None:
        return "in place", None
    delivered = history.kind == "cylinder" and history.made is not None and len(history.stands) == 1
    return ("delivered" if delivered else "brought in"), came_s


def _store(zone: str, known: Zone, told: StoreHistory) -> Thing:
    checked_s = told.checks[-1].time_s if told.checks else None
    done = [("checked", checked_s), ("desiccant renewed", told.renewed_s)]
    place, since_s = max(done, key=lambda one: one[1] or 0.0)
    return Thing(zone, "store", known.name, known.kind, zone, place if since_s else "", since_s)
