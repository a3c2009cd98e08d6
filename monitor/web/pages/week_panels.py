"""The plots of the weekly chart: what is drawn of a stretch of time, in shown units, with its bands."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.history.unknown_hours import HOUR_S
from monitor.model.level import Level
from monitor.model.reading import Quantity, SeriesKey
from monitor.report import zone_series as stored
from monitor.report.air_lines import ZONE_SOURCE
from monitor.report.chart import ChartLimit, Panel, Trace, Window, crossed, panel
from monitor.report.told_outlook import DEW_POINT, MARGIN, told_line
from monitor.store.contract import Bucket
from monitor.web.frame.page import Web
from monitor.web.frame.show import Show
from monitor.web.pages import week_data as data

WEEK_S = 7 * 86_400.0
STD_WIDE = 2.0  # a band of two standard deviations: about 95 of 100
GHOST = "the week before"
RANGE_BEFORE = "the week before, lowest to highest"
BEHIND = (Quantity.DEW_POINT, Quantity.RELATIVE_HUMIDITY, Quantity.MARGIN)


@dataclass(frozen=True, slots=True)
class View:
    """Which part of the week is drawn, in buckets of which width, and what its things are called."""

    window: Window
    drawn_s: float
    names: Mapping[str, str]
    kinds: Mapping[str, str]

    def shown(self, buckets: Sequence[Bucket], convert: Callable[[float], float]) -> list[Bucket]:
        """What of a line is drawn."""
        inside = [b for b in buckets if self.window.start_s <= b.start_s < self.window.end_s]
        return data.shown(stored.coarser(inside, self.drawn_s), convert)

    def trace(
        self, label: str, style: int, buckets: Sequence[Bucket], convert: Callable[[float], float]
    ) -> Trace:
        """A line of the chart."""
        return Trace(label, style, self.shown(buckets, convert), 1.5 * self.drawn_s)


@dataclass(frozen=True, slots=True)
class ZoneLines:
    """What is read of one place beside its sums: how sure its lines are, its steel, and the week before."""

    air: Sequence[Bucket]
    dew_std: Sequence[Bucket]
    skins: Sequence[tuple[str, Sequence[Bucket]]]  # of the coldest cylinder and plate, by body
    margin_stds: Mapping[str, Sequence[Bucket]]
    told: Mapping[
        str, Sequence[Bucket]
    ]  # what was foretold of its dew point, and of its bodies' margins, by source
    before: stored.ZoneSeries | None


def zone_lines(web: Web, one: stored.ZoneSeries, view: View, week: Window) -> ZoneLines:
    """Read them."""
    store, zone = web.deps.series, one.zone
    known, between = {key for key in _keys(web) if key.zone == zone.id}, view.window

    def line(source: str, quantity: Quantity) -> Sequence[Bucket]:
        key = SeriesKey(zone.id, source, quantity)
        there = key in known
        return store.buckets(key, between.start_s, between.end_s, week.width_s) if there else ()

    coldest = coldest_of_each(one.margins, view.kinds)
    drawn = Window(between.start_s, between.end_s, week.width_s)
    earlier = Window(week.start_s - WEEK_S, week.end_s - WEEK_S, week.width_s)
    before = stored.read_zone(store, web.deps.settings, zone, earlier, earlier.end_s, known)
    return ZoneLines(
        air=line(ZONE_SOURCE, Quantity.AIR_TEMPERATURE),
        dew_std=line(ZONE_SOURCE, Quantity.DEW_POINT_STD),
        skins=[(body, line(body, Quantity.SKIN_TEMPERATURE)) for body in coldest],
        margin_stds={body: line(body, Quantity.MARGIN_STD) for body in one.margins},
        told={
            ZONE_SOURCE: told_line(store, known, (zone.id, ZONE_SOURCE), DEW_POINT, drawn),
            **{body: told_line(store, known, (zone.id, body), MARGIN, drawn) for body in coldest},
        },
        before=before if before.dew_point or before.humidity else None,
    )


def _keys(web: Web) -> list[SeriesKey]:
    return web.deps.series.keys()


def coldest_of_each(margins: Mapping[str, Sequence[Bucket]], kinds: Mapping[str, str]) -> list[str]:
    """The body of each kind that came nearest to the dew point."""
    found: dict[str, tuple[float, str]] = {}
    for body, line in margins.items():
        least, kind = min(bucket.mean for bucket in line), kinds.get(body, "")
        if kind not in found or least < found[kind][0]:
            found[kind] = (least, body)
    return [body for _, body in sorted(found.values())]


def banded(line: Sequence[Bucket], stds: Sequence[Bucket]) -> list[Bucket]:
    """A line with its band; buckets whose uncertainty is not stored have none."""
    wide = {bucket.start_s: STD_WIDE * bucket.mean for bucket in stds}
    return [
        bucket._replace(minimum=bucket.mean - std, maximum=bucket.mean + std)
        for bucket in line
        if (std := wide.get(bucket.start_s)) is not None
    ]


def of_week_before(line: Sequence[Bucket]) -> list[Bucket]:
    """The same, as if it were this week's."""
    return [bucket._replace(start_s=bucket.start_s + WEEK_S) for bucket in line]


