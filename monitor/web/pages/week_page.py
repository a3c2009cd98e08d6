"""The weekly chart: three sentences, the plots under one axis, a line a shift, the warnings."""

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.history.unknown_hours import HOUR_S
from monitor.model.place import Zone
from monitor.outlook.telling import telling_from
from monitor.report import zone_series as stored
from monitor.report.chart import Window, drawn_holes
from monitor.report.condition_words import AlarmWords
from monitor.report.door_lanes import door_lanes
from monitor.report.exposure_bars import ExposureBar, exposure_bars
from monitor.report.local_days import DAYS, MONTHS
from monitor.report.sensor_troubles import Trouble, troubles
from monitor.report.sheet import Writing
from monitor.report.shift_lines import ShiftLine
from monitor.report.site_week import SiteWeek, site_week
from monitor.report.told_outlook import told_words
from monitor.report.unread import all_read
from monitor.report.warning_lives import WarningDay, WarningLife, by_day
from monitor.report.week_story import PlaceWeek, Story, WeekTold, story
from monitor.settings.reference import load_toml
from monitor.store.contract import Bucket
from monitor.web.frame.csv_files import csv_file
from monitor.web.frame.page import Web
from monitor.web.pages import week_data as data
from monitor.web.pages.status_events import StatusEvents
from monitor.web.pages.week_panels import View, place_panels, yard_panels

COLUMNS = ("zone", "source", "quantity", "start_utc", "start_local", "n", "minimum", "mean", "maximum")
WEEK = re.compile(r"(19[7-9]\d|2\d{3})-W(0[1-9]|[1-4]\d|5[0-3])")
MARKED = 12  # more marks than this hide the chart
BARS = 8  # packages drawn; the rest is on the rack
SHORTEST_S = 3_600.0  # of what is drawn, however near somebody looks


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
    near: Window | None = None  # the part that is drawn, where somebody looks nearer

    @property
    def drawn_s(self) -> float:
        """The width of the buckets that are drawn."""
        return stored.WIDTH_S if self.one or self.near else data.MANY_ZONES_WIDTH_S

    @property
    def drawn(self) -> Window:
        """What the chart shows; every number stays that of the whole."""
        return self.near or self.window


@dataclass(frozen=True, slots=True)
class Lane:
    """One zone's line of troubles below the plots."""

    zone: Zone
    holes: tuple[tuple[float, float], ...]
    troubles: tuple[Trouble, ...]


def routes(web: Web) -> APIRouter:
    """The page and its table as a file."""
    router = APIRouter(include_in_schema=False)
    status = StatusEvents(web.deps.ledger)

    @router.get("/week")
    def week(
        request: Request,
        week: Annotated[str, Query()] = "",
        zone: Annotated[str, Query()] = "",
        from_s: Annotated[float | None, Query()] = None,
        to_s: Annotated[float | None, Query()] = None,
    ) -> HTMLResponse:
        choice = nearer(choose(web, week, zone), from_s, to_s)
        return web.page(request, "week.html", here="week", **_context(web, choice, status))

    @router.get("/week.csv")
    def week_csv(
        request: Request, week: Annotated[str, Query()] = "", zone: Annotated[str, Query()] = ""
    ) -> Response:
        choice = choose(web, week, zone)
        name = f"dryshift-{choice.week or 'last-7-days'}{'-' + zone if zone else ''}.csv"
        rows = list(_rows(web, choice))
        all_read(web.deps.series, choice.window.start_s, choice.window.end_s)
        return csv_file(web, request, name, COLUMNS, rows)

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


