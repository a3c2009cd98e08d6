"""What the store holds of one zone over a stretch of time, in buckets, and what that comes to by day."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from monitor.history.unknown_hours import Stretches, unknown_h
from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.report.air_lines import ZONE_SOURCE, unknown_in_store
from monitor.report.chart import Window
from monitor.settings.schema import Settings
from monitor.store.contract import Bucket, SeriesStore

WIDTH_S = 900.0  # of what is read and summed, on every page and record


@dataclass(frozen=True, slots=True)
class ZoneSeries:
    """One zone's lines, in inside units, and the margins of the bodies that stand in it."""

    zone: Zone
    dew_point: Sequence[Bucket]
    humidity: Sequence[Bucket]
    margins: dict[str, Sequence[Bucket]]  # by body id
    unknown: Stretches  # when nobody knew its air


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
    """The same, in rising time, in wider buckets, means weighted by count, extremes of all, for a drawing.

    Sums are taken from the fine ones on every page.
    """
    if width_s <= WIDTH_S:
        return list(buckets)
    found: list[Bucket] = []
    begun_s, n, total, low, high = -1.0, 0, 0.0, 0.0, 0.0
    for bucket in buckets:
        start_s = bucket.start_s // width_s * width_s
        if start_s != begun_s:
            if n:
                found.append(Bucket(begun_s, n, low, total / n, high))
            begun_s, n, total, low, high = start_s, 0, 0.0, bucket.minimum, bucket.maximum
        n += bucket.n
        total += bucket.mean * bucket.n
        low, high = min(low, bucket.minimum), max(high, bucket.maximum)
    if n:
        found.append(Bucket(begun_s, n, low, total / n, high))
    return found


def read_margins(store: SeriesStore, zone: Zone, window: Window) -> dict[str, Sequence[Bucket]]:
    """The margins of the bodies that stood in a zone, by body."""
    known = store.keys()
    keys = sorted(key for key in known if key.zone == zone.id and key.quantity is Quantity.MARGIN)
    lines = {key.source: store.buckets(key, window.start_s, window.end_s, window.width_s) for key in keys}
    return {body: line for body, line in lines.items() if line}


def worst_margin(series: ZoneSeries) -> list[Bucket]:
    """The lowest margin of any body of the zone, bucket by bucket."""
    return lowest(series.margins)


def lowest(margins: Mapping[str, Sequence[Bucket]]) -> list[Bucket]:
    """The lowest of several lines, bucket by bucket."""
    by_start: dict[float, Bucket] = {}
    for bucket in (bucket for line in margins.values() for bucket in line):
        other = by_start.get(bucket.start_s)
        if other is None or bucket.mean < other.mean:
            by_start[bucket.start_s] = bucket
    return [by_start[start] for start in sorted(by_start)]


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
