"""Recalls everything of the shop's things for a record: events and air are read once, at one moment."""

from collections.abc import Sequence

from monitor.consumables.exposure_air import AirSamples
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.core.shop import PackageFacts
from monitor.engine.derivation import Derived, Deriver
from monitor.engine.stored_air import StoredAir
from monitor.history.package_history import PackageHistory, Refusal
from monitor.history.placement import STORE_KINDS
from monitor.model.event import Event, EventKind
from monitor.store.contract import Ledger, SeriesStore

KINDS = (EventKind.PACKAGE, EventKind.STORAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.CORRECTION)


class Recall:
    """What reports ask of packages; for one moment only: made anew for each report."""

    def __init__(self, deriver: Deriver, series: SeriesStore, ledger: Ledger) -> None:
        self._deriver = deriver
        self._air = StoredAir(series)
        events = ledger.events(kinds=KINDS)
        self._by_subject: dict[str, list[Event]] = {}
        for event in events:
            self._by_subject.setdefault(event.subject, []).append(event)
        self._derived: dict[str, Derived[PackageHistory]] = {}
        self._facts: dict[str, PackageFacts] = {}

    def packages(self) -> list[str]:
        """Every package that settings or ledger tell of."""
        named = (
            subject
            for subject, events in self._by_subject.items()
            if any(event.kind is EventKind.PACKAGE for event in events)
        )
        return list(dict.fromkeys([*self._deriver.declared_packages, *named]))

    def history(self, package: str) -> PackageHistory | None:
        """A package's history as it is now known."""
        return self._package(package).history

    def refused(self, subject: str) -> tuple[Refusal, ...]:
        """Entries in the ledger that cannot be true beside the others."""
        events = self._told_of(subject)
        if any(event.kind is EventKind.PACKAGE for event in events):
            return self._package(subject).refusals
        return self._deriver.body(subject, events).refusals

    def rules(self, package: str) -> ClockRules | None:
        """The rules that hold for a package."""
        history = self.history(package)
        return (
            None
            if history is None
            else self._deriver.book.rules_for(package, history.consumable, history.spool)
        )

    def clock_at(self, package: str, time_s: float) -> ExposureClock | None:
        """A package's clock at a moment, from its whole history; None before it was opened."""
        history = self.history(package)
        if history is None:
            return None
        facts = self._facts.get(package)
        if facts is None:
            zones = {stay.zone for stay in history.stays if stay.zone} & set(self._stores())
            checks = {zone: self._deriver.store(self._told_of(zone)).checks for zone in zones}
            facts = self._facts[package] = self._deriver.package_facts(history, checks)
        return self._deriver.clock(facts, time_s, self._air)

    def air(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """The believed air of a zone, as clocks are derived from it."""
        return self._air.samples(zone, start_s, end_s)

    def _package(self, package: str) -> Derived[PackageHistory]:
        found = self._derived.get(package)
        if found is None:
            found = self._derived[package] = self._deriver.package(package, self._told_of(package))
        return found

    def _told_of(self, subject: str) -> Sequence[Event]:
        return self._by_subject.get(subject, ())

    def _stores(self) -> list[str]:
        return [zone.id for zone in self._deriver.zones.values() if zone.kind in STORE_KINDS]
