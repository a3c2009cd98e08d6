"""The one fold: what settings and ledger tell of every package, cylinder, plate and store."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import tzinfo
from functools import partial
from typing import Generic, TypeVar

from monitor.history.body_history import BodyHistory, Stand, body_after
from monitor.history.package_history import PackageHistory, declared_history, package_after
from monitor.history.placement import STORE_KINDS
from monitor.history.records import Dated, Refusal, folded, readable_entries
from monitor.history.store_history import NOTHING_ENTERED, StoreHistory, StoreReading, store_history
from monitor.model.declared_shop import DeclaredShop
from monitor.model.errors import Fault
from monitor.model.event import Event, EventKind
from monitor.model.place import Site, Zone

BODY_KINDS = (EventKind.CYLINDER, EventKind.STEEL)
TOLD = (EventKind.PACKAGE, EventKind.STORAGE, *BODY_KINDS, EventKind.CORRECTION)  # what the fold reads
T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Derived(Generic[T]):
    """What a thing's events tell, and what of them cannot be true; `entered_s` None: only the settings do."""

    history: T | None
    refusals: tuple[Refusal, ...] = ()
    entered_s: float | None = None


@dataclass(frozen=True, slots=True)
class ShopHistory:
    """Every thing by its label, ended ones too; of a store what was entered about it."""

    packages: Mapping[str, Derived[PackageHistory]] = field(default_factory=dict)
    bodies: Mapping[str, Derived[BodyHistory]] = field(default_factory=dict)
    stores: Mapping[str, StoreHistory] = field(default_factory=dict)

    def refused(self, subject: str) -> tuple[Refusal, ...]:
        """Entries of a thing that cannot be true beside the others."""
        found = self.packages.get(subject) or self.bodies.get(subject)
        return () if found is None else found.refusals

    def store(self, zone: str) -> StoreHistory:
        """What was entered about a storage place."""
        return self.stores.get(zone, NOTHING_ENTERED)


@dataclass(frozen=True, slots=True)
class DeclaredThings:
    """What the settings file says of the things, for the ledger to go on from."""

    packages: Mapping[str, PackageHistory]
    bodies: Mapping[str, BodyHistory]
    zones: Mapping[str, Zone]
    sites: Mapping[str, Site]

    @property
    def tz(self) -> tzinfo:
        """The clock on the wall of the first site, for things that are in no known zone."""
        return next(iter(self.sites.values())).tz

    def history(self, events: Iterable[Event]) -> ShopHistory:
        """Everything that settings and these events tell, corrections laid over what they correct."""
        return fold_of(self).taken(events).history

    def thing(self, subject: str, events: Sequence[Event]) -> ShopHistory:
        """The same of one thing, from its own events alone."""
        told = {event.kind for event in events}
        kinds = told | {self.kind_of(subject)}
        return ShopHistory(
            {subject: self.package(subject, events)} if EventKind.PACKAGE in kinds else {},
            {subject: self.body(subject, events)} if kinds & set(BODY_KINDS) else {},
            {subject: self.store(events)} if EventKind.STORAGE in told and subject in self.zones else {},
        )

    def kind_of(self, subject: str) -> EventKind | None:
        """What the settings file says a thing is."""
        if subject in self.packages:
            return EventKind.PACKAGE
        body = self.bodies.get(subject)
        if body is not None:
            return EventKind.CYLINDER if body.kind == "cylinder" else EventKind.STEEL
        return EventKind.STORAGE if subject in self.zones else None

    def package(self, package: str, events: Sequence[Event]) -> Derived[PackageHistory]:
        """A package's history as told."""
        before = self.packages.get(package)
        entries, unread = readable_entries(events, EventKind.PACKAGE)
        after = partial(package_after, package, zone=self._tz_of(entries, before))
        history, refusals = folded(entries, before, after)
        return Derived(history, (*_unread(unread), *refusals), _entered_s(events))

    def body(self, body: str, events: Sequence[Event]) -> Derived[BodyHistory]:
        """A cylinder's or plate's history as told."""
        kind = next((event.kind for event in events if event.kind in BODY_KINDS), self.kind_of(body))
        if kind is None:
            return Derived(None)
        entries, unread = readable_entries(events, kind)
        after = partial(body_after, body, zone=self.tz)
        history, refusals = folded(entries, self.bodies.get(body), after)
        return Derived(history, (*_unread(unread), *refusals), _entered_s(events))

    def store(self, events: Iterable[Event]) -> StoreHistory:
        """What was entered about a storage place."""
        return store_history(readable_entries(events, EventKind.STORAGE)[0])

    def checks(
        self, history: PackageHistory | None, store: Callable[[str], StoreHistory]
    ) -> dict[str, tuple[StoreReading, ...]]:
        """What people read in the stores where a package has lain; `store` tells what was entered of one."""
        lain = {stay.zone for stay in history.stays if stay.zone} if history is not None else set()
        stores = (zone for zone in lain if zone in self.zones and self.zones[zone].kind in STORE_KINDS)
        return {zone: checks for zone in stores if (checks := store(zone).checks)}

    def _tz_of(self, entries: Sequence[Dated], before: PackageHistory | None) -> tzinfo:
        zones = (getattr(dated.entry, "zone", "") for dated in entries)
        zone = next((zone for zone in zones if zone), before.zone if before is not None else "")
        return self.sites[self.zones[zone].site].tz if zone in self.zones else self.tz


