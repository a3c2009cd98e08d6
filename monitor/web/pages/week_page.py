"""The weekly chart: dew point, humidity and surface margin, zone by zone, with shifts and warnings."""

import csv
import io
import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.history.unknown_hours import HOUR_S
from monitor.model.place import Zone
from monitor.report import zone_series as stored
from monitor.report.chart import (
    ChartLimit,
    Panel,
    Trace,
    Window,
    crossed,
    drawn_holes,
    panel,
    place,
    spread_labels,
)
from monitor.report.local_days import DAYS, MONTHS
from monitor.report.sensor_troubles import Trouble, troubles
from monitor.store.contract import Bucket
from monitor.web.frame.page import Web
from monitor.web.pages import week_data as data

WEEK = re.compile(r"(19[7-9]\d|2\d{3})-W(0[1-9]|[1-4]\d|5[0-3])")
LABEL_DISTANCE = 0.075
MARKED = 12  # more marks than this hide the chart


@dataclass(frozen=True, slots=True)
class Choice:
    """Which stretch and which zones are shown."""

    window: Window
    tz: ZoneInfo
    week: str  # ISO week shown, empty for the last seven days
    title: str
    zones: tuple[Zone, ...]
    one: Zone | None
    undrawn: tuple[Zone, ...] = ()  # more zones than lines can be told apart: they are in the file

    @property
    def drawn_s(self) -> float:
        """The width of the buckets that are drawn."""
        return stored.WIDTH_S if self.one else data.MANY_ZONES_WIDTH_S


@dataclass(frozen=True, slots=True)
class Lane:
    """One zone's line of troubles below the plots."""

    zone: Zone
    holes: tuple[tuple[float, float], ...]
    troubles: tuple[Trouble, ...]


def routes(web: Web) -> APIRouter:
    """The page and its table as a file."""
    router = APIRouter(include_in_schema=False)

    @router.get("/week")
    def week(
        request: Request, week: Annotated[str, Query()] = "", zone: Annotated[str, Query()] = ""
    ) -> HTMLResponse:
        choice = choose(web, week, zone)
        return web.page(request, "week.html", here="week", **_context(web, choice))

    @router.get("/week.csv")
    def week_csv(week: Annotated[str, Query()] = "", zone: Annotated[str, Query()] = "") -> Response:
        choice = choose(web, week, zone)
        name = f"dryshift-{choice.week or 'last-7-days'}{'-' + zone if zone else ''}.csv"
        return Response(
            _csv(web, choice),
            media_type="text/csv; charset=utf-8",
            headers={"content-disposition": f'attachment; filename="{name}"'},
        )

    return router


def choose(web: Web, week: str, zone_id: str) -> Choice:
    """Check what was asked for."""
    settings = web.deps.settings
    one = next((zone for zone in settings.zones if zone.id == zone_id), None)
    if zone_id and one is None:
        known = ", ".join(zone.id for zone in settings.zones)
        raise HTTPException(404, f"There is no zone {zone_id!r}; use one of: {known}.")
    tz = web.show.zone_of(one.id if one else "")
    width_s = stored.WIDTH_S
    indoor = [zone for zone in settings.zones if zone.kind not in ("oven", "quiver")]
    zones = (one,) if one else tuple(indoor[: data.OVERLAID])
    undrawn = () if one else tuple(indoor[data.OVERLAID :])
    if not week:
        return Choice(
            data.last_days(web.deps.clock(), tz, width_s), tz, "", "Last 7 days", zones, one, undrawn
        )
    if not WEEK.fullmatch(week):
        raise HTTPException(422, f"{week!r} is not a week; write one like 2026-W38.")
    try:
        window = data.week_window(week, tz, width_s)
    except (ValueError, OverflowError) as error:
        raise HTTPException(422, f"{week!r} is not a week of that year; write one like 2026-W38.") from error
    return Choice(window, tz, week, f"Week {int(week[-2:])}, {week[:4]}", zones, one, undrawn)


