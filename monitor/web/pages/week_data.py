"""Reads what a weekly chart shows: series by zone, shifts, warnings, sensor troubles, sums by day."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from monitor.alarms.states import AlarmState
from monitor.history.unknown_hours import Stretches, unknown_h
from monitor.model.event import Event, EventKind
from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.warning import Score, Tally, tally
from monitor.report.air_lines import ZONE_SOURCE, unknown_in_store
from monitor.settings.schema import Settings
from monitor.store.contract import Bucket, SeriesStore
from monitor.web.frame.alarm_groups import AlarmWords
from monitor.web.frame.chart import Window
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.look import HEALTH, UNANSWERED

WIDTH_S = 900.0  # of what is read and summed, on every page
MANY_ZONES_WIDTH_S = 1_800.0  # of what is drawn where there are many lines
FOLDED_S = 3_600.0
OVERLAID = 6  # more lines than this cannot be told apart


@dataclass(frozen=True, slots=True)
class ZoneSeries:
    """One zone's lines, in inside units, and the margins of the bodies that stand in it."""

    zone: Zone
    dew_point: Sequence[Bucket]
    humidity: Sequence[Bucket]
    margins: dict[str, Sequence[Bucket]]  # by body id
    unknown: Stretches  # when nobody knew its air


@dataclass(frozen=True, slots=True)
class Trouble:
    """A stretch during which a sensor was not good."""

    sensor: str
    zone: str
    status: SensorStatus
    reason: str
    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class Warned:
    """A warning given in the window, with the others of its kind that followed within the hour."""

    time_s: float
    titles: list[str]
    zone: str
    priority: str


@dataclass(frozen=True, slots=True)
class DaySums:
    """One zone's day in numbers; None where nothing was read."""

    start_s: float
    dew_point: tuple[float, float, float] | None  # lowest, mean, highest
    humidity: tuple[float, float, float] | None
    over_limit_h: float
    lowest_margin_k: float | None
    below_dew_point_h: float
    no_reading_h: float


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


def limit_of(zone: Zone, settings: Settings) -> float:
    """The zone's humidity limit: its own where it has one, else the shop's."""
    own = zone.max_relative_humidity_frac
    return own if own is not None else settings.limits.humidity_caution_frac


def read_zone(
    store: SeriesStore,
    settings: Settings,
    zone: Zone,
    window: Window,
    now_s: float,
    keys: Iterable[SeriesKey],
) -> ZoneSeries:
    """All of a zone's lines; its bodies are those of which the store holds margins there."""
    known = {(key.source, key.quantity) for key in keys if key.zone == zone.id}

    def line(source: str, quantity: Quantity) -> list[Bucket]:
        key = SeriesKey(zone.id, source, quantity)
        there = (source, quantity) in known
        return store.buckets(key, window.start_s, window.end_s, window.width_s) if there else []

    bodies = sorted(source for source, quantity in known if quantity is Quantity.MARGIN)
    margins = {body: line(body, Quantity.MARGIN) for body in bodies}
    until_s = min(window.end_s, now_s)
    return ZoneSeries(
        zone=zone,
        dew_point=line(ZONE_SOURCE, Quantity.DEW_POINT),
        humidity=line(ZONE_SOURCE, Quantity.RELATIVE_HUMIDITY),
        margins={body: buckets for body, buckets in margins.items() if buckets},
        unknown=unknown_in_store(store, settings, zone, (window.start_s, until_s)),
    )


