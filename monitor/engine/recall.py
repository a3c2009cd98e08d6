"""Recalls everything of the shop's packages for a record: history and air are read once, at one moment."""

from monitor.consumables.exposure_air import AirSamples
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.package_facts import PackageFacts
from monitor.engine.derivation import Deriver
from monitor.engine.stored_air import StoredAir
from monitor.history.package_history import PackageHistory
from monitor.history.records import Refusal
from monitor.history.shop_history import ShopHistory
from monitor.store.contract import SeriesStore


class Recall:
    """What reports ask of packages; for one moment only: made anew for each report."""

    def __init__(self, deriver: Deriver, series: SeriesStore, things: ShopHistory) -> None:
        self._deriver = deriver
        self._air = StoredAir(series)
        self._things = things
        self._facts: dict[str, PackageFacts] = {}

    def packages(self) -> list[str]:
        """Every package that settings or ledger tell of."""
        return list(self._things.packages)

    def history(self, package: str) -> PackageHistory | None:
        """A package's history as it is now known."""
        found = self._things.packages.get(package)
        return None if found is None else found.history

    def refused(self, subject: str) -> tuple[Refusal, ...]:
        """Entries in the ledger that cannot be true beside the others."""
        return self._things.refused(subject)

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
            checks = self._deriver.declared.checks(history, self._things.store)
            facts = self._facts[package] = self._deriver.package_facts(history, checks)
        return self._deriver.clock(facts, time_s, self._air)

    def air(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """The believed air of a zone, as clocks are derived from it."""
        return self._air.samples(zone, start_s, end_s)