def _context(web: Web, choice: Choice) -> dict[str, Any]:
    deps, now_s, window = web.deps, web.deps.clock(), choice.window
    keys = deps.series.keys()
    read = [stored.read_zone(deps.series, deps.settings, zone, window, now_s, keys) for zone in choice.zones]
    doubted = troubles(deps.settings, deps.ledger, window, now_s)
    days = data.days_of(window, choice.tz)
    warned = data.warned(deps, web.words, window, choice.one.id if choice.one else "")
    urgent = [warning for warning in warned if warning.priority == "high"]
    site = (choice.one or choice.zones[0]).site if choice.zones else ""
    return {
        "choice": choice,
        "window": window,
        "stored": any(series.dew_point or series.humidity for series in read),
        "panels": _panels(web, choice, read),
        "labels": spread_labels,
        "place": place,
        "label_distance": LABEL_DISTANCE,
        "day_names": [_day_name(start, choice.tz) for start, _ in days],
        "days": days,
        "shifts": data.shifts_in(deps, window, site),
        "warned": warned,
        "scored": data.scored(deps, window, site),
        "marked": warned if len(warned) <= MARKED else urgent,
        "lanes": [
            Lane(
                series.zone,
                tuple(drawn_holes(series.unknown, window)),
                tuple(trouble for trouble in doubted if trouble.zone == series.zone.id),
            )
            for series in read
        ],
        "trouble_words": data.trouble_words,
        "sums": [
            (series.zone, limit, stored.sums(series, window.width_s, days, limit))
            for series in read
            for limit in [stored.limit_of(series.zone, deps.settings)]
        ],
        "total": _total,
        "weeks": _weeks(choice, now_s),
        "bodies_left_out": max(0, len(read[0].margins) - data.OVERLAID) if choice.one else 0,
        "oneself": choice.one.id if choice.one else "",
    }


def _panels(web: Web, choice: Choice, read: Sequence[stored.ZoneSeries]) -> list[Panel]:
    show, window, settings = web.show, choice.window, web.deps.settings
    width_s = choice.drawn_s

    def trace(label: str, n: int, buckets: Sequence[Bucket], convert: Callable[[float], float]) -> Trace:
        return Trace(label, n, data.shown(stored.coarser(buckets, width_s), convert), 1.5 * width_s)

    dew = [trace(s.zone.name, n, s.dew_point, show.degrees) for n, s in enumerate(read)]
    wet = [trace(s.zone.name, n, s.humidity, lambda v: 100 * v) for n, s in enumerate(read)]
    if choice.one:
        bodies = sorted(read[0].margins.items(), key=lambda pair: min(b.mean for b in pair[1]))
        names = _names(web, read[0].margins)
        margin = [
            trace(names.get(body, body), n, buckets, show.spread)
            for n, (body, buckets) in enumerate(bodies[: data.OVERLAID])
        ]
        limit = stored.limit_of(choice.one, settings)
        humid = [ChartLimit(f"limit {show.percent(limit)}", 100 * limit)]
    else:
        margin = [
            trace(s.zone.name, n, stored.worst_margin(s), show.spread)
            for n, s in enumerate(read)
            if s.margins
        ]
        limits = sorted({stored.limit_of(zone, settings) for zone in choice.zones})
        humid = [ChartLimit(f"limit {show.percent(limit)}", 100 * limit) for limit in limits]
    dew_limits = {zone.max_dew_point_c for zone in choice.zones if zone.max_dew_point_c is not None}
    doubts: list[tuple[float, float]] = []
    if choice.one:
        found = data.doubtful(web.deps.series, settings, choice.one, window)
        doubts = [(time_s, 100 * value) for time_s, value in found]
    caution_k = settings.limits.margin_caution_k
    panels = [
        panel(
            "dew",
            "Dew point",
            show.degree,
            window,
            dew,
            [ChartLimit(f"limit {show.temperature(c)}", show.degrees(c)) for c in sorted(dew_limits)],
        ),
        crossed(panel("wet", "Relative humidity", "%", window, wet, humid), window, doubts),
    ]
    if margin:
        lines = [
            ChartLimit("dew point", 0.0),
            ChartLimit(f"+{show.difference(caution_k)}", show.spread(caution_k)),
        ]
        title = "Surfaces" if choice.one else "Coldest surface"
        panels.append(panel("margin", title, f"{show.degree} above dew point", window, margin, lines))
    return panels


