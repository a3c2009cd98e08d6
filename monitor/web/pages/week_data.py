"""Reads what a weekly chart shows: series by zone, shifts, warnings, sensor troubles, sums by day."""

from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.warning import Score, Tally, WarningOutcome, tally
from monitor.report.air_lines import ZONE_SOURCE
from monitor.report.chart import Window
from monitor.report.sensor_troubles import Trouble
from monitor.report.shift_lines import ShiftLine
from monitor.report.told_outlook import DEW_POINT, told_line, within
from monitor.report.zone_series import ZoneSeries
from monitor.settings.schema import Settings
from monitor.store.contract import Bucket, SeriesStore
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.look import HEALTH

MANY_ZONES_WIDTH_S = 1_800.0  # of what is drawn where there are many lines
OVERLAID = 6  # more lines than this cannot be told apart


def week_window(week: str, tz: ZoneInfo, width_s: float) -> Window:
    """An ISO week ("2026-W38") from local Monday to local Monday; 167 or 169 h at changes of the clock."""
    year, number = week.split("-W")
    monday = date.fromisocalendar(int(year), int(number), 1)
    start, end = midnight(monday, tz), midnight(monday + timedelta(days=7), tz)
    return Window(start, end, width_s)


def last_days(now_s: float, tz: ZoneInfo, width_s: float, days: int = 7) -> Window:
    """The days up to now: from local midnight to the end of today."""
    today = datetime.fromtimestamp(now_s, tz).date()
    return Window(
        midnight(today - timedelta(days=days - 1), tz), midnight(today + timedelta(days=1), tz), width_s
    )


def midnight(day: date, tz: ZoneInfo) -> float:
    """The start of a local day."""
    return datetime.combine(day, time(0), tz).astimezone(UTC).timestamp()


def days_of(window: Window, tz: ZoneInfo) -> list[tuple[float, float]]:
    """The local days of a window, 23 to 25 h each."""
    day = datetime.fromtimestamp(window.start_s, tz).date()
    found = []
    while midnight(day, tz) < window.end_s:
        found.append((midnight(day, tz), midnight(day + timedelta(days=1), tz)))
        day += timedelta(days=1)
    return found


def doubtful(store: SeriesStore, settings: Settings, zone: Zone, window: Window) -> list[tuple[float, float]]:
    """Doubtful humidity readings (time, fraction), at most one a bucket and sensor."""
    if store.counts().get("doubtful", 0) == 0:
        return []
    found: list[tuple[float, float]] = []
    for sensor in settings.sensors:
        if sensor.zone == zone.id:
            key = SeriesKey(zone.id, sensor.id, Quantity.RELATIVE_HUMIDITY)
            part = store.slice(key, window.start_s, window.end_s)
            times, values = part.time_s[part.doubtful], part.value[part.doubtful]
            buckets = np.floor(times / window.width_s)
            first = np.flatnonzero(np.diff(buckets, prepend=-1.0))
            found += zip(times[first].tolist(), values[first].tolist(), strict=True)
    return found


def shifts_in(deps: WebDeps, window: Window, site: str) -> list[ShiftSpan]:
    """The site's shifts that touch the window."""
    return [span for span in deps.shift_spans(window.start_s, window.end_s) if span.site == site]


def trouble_words(trouble: Trouble) -> str:
    """What is shown of it."""
    return f"{trouble.sensor}: {HEALTH[trouble.status].word.lower()}, {trouble.reason}"


def scored(deps: WebDeps, lines: Sequence[ShiftLine], site: str) -> tuple[Tally, Tally, list[Score]]:
    """How the warnings of shifts came out: in these days, in all that is remembered, and one by one."""
    known = [score for score in deps.scores() if not site or score.shift.site == site]
    told = [line.score for line in lines if line.score is not None and site in ("", line.shift.site)]
    inside = [score for score in told if score.outcome is not WarningOutcome.NOT_KNOWN]
    return tally(inside), tally(known), inside


def came_within(deps: WebDeps, one: ZoneSeries, window: Window) -> tuple[int, int]:
    """In how many hours a zone's dew point came within the ends told, of those told and measured."""
    told = told_line(deps.series, deps.series.keys(), (one.zone.id, ZONE_SOURCE), DEW_POINT, window)
    return within(told, one.dew_point)


def shown(buckets: Sequence[Bucket], convert: Callable[[float], float]) -> list[Bucket]:
    """The same buckets in shown units."""
    return [Bucket(b.start_s, b.n, convert(b.minimum), convert(b.mean), convert(b.maximum)) for b in buckets]
