"""What a site's week came to, read once for page and record: its places' lines, warnings and shifts."""

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from monitor.model.event import EventKind
from monitor.model.place import Zone
from monitor.model.reading import SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.report.chart import Window
from monitor.report.condition_words import AlarmWords
from monitor.report.shift_lines import ShiftLine, shift_lines
from monitor.report.told_outlook import SCORED_BY_S
from monitor.report.warning_lives import WarningLife, warning_lives
from monitor.report.zone_series import ZoneSeries, limit_of, read_zone
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore

HEATED = ("oven", "quiver")


class WeekStores(Protocol):
    """Where a week is read from."""

    @property
    def settings(self) -> Settings:
        """The shop's settings."""

    @property
    def series(self) -> SeriesStore:
        """The series."""

    @property
    def ledger(self) -> Ledger:
        """The record."""

    @property
    def shift_spans(self) -> Callable[[float, float], Sequence[ShiftSpan]]:
        """The shifts of a time."""


@dataclass(frozen=True, slots=True)
class SiteWeek:
    """A stretch of time of one site; `limits` are its places' humidity limits (fraction)."""

    zones: tuple[ZoneSeries, ...]
    limits: Mapping[str, float]
    lives: tuple[WarningLife, ...]
    lines: tuple[ShiftLine, ...]


def site_week(
    stores: WeekStores, site: str, window: Window, words: AlarmWords, now_s: float, only: str = ""
) -> SiteWeek:
    """Read a window of a site, or of `only` one of its places, up to now."""
    settings, end_s = stores.settings, min(window.end_s, now_s)
    places = [zone for zone in settings.zones if zone.site == site and only in ("", zone.id)]
    keys = defaultdict[str, list[SeriesKey]](list)
    stored = stores.series.keys()
    for key in stored:
        keys[key.zone].append(key)
    zones = tuple(
        read_zone(stores.series, settings, zone, window, now_s, keys[zone.id])
        for zone in places
        if only or zone.kind not in HEATED
    )
    # outdoor air has no limit of its own: it counts where things lie in it
    zones = tuple(one for one in zones if only or one.zone.kind != "outdoor" or one.margins)
    limits = {one.zone.id: limit_of(one.zone, settings) for one in zones}
    lives = warning_lives(stores.ledger, words, (window.start_s, end_s), _ids(places))
    scored_s = end_s + SCORED_BY_S
    taps = stores.ledger.events(kinds=(EventKind.PLAN,), start_s=window.start_s, end_s=scored_s)
    shifts = [one for one in stores.shift_spans(window.start_s, end_s) if one.site == site]
    told = stores.ledger.events(kinds=(EventKind.DELIVERY,), start_s=window.start_s, end_s=end_s)
    deliveries = [one for one in told if one.subject.startswith(f"warning:{site}.")]
    lines = shift_lines(shifts, zones, limits, (lives, taps, deliveries), now_s)
    return SiteWeek(zones, limits, tuple(lives), tuple(lines))


def _ids(places: Sequence[Zone]) -> list[str]:
    return [zone.id for zone in places]