def coarser(buckets: Sequence[Bucket], width_s: float) -> list[Bucket]:
    """The same in wider buckets, for a drawing; sums are taken from the fine ones on every page."""
    return merged([[replace(b, start_s=b.start_s // width_s * width_s) for b in buckets]])


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


def merged(lines: Sequence[Sequence[Bucket]]) -> list[Bucket]:
    """Several lines as one: means weighted by count, extremes of all."""
    by_start: dict[float, Bucket] = {}
    for bucket in (bucket for line in lines for bucket in line):
        other = by_start.get(bucket.start_s)
        if other is None:
            by_start[bucket.start_s] = bucket
            continue
        n = other.n + bucket.n
        mean = (other.mean * other.n + bucket.mean * bucket.n) / n
        low, high = min(other.minimum, bucket.minimum), max(other.maximum, bucket.maximum)
        by_start[bucket.start_s] = Bucket(bucket.start_s, n, low, mean, high)
    return [by_start[start] for start in sorted(by_start)]


def worst_margin(series: ZoneSeries) -> list[Bucket]:
    """The lowest margin of any body of the zone, bucket by bucket."""
    by_start: dict[float, Bucket] = {}
    for bucket in (bucket for line in series.margins.values() for bucket in line):
        other = by_start.get(bucket.start_s)
        if other is None or bucket.mean < other.mean:
            by_start[bucket.start_s] = bucket
    return [by_start[start] for start in sorted(by_start)]


def shifts_in(deps: WebDeps, window: Window, site: str) -> list[ShiftSpan]:
    """The site's shifts that touch the window."""
    return [span for span in deps.shift_spans(window.start_s, window.end_s) if span.site == site]


def troubles(deps: WebDeps, window: Window, now_s: float) -> list[Trouble]:
    """When each sensor was not good, from its status events; one running before the window counts too."""
    zones = {sensor.id: sensor.zone for sensor in deps.settings.sensors}
    kind = EventKind.SENSOR_STATUS
    events = deps.ledger.last_of_each(kind, window.start_s)
    events += deps.ledger.events(kinds=(kind,), start_s=window.start_s, end_s=window.end_s)
    open_: dict[str, Event] = {}
    found: list[Trouble] = []
    for event in events:
        before = open_.pop(event.subject, None)
        if before is not None:
            found.append(_trouble(before, event.time_s, zones))
        if _status(event) is not SensorStatus.GOOD:
            open_[event.subject] = event
    found += [_trouble(event, min(now_s, window.end_s), zones) for event in open_.values()]
    return [trouble for trouble in found if trouble.end_s > window.start_s]


def _status(event: Event) -> SensorStatus:
    return SensorStatus(str(event.body.get("status", SensorStatus.GOOD)))


def _trouble(event: Event, end_s: float, zones: dict[str, str]) -> Trouble:
    reason = str(event.body.get("reason", event.why))
    return Trouble(event.subject, zones.get(event.subject, ""), _status(event), reason, event.time_s, end_s)


def trouble_words(trouble: Trouble) -> str:
    """What is shown of it."""
    return f"{trouble.sensor}: {HEALTH[trouble.status].word.lower()}, {trouble.reason}"


def warned(deps: WebDeps, words: AlarmWords, window: Window, zone: str) -> list[Warned]:
    """The warnings given in the window, in order; those of one kind and place within an hour are one."""
    events = deps.ledger.events(
        kinds=(EventKind.ALARM_TRANSITION,), start_s=window.start_s, end_s=window.end_s
    )
    last: dict[tuple[str, str], Warned] = {}
    found: list[Warned] = []
    for event in sorted(events, key=lambda event: event.time_s):
        place = str(event.body.get("zone", ""))
        if not is_raised(event) or (zone and place not in (zone, "")):
            continue
        kind = (event.subject.partition(".")[0], place)
        before = last.get(kind)
        if before is not None and event.time_s - before.time_s < FOLDED_S:
            before.titles.append(words.title(event))
            continue
        last[kind] = Warned(event.time_s, [words.title(event)], place, str(event.body.get("priority", "")))
        found.append(last[kind])
    return found


def scored(deps: WebDeps, window: Window, site: str) -> tuple[Tally, Tally, list[Score]]:
    """How the warnings of shifts came out: in the window, in all that is remembered, and one by one."""
    known = [score for score in deps.scores() if not site or score.shift.site == site]
    inside = [score for score in known if window.start_s <= score.shift.start_s < window.end_s]
    return tally(inside), tally(known), inside


def is_raised(event: Event) -> bool:
    """Whether a transition is the moment a warning was given."""
    unseen = AlarmState.UNACKNOWLEDGED
    return event.body.get("to_state") == unseen and event.body.get("from_state") not in UNANSWERED


def sums(
    series: ZoneSeries, width_s: float, days: Iterable[tuple[float, float]], limit_frac: float
) -> list[DaySums]:
    """Each day in numbers."""
    margin = worst_margin(series)
    width_h = width_s / 3_600
    found = []
    for start_s, end_s in days:
        dew, wet = _within(series.dew_point, start_s, end_s), _within(series.humidity, start_s, end_s)
        low = _within(margin, start_s, end_s)
        found.append(
            DaySums(
                start_s=start_s,
                dew_point=_spread(dew),
                humidity=_spread(wet),
                over_limit_h=width_h * sum(b.mean > limit_frac for b in wet),
                lowest_margin_k=min((b.minimum for b in low), default=None),
                below_dew_point_h=width_h * sum(b.mean <= 0 for b in low),
                no_reading_h=unknown_h(series.unknown, start_s, end_s),
            )
        )
    return found


def _within(buckets: Sequence[Bucket], start_s: float, end_s: float) -> list[Bucket]:
    return [bucket for bucket in buckets if start_s <= bucket.start_s < end_s]


def _spread(buckets: Sequence[Bucket]) -> tuple[float, float, float] | None:
    if not buckets:
        return None
    n = sum(b.n for b in buckets)
    mean = sum(b.mean * b.n for b in buckets) / n
    return min(b.minimum for b in buckets), mean, max(b.maximum for b in buckets)


def shown(buckets: Sequence[Bucket], convert: Callable[[float], float]) -> list[Bucket]:
    """The same buckets in shown units."""
    return [Bucket(b.start_s, b.n, convert(b.minimum), convert(b.mean), convert(b.maximum)) for b in buckets]