def told_trace(view: View, label: str, line: Sequence[Bucket], convert: Callable[[float], float]) -> Trace:
    """A line as it was foretold, hour by hour, with where nine in ten were to lie."""
    inside = [b for b in line if view.window.start_s <= b.start_s < view.window.end_s]
    hours = data.shown(inside, convert)
    return Trace(f"{label}, as told", 0, hours, 1.5 * HOUR_S, band=hours, told=True)


def margin_limits(show: Show, caution_k: float) -> list[ChartLimit]:
    """What is dangerous and what calls for care, above the dew point."""
    return [
        ChartLimit("dew point", 0.0, Level.DANGER),
        ChartLimit(f"+{show.difference(caution_k)}", show.spread(caution_k), Level.CAUTION),
    ]


def humidity_limits(show: Show, limits: Iterable[float]) -> list[ChartLimit]:
    """Limits (fraction); one alone shades what is over it."""
    found = sorted(set(limits))
    risk = Level.CAUTION if len(found) == 1 else None
    return [ChartLimit(f"limit {show.percent(one)}", 100 * one, risk, below=False) for one in found]


def dew_limits(show: Show, limits: Iterable[float | None]) -> list[ChartLimit]:
    """The same of dew points (°C)."""
    found = sorted({one for one in limits if one is not None})
    risk = Level.CAUTION if len(found) == 1 else None
    return [
        ChartLimit(f"limit {show.temperature(one)}", show.degrees(one), risk, below=False) for one in found
    ]


def _share(value: float) -> float:
    return 100 * value


def place_panels(web: Web, one: stored.ZoneSeries, view: View, week: Window) -> list[Panel]:
    """One place: dew point with air and coldest steel, humidity, and the steel above the dew point."""
    show, settings = web.show, web.deps.settings
    lines = zone_lines(web, one, view, week)
    dew = view.trace("Dew point", 0, one.dew_point, show.degrees)
    dew = replace(dew, band=view.shown(banded(one.dew_point, lines.dew_std), show.degrees))
    temperatures = [dew, view.trace("Air", 4, lines.air, show.degrees)]
    temperatures += [
        view.trace(view.names.get(body, body), 1 + n, skin, show.degrees)
        for n, (body, skin) in enumerate(lines.skins[:2])
        if skin
    ]
    wet = [view.trace(one.zone.name, 0, one.humidity, _share)]
    bodies = sorted(one.margins.items(), key=lambda pair: min(b.mean for b in pair[1]))
    margins = []
    for n, (body, buckets) in enumerate(bodies[: data.OVERLAID]):
        trace = view.trace(view.names.get(body, body), n, buckets, show.spread)
        band = view.shown(banded(buckets, lines.margin_stds[body]), show.spread) if n == 0 else ()
        margins.append(replace(trace, band=band))
    as_told = [
        (temperatures, "Dew point", lines.told[ZONE_SOURCE], show.degrees),
        *(
            (margins, view.names.get(body, body), lines.told.get(body, ()), show.spread)
            for body, _ in bodies[:1]
        ),
    ]
    for found, label, line, convert in as_told:
        if line:
            found.append(told_trace(view, label, line, convert))
    if lines.before is not None:
        for found, line, convert in (
            (temperatures, lines.before.dew_point, show.degrees),
            (wet, lines.before.humidity, _share),
            (margins, stored.worst_margin(lines.before), show.spread),
        ):
            past = view.trace(GHOST, 0, of_week_before(line), convert)
            if past.buckets:
                found.insert(0, replace(past, ghost=True))
    doubts = [(t, 100 * v) for t, v in data.doubtful(web.deps.series, settings, one.zone, view.window)]
    humid = humidity_limits(show, [stored.limit_of(one.zone, settings)])
    dry = dew_limits(show, [one.zone.max_dew_point_c])
    panels = [
        panel("dew", "Dew point, air and steel", show.degree, view.window, temperatures, dry),
        crossed(panel("wet", "Relative humidity", "%", view.window, wet, humid), view.window, doubts),
    ]
    return [*panels, margin_panel(web, "Surfaces", view, margins)] if one.margins else panels