def nearer(choice: Choice, from_s: float | None, to_s: float | None) -> Choice:
    """The same with only a part of it drawn, in whole buckets; all of it where nothing sensible is asked."""
    whole = choice.window
    if from_s is None or to_s is None or not (math.isfinite(from_s) and math.isfinite(to_s)):
        return choice
    width_s = whole.width_s
    start_s = max(whole.start_s, from_s // width_s * width_s)
    end_s = min(whole.end_s, -(-to_s // width_s) * width_s)
    if end_s - start_s < SHORTEST_S or (start_s, end_s) == (whole.start_s, whole.end_s):
        return choice
    return replace(choice, near=Window(start_s, end_s, width_s))


def _view(web: Web, choice: Choice) -> View:
    """What is drawn, with what people call the things of the shop and what sort of body each is."""
    bodies = [one.history for one in web.deps.history().bodies.values() if one.history is not None]
    now = {body.id: body for body in web.deps.snapshot().bodies}
    kinds = {body.id: body.kind for body in bodies} | {name: body.kind for name, body in now.items()}
    return View(choice.drawn, choice.drawn_s, body_names(web), kinds)


def body_names(web: Web) -> Mapping[str, str]:
    """What people call every thing of the shop, by id."""
    told = web.deps.history()
    bodies = [one.history for one in told.bodies.values() if one.history is not None]
    packages = [one.history for one in told.packages.values() if one.history is not None]
    names = {one.id: one.name for one in bodies} | {one.id: one.name for one in packages}
    now = {body.id: body.name for body in web.deps.snapshot().bodies}
    return dict(web.words.names) | names | now


@dataclass(frozen=True, slots=True)
class WeekSeen:
    """All that a page of a week shows numbers of, of every site it is about."""

    read: tuple[stored.ZoneSeries, ...]
    lives: tuple[WarningLife, ...]
    lines: tuple[ShiftLine, ...]


def _seen(web: Web, choice: Choice, names: Mapping[str, str], now_s: float) -> WeekSeen:
    """Every site's week as its record has it, and what else is drawn."""
    words = AlarmWords(web.words.catalogue, names)
    only = choice.one.id if choice.one else ""
    asked = (*choice.zones, *choice.undrawn)
    sites = list(dict.fromkeys(zone.site for zone in asked))
    weeks: list[SiteWeek] = [site_week(web.deps, site, choice.window, words, now_s, only) for site in sites]
    read = {one.zone.id: one for week in weeks for one in week.zones}
    keys = web.deps.series.keys()
    for zone in choice.zones:
        if zone.id not in read:
            read[zone.id] = stored.read_zone(
                web.deps.series, web.deps.settings, zone, choice.window, now_s, keys
            )
    return WeekSeen(
        read=tuple(read[zone.id] for zone in asked if zone.id in read),
        lives=tuple(dict.fromkeys(life for week in weeks for life in week.lives)),
        lines=tuple(line for week in weeks for line in week.lines),
    )


def _context(web: Web, choice: Choice, status: StatusEvents) -> dict[str, Any]:
    deps, now_s, drawn = web.deps, web.deps.clock(), choice.drawn
    view = _view(web, choice)
    seen = _seen(web, choice, view.names, now_s)
    shown = [one for one in seen.read if one.zone in choice.zones]
    days = data.days_of(choice.window, choice.tz)
    sums = [
        (series, limit, stored.sums(series, choice.window.width_s, days, limit))
        for series in seen.read
        for limit in [stored.limit_of(series.zone, deps.settings)]
    ]
    bars = _bars(web, choice)
    edges = [start for start, _ in days]
    groups = by_day(seen.lives, [])
    site = (choice.one or choice.zones[0]).site if choice.zones else ""
    return {
        "choice": choice,
        "window": drawn,
        "names": view.names,
        "stored": any(series.dew_point or series.humidity for series in shown),
        "panels": place_panels(web, shown[0], view, choice.window)
        if choice.one
        else yard_panels(web, shown, view, choice.window),
        "day_name": lambda start_s: _day_name(start_s, choice.tz),
        "days": [day for day in days if day[1] > drawn.start_s and day[0] < drawn.end_s],
        "shifts": data.shifts_in(deps, drawn, site),
        "marked": _marked(by_day(seen.lives, edges), drawn),
        "groups": [(group, by_day(group.lives, edges)) for group in sorted(groups, key=_urgency)],
        "warned": len(seen.lives),
        "lines": seen.lines,
        "story": _story(
            web, choice, WeekTold(_places(sums), seen.lines, seen.lives, bars, view.names, view.kinds)
        ),
        "bars": bars[:BARS],
        "bars_left_out": max(0, len(bars) - BARS),
        "scored": data.scored(deps, seen.lines, site),
        **_beside(web, choice, shown, now_s),
        "lanes": _lanes(
            shown, troubles(deps.settings, status.within(choice.window), choice.window, now_s), drawn
        ),
        "trouble_words": data.trouble_words,
        "sums": [(series.zone, limit, days_) for series, limit, days_ in sums],
        "total": _total,
        "weeks": _weeks(choice, now_s),
        "bodies_left_out": max(0, len(shown[0].margins) - data.OVERLAID) if choice.one else 0,
        "oneself": choice.one.id if choice.one else "",
        "unread": deps.series.unreadable(choice.window.start_s, choice.window.end_s),  # once all was read
    }


def _beside(web: Web, choice: Choice, shown: Sequence[stored.ZoneSeries], now_s: float) -> dict[str, Any]:
    """Doors, and what had been told."""
    deps, zones = web.deps, [zone.id for zone in choice.zones]
    return {
        "doors": door_lanes(deps.series, deps.series.keys(), zones, choice.window, now_s),
        "told_words": told_words,
        "came_within": data.came_within(deps, shown[0], choice.window) if choice.one else (0, 0),
        "told_lead_h": f"{telling_from(load_toml('outlook.toml')).charted_lead_h:g}",
    }


def _lanes(shown: Sequence[stored.ZoneSeries], doubted: Sequence[Trouble], drawn: Window) -> list[Lane]:
    return [
        Lane(
            series.zone,
            tuple(drawn_holes(_cut(series.unknown, drawn), drawn)),
            tuple(one for one in doubted if one.zone == series.zone.id and _meets(one, drawn)),
        )
        for series in shown
    ]


def _cut(stretches: Sequence[tuple[float, float]], drawn: Window) -> list[tuple[float, float]]:
    return [pair for pair in stretches if pair[1] > drawn.start_s and pair[0] < drawn.end_s]


def _meets(one: Trouble, drawn: Window) -> bool:
    return one.end_s > drawn.start_s and one.start_s < drawn.end_s


def _marked(days: Sequence[WarningDay], drawn: Window) -> list[WarningLife]:
    """What is marked in every plot: the first of a kind, place and day; only the urgent where many."""
    firsts = [day.first for day in days if drawn.start_s <= day.first.given_s < drawn.end_s]
    return firsts if len(firsts) <= MARKED else [one for one in firsts if one.priority == "high"]


def _urgency(group: WarningDay) -> tuple[bool, int, float]:
    ranks = {"high": 0, "medium": 1}
    return not group.unanswered, ranks.get(group.first.priority, 2), group.first.given_s


def _bars(web: Web, choice: Choice) -> list[ExposureBar]:
    """The packages that were in use in these days, by place."""
    histories = [one.history for one in web.deps.history().packages.values() if one.history is not None]
    in_use = [
        one.id
        for one in histories
        if one.opened_s < choice.window.end_s
        and (one.withdrawn_s is None or one.withdrawn_s > choice.window.start_s)
    ]
    zones = [zone.id for zone in web.deps.settings.zones if choice.one in (None, zone)]
    return exposure_bars(web.deps.series, in_use, zones, choice.window)


def _places(sums: Sequence[tuple[stored.ZoneSeries, float, Sequence[stored.DaySums]]]) -> list[PlaceWeek]:
    """Each place's week in hours, from its days; outdoor air has no limit that it could be over."""
    found = []
    for series, limit, days in sums:
        if series.zone.kind == "outdoor" and not series.margins:
            continue
        total = _total(days)
        found.append(
            PlaceWeek(
                series,
                limit,
                None if total.lowest_margin_k is None else total.below_dew_point_h,
                None if total.humidity is None else total.over_limit_h,
                total.no_reading_h,
            )
        )
    return found


def _story(web: Web, choice: Choice, told: WeekTold) -> Story:
    return story(told, Writing(choice.tz, web.deps.settings.web.temperature_unit == "F"))


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


def _rows(web: Web, choice: Choice) -> Iterator[list[str]]:
    """Bucket by bucket, in inside units with the unit in every row; each unknown stretch with its hours."""
    deps, now_s = web.deps, web.deps.clock()
    keys = deps.series.keys()
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
                yield [zone.id, source, quantity, utc, local, str(b.n), *numbers]
