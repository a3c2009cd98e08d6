"""What a report is made from: the shop's settings, the stores, and the things as their keeper knows them."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.consumables.exposure_air import AirSamples
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.history.entry_words import EntryWords
from monitor.history.package_history import PackageHistory
from monitor.history.records import Refusal
from monitor.history.shop_history import TOLD, declared_things
from monitor.model.event import Event, EventKind
from monitor.model.place import Site
from monitor.model.shift_span import ShiftSpan
from monitor.report.sheet import Writing
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore, Witness

THINGS = (EventKind.PACKAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.STORAGE, EventKind.BEAD)


class Keeps(Protocol):
    """What reports ask of packages: `Keeper.recall()` gives it, as of one moment."""

    def packages(self) -> Sequence[str]:
        """Every package that settings or ledger tell of."""

    def history(self, package: str) -> PackageHistory | None:
        """A package's history as it is now known."""

    def rules(self, package: str) -> ClockRules | None:
        """The rules that hold for a package."""

    def clock_at(self, package: str, time_s: float) -> ExposureClock | None:
        """A package's clock at a moment; None before it was opened."""

    def air(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """The believed air of a zone, as clocks are derived from it."""

    def refused(self, subject: str) -> tuple[Refusal, ...]:
        """Entries in the ledger that cannot be true beside the others."""


def _no_shifts(start_s: float, end_s: float) -> Sequence[ShiftSpan]:
    del start_s, end_s
    return ()


@dataclass(frozen=True, slots=True)
class Sources:
    """Everything a report reads; `now_s` is when it is made, `shift_spans` gives the shifts of a time.

    `witnesses` gives the ledger's ends that were kept outside of it, in rising number.
    """

    settings: Settings
    ledger: Ledger
    series: SeriesStore
    keeper: Keeps
    now_s: float
    shift_spans: Callable[[float, float], Sequence[ShiftSpan]] = _no_shifts
    witnesses: Callable[[], Sequence[Witness]] = tuple

    def writing(self, site: Site) -> Writing:
        """How this site's sheets are written."""
        return Writing(site.tz, self.settings.web.temperature_unit == "F")

    def entry_words(self) -> EntryWords:
        """How entries are worded here."""
        fahrenheit = self.settings.web.temperature_unit == "F"
        return EntryWords({zone.id: zone.name for zone in self.settings.zones}, fahrenheit)

    def site_of(self, zone: str) -> Site:
        """The site of a zone; the first one where the zone is not known."""
        sites = {site.id: site for site in self.settings.sites}
        found = next((one.site for one in self.settings.zones if one.id == zone), None)
        return sites[found] if found is not None else self.settings.sites[0]

    def names(self) -> dict[str, str]:
        """What people call every place and thing, also those that have left."""
        told = declared_things(self.settings).history(self.ledger.events(kinds=TOLD))
        histories = [one.history for part in (told.packages, told.bodies) for one in part.values()]
        found = {one.id: one.name for one in histories if one is not None}
        return found | {zone.id: zone.name for zone in self.settings.zones}

    def zone_name(self, zone: str) -> str:
        """What people call a zone."""
        return next((one.name for one in self.settings.zones if one.id == zone), zone)

    def zone_kind(self, zone: str | None) -> str:
        """What sort of place a zone is; empty for one that is not in the settings."""
        return next((one.kind for one in self.settings.zones if one.id == zone), "")

    def events_of(self, subjects: Sequence[str]) -> list[Event]:
        """Every event of these things, in order of entry."""
        found = [event for subject in subjects for event in self.ledger.events(subject=subject)]
        return sorted(found, key=lambda event: event.number)