def _names(web: Web, bodies: Iterable[str]) -> dict[str, str]:
    """What people call these bodies; only for those that have left the shop the whole rack is read."""
    found = {body.id: body.name for body in web.deps.snapshot().bodies}
    if found.keys() >= set(bodies):
        return found
    return {name: thing.name for name, thing in web.deps.rack().items()} | found


def _day_name(start_s: float, tz: ZoneInfo) -> tuple[str, str, str]:
    day = datetime.fromtimestamp(start_s, tz)
    return DAYS[day.weekday()], str(day.day), MONTHS[day.month - 1]


def _weeks(choice: Choice, now_s: float) -> dict[str, str]:
    """The addresses of the weeks before and after."""
    middle = datetime.fromtimestamp((choice.window.start_s + choice.window.end_s) / 2, choice.tz).date()
    this_week = datetime.fromtimestamp(now_s, choice.tz).date()
    shown = middle if choice.week else this_week + timedelta(days=7)
    found = {"before": _iso(shown - timedelta(days=7)), "after": ""}
    if choice.week and _iso(shown) < _iso(this_week):
        found["after"] = _iso(shown + timedelta(days=7))
    return found


def _iso(day: date) -> str:
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def _total(days: Sequence[stored.DaySums]) -> stored.DaySums:
    """A zone's whole stretch in numbers."""
    dew = [day.dew_point for day in days if day.dew_point]
    wet = [day.humidity for day in days if day.humidity]
    margins = [day.lowest_margin_k for day in days if day.lowest_margin_k is not None]
    return stored.DaySums(
        start_s=days[0].start_s,
        dew_point=_ends(dew),
        humidity=_ends(wet),
        over_limit_h=sum(day.over_limit_h for day in days),
        lowest_margin_k=min(margins, default=None),
        below_dew_point_h=sum(day.below_dew_point_h for day in days),
        no_reading_h=sum(day.no_reading_h for day in days),
    )


def _ends(spreads: Sequence[tuple[float, float, float]]) -> tuple[float, float, float] | None:
    if not spreads:
        return None
    means = [mean for _, mean, _ in spreads]
    return min(s[0] for s in spreads), sum(means) / len(means), max(s[2] for s in spreads)


def _csv(web: Web, choice: Choice) -> str:
    """Bucket by bucket, in inside units with the unit in every row; each unknown stretch with its hours."""
    deps, now_s = web.deps, web.deps.clock()
    keys = deps.series.keys()
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(
        ["zone", "source", "quantity", "start_utc", "start_local", "n", "minimum", "mean", "maximum"]
    )
    for zone in (*choice.zones, *choice.undrawn):
        series = stored.read_zone(deps.series, deps.settings, zone, choice.window, now_s, keys)
        named = [
            ("zone", "dew_point_c", series.dew_point),
            ("zone", "relative_humidity_frac", series.humidity),
        ]
        named += [(body, "margin_k", buckets) for body, buckets in series.margins.items()]
        hours = [((end - start) / HOUR_S, start) for start, end in series.unknown]
        named.append(("zone", "unknown_h", [Bucket(start, 1, h, h, h) for h, start in hours]))
        for source, quantity, buckets in named:
            for b in buckets:
                local = datetime.fromtimestamp(b.start_s, choice.tz).isoformat()
                utc = datetime.fromtimestamp(b.start_s, ZoneInfo("UTC")).strftime("%Y-%m-%dT%H:%M:%SZ")
                numbers = [f"{value:.5g}" for value in (b.minimum, b.mean, b.maximum)]
                writer.writerow([zone.id, source, quantity, utc, local, b.n, *numbers])
    return out.getvalue()