def range_before(
    web: Web, read: Sequence[stored.ZoneSeries], view: View, week: Window
) -> list[Sequence[Bucket]]:
    """Dew point, humidity and coldest steel of these places a week earlier: from the lowest to the highest.

    A line a place in grey would be as many lines again; hours are enough for what lies behind.
    """
    earlier = Window(week.start_s - WEEK_S, week.end_s - WEEK_S, HOUR_S)
    store, zones = web.deps.series, {one.zone.id for one in read}
    lines: dict[Quantity, list[Sequence[Bucket]]] = {one: [] for one in BEHIND}
    for key in _keys(web):
        wanted = key.quantity in lines and (key.source == ZONE_SOURCE or key.quantity is Quantity.MARGIN)
        if wanted and key.zone in zones:
            lines[key.quantity].append(store.buckets(key, earlier.start_s, earlier.end_s, HOUR_S))
    return [of_week_before(_spread(lines[one])) for one in BEHIND]


def _spread(lines: Sequence[Sequence[Bucket]]) -> list[Bucket]:
    by_start: dict[float, list[float]] = {}
    for bucket in (bucket for line in lines for bucket in line):
        by_start.setdefault(bucket.start_s, []).append(bucket.mean)
    return [
        Bucket(start_s, len(means), min(means), sum(means) / len(means), max(means))
        for start_s, means in sorted(by_start.items())
    ]


def yard_panels(web: Web, read: Sequence[stored.ZoneSeries], view: View, week: Window) -> list[Panel]:
    """Several places together: one line each, and the range of the week before behind them."""
    show, settings = web.show, web.deps.settings
    dew = [view.trace(s.zone.name, n, s.dew_point, show.degrees) for n, s in enumerate(read)]
    wet = [view.trace(s.zone.name, n, s.humidity, _share) for n, s in enumerate(read)]
    margins = [
        view.trace(s.zone.name, n, stored.worst_margin(s), show.spread)
        for n, s in enumerate(read)
        if s.margins
    ]
    converts: tuple[Callable[[float], float], ...] = (show.degrees, _share, show.spread)
    behind = range_before(web, read, view, week)
    for found, line, convert in zip((dew, wet, margins), behind, converts, strict=True):
        inside = [b for b in line if view.window.start_s <= b.start_s < view.window.end_s]
        if inside and found:
            past = data.shown(inside, convert)
            found.insert(0, Trace(RANGE_BEFORE, 0, past, 1.5 * HOUR_S, band=past, ghost=True))
    dry = dew_limits(show, [s.zone.max_dew_point_c for s in read])
    humid = humidity_limits(show, [stored.limit_of(s.zone, settings) for s in read])
    panels = [
        panel("dew", "Dew point", show.degree, view.window, dew, dry),
        panel("wet", "Relative humidity", "%", view.window, wet, humid),
    ]
    return [*panels, margin_panel(web, "Coldest surface", view, margins)] if margins else panels


def margin_panel(web: Web, title: str, view: View, margins: Sequence[Trace]) -> Panel:
    """Steel above the dew point, with what is dangerous and what calls for care."""
    show = web.show
    lines = margin_limits(show, web.deps.settings.limits.margin_caution_k)
    return panel("margin", title, f"{show.degree} above dew point", view.window, margins, lines)