@dataclass(frozen=True, slots=True)
class Fold:
    """A shop's things after the events up to `last`; further ones touch only the things that they tell of."""

    declared: DeclaredThings
    history: ShopHistory
    told: Mapping[str, tuple[Event, ...]] = field(default_factory=dict)  # by thing
    last: Event | None = None

    def taken(self, events: Iterable[Event]) -> "Fold":
        """The same with events that were entered after all that it holds, in order of entry."""
        fresh: dict[str, list[Event]] = {}
        last = self.last
        for event in events:
            fresh.setdefault(event.subject, []).append(event)
            last = event
        if not fresh:
            return self
        told = {name: (*self.told.get(name, ()), *more) for name, more in fresh.items()}
        changed = [self.declared.thing(name, whole) for name, whole in told.items()]
        return Fold(self.declared, _with(self.history, changed), {**self.told, **told}, last)


def fold_of(declared: DeclaredThings) -> Fold:
    """What the settings tell alone."""
    alone = [declared.thing(name, ()) for name in dict.fromkeys((*declared.packages, *declared.bodies))]
    return Fold(declared, _with(ShopHistory(), alone))


def _with(history: ShopHistory, things: Iterable[ShopHistory]) -> ShopHistory:
    packages, bodies, stores = dict(history.packages), dict(history.bodies), dict(history.stores)
    for thing in things:
        packages.update(thing.packages)
        bodies.update(thing.bodies)
        stores.update(thing.stores)
    return ShopHistory(packages, bodies, stores)


def declared_things(shop: DeclaredShop) -> DeclaredThings:
    """What a shop's settings say of its things."""
    bodies = [
        BodyHistory(c.id, "cylinder", c.name, (Stand(c.zone, None),), gas=c.gas, present=c.present, use=c.use)
        for c in shop.cylinders
    ]
    bodies += [
        BodyHistory(
            p.id, "plate", p.name, (Stand(p.zone, None),), thickness_m=p.thickness_m, present=p.present
        )
        for p in shop.plates
    ]
    return DeclaredThings(
        packages={package.id: declared_history(package) for package in shop.packages},
        bodies={body.id: body for body in bodies},
        zones={zone.id: zone for zone in shop.zones},
        sites={site.id: site for site in shop.sites},
    )


def _entered_s(events: Sequence[Event]) -> float | None:
    return max((event.entered_s for event in events), default=None)


def _unread(numbers: Iterable[int]) -> tuple[Refusal, ...]:
    fault = Fault("entry", "a body nobody can read", "take it back and enter it again")
    return tuple(Refusal(number, (fault,)) for number in numbers)
