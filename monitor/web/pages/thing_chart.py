"""The chart of one thing: steel against the dew point; a package's hours; a sensor with its neighbours."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np

from monitor.consumables.stays import Stay
from monitor.history.entry_words import plain_words
from monitor.history.package_history import PackageHistory
from monitor.history.rack import Thing
from monitor.model.device import Sensor
from monitor.model.level import Level
from monitor.model.picture import PackageNow
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.courses import BodyCourse, spread
from monitor.report.chart import ChartLimit, Panel, Trace, Window, panel
from monitor.report.exposure_bars import together
from monitor.report.local_days import DAYS
from monitor.report.zone_series import WIDTH_S
from monitor.store.contract import Bucket, FloatArray
from monitor.web.frame.page import Web
from monitor.web.pages import week_data as data
from monitor.web.pages.week_panels import banded, margin_limits

DAY_S = 86_400.0
LOOKED_BACK_S = 14 * DAY_S  # of a package; what is older stands on its sheet
MOST_POINTS = 700
NEIGHBOURS = 5
FEW_DAYS = 3
EDGE_FRAC = 0.06
SENSED = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY, Quantity.SURFACE_TEMPERATURE)
Convert = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class ThingChart:
    """What is drawn of a thing, and what must be said beside it."""

    panels: tuple[Panel, ...]
    window: Window
    shifts: tuple[ShiftSpan, ...] = ()
    now_s: float | None = None  # where tomorrow begins, if it is drawn
    lay: tuple[tuple[str, tuple[tuple[float, float], ...]], ...] = ()  # where, and when
    note: str = ""
    holes: tuple[tuple[float, float], ...] = ()  # when it was not known


@dataclass(frozen=True, slots=True)
class Drawer:
    """Draws lines of one stretch, in shown units."""

    web: Web
    window: Window

    def held(self, source: str, quantity: Quantity, zone: str = "") -> list[Bucket]:
        """What the store has of a thing, wherever it lay, or of a sensor in its place."""
        series = self.web.deps.series
        keys = [key for key in _keys(self.web) if (key.source, key.quantity) == (source, quantity)]
        return together(series, [key for key in keys if zone in ("", key.zone)], self.window)

    def trace(self, label: str, style: int, line: Sequence[Bucket], convert: Convert) -> Trace:
        """A line."""
        return Trace(label, style, data.shown(line, convert), 1.5 * self.window.width_s)


def _keys(web: Web) -> list[SeriesKey]:
    return web.deps.series.keys()


def body_chart(web: Web, thing: Thing) -> ThingChart | None:
    """A cylinder or plate: skin against dew point a day back and a day ahead; None where nothing is known."""
    now_s, show = web.deps.clock(), web.show
    middle_s = now_s // WIDTH_S * WIDTH_S
    window = Window(middle_s - DAY_S, middle_s + DAY_S, WIDTH_S)
    drawer = Drawer(web, window)
    skin, margin = (drawer.held(thing.id, one) for one in (Quantity.SKIN_TEMPERATURE, Quantity.MARGIN))
    stds = drawer.held(thing.id, Quantity.MARGIN_STD)
    course, looked_s = _course(web, thing.id)
    ahead = _ahead(course, window, max(now_s, margin[-1].start_s + WIDTH_S if margin else now_s))
    if not margin and not ahead.margin:
        return None
    margins = {bucket.start_s: bucket.mean for bucket in margin}
    dew = [_at(b.start_s, b.mean - margins[b.start_s]) for b in skin if b.start_s in margins]
    steel = drawer.trace("Skin", 1, [*skin, *ahead.skin], show.degrees)
    steel = replace(steel, band=data.shown([*banded(skin, stds), *ahead.skin], show.degrees))
    above = drawer.trace("Skin above dew point", 1, [*margin, *ahead.margin], show.spread)
    above = replace(above, band=data.shown([*banded(margin, stds), *ahead.margin], show.spread))
    air = drawer.trace("Dew point", 0, [*dew, *ahead.dew], show.degrees)
    limits = margin_limits(show, web.deps.settings.limits.margin_caution_k)
    panels = (
        panel("skin", "Skin and dew point", show.degree, window, [air, steel], []),
        panel("margin", "Margin", f"{show.degree} above dew point", window, [above], limits),
    )
    site = next((zone.site for zone in web.deps.settings.zones if zone.id == thing.zone), "")
    if ahead.margin and looked_s is not None:
        note = f"From now on expected, as of {show.when(looked_s, now_s, show.zone_of(thing.zone))}."
    else:
        note = "What comes is not known: it was not in the last look ahead."
    shifts, holes = tuple(data.shifts_in(web.deps, window, site)), _holes(margin, window, middle_s)
    return ThingChart(panels, window, shifts, now_s, note=note, holes=holes)


def _holes(line: Sequence[Bucket], window: Window, until_s: float) -> tuple[tuple[float, float], ...]:
    """The stretches of whole buckets of which nothing is stored."""
    known = [window.start_s - window.width_s, *(bucket.start_s for bucket in line), until_s]
    gaps = [(before + window.width_s, after) for before, after in pairwise(known)]
    return tuple((start, end) for start, end in gaps if end - start > 0.5 * window.width_s)


@dataclass(frozen=True, slots=True)
class CourseAhead:
    """The median of what may come, minimum and maximum holding 90 of 100 courses."""

    skin: Sequence[Bucket] = ()
    dew: Sequence[Bucket] = ()
    margin: Sequence[Bucket] = ()


def _course(web: Web, body: str) -> tuple[BodyCourse | None, float | None]:
    for site in web.deps.ahead():
        if site.questions is not None and body in site.questions.ahead.bodies:
            return site.questions.ahead.bodies[body], site.looked_s
    return None, None


def _ahead(course: BodyCourse | None, window: Window, from_s: float) -> CourseAhead:
    """The course from a moment on."""
    if course is None:
        return CourseAhead()
    lines = (course.skin_c, course.skin_c - course.margin_k, course.margin_k)
    return CourseAhead(*(expected(course.times_s, one, from_s, window.end_s) for one in lines))


def expected(times_s: FloatArray, courses: FloatArray, from_s: float, end_s: float) -> list[Bucket]:
    """The median of what may come and the ends of nine in ten, from a moment on, straight between hours."""
    begin_s = -(-from_s // WIDTH_S) * WIDTH_S
    times = np.arange(begin_s, min(end_s, float(times_s[-1])), WIDTH_S)
    drawn = [np.interp(times, times_s, one) for one in spread(courses)]
    return [
        Bucket(float(t), 1, float(low), float(middle), float(high))
        for t, low, middle, high in zip(times, *drawn, strict=True)
    ]


def _at(start_s: float, value: float) -> Bucket:
    return Bucket(start_s, 1, value, value, value)


def package_chart(web: Web, thing: Thing, history: PackageHistory | None) -> ThingChart | None:
    """A package: its hours against its limit, with where it lay; None where no hours are stored."""
    if history is None:
        return None
    now_s = web.deps.clock()
    start_s = max(history.opened_s, now_s - LOOKED_BACK_S)
    width_s = WIDTH_S * max(1.0, -(-(now_s - start_s) // (MOST_POINTS * WIDTH_S)))
    window = Window(start_s // width_s * width_s, (now_s // width_s + 1.0) * width_s, width_s)
    drawer = Drawer(web, window)
    used = drawer.held(thing.id, Quantity.EXPOSURE_USED)
    if not used:
        return None
    judged = thing.judged if isinstance(thing.judged, PackageNow) else None
    limit_h = None if judged is None else judged.limit_h
    limits = (
        []
        if limit_h is None
        else [ChartLimit(f"{limit_h:g} h permitted", limit_h, Level.DANGER, below=False)]
    )
    # hours as counted at the end of each step: never less than what was told
    highest = [one._replace(mean=one.maximum, minimum=one.maximum) for one in used]
    drawn = panel("hours", "Hours open", "h", window, [drawer.trace("Hours", 0, highest, float)], limits)
    note = "" if limit_h is not None else "No limit is judged for it now, so none is drawn."
    holes = _holes(used, window, now_s // width_s * width_s)
    return ThingChart((drawn,), window, holes=holes, lay=_lay(web, history.stays, window), note=note)


def _lay(
    web: Web, stays: Sequence[Stay], window: Window
) -> tuple[tuple[str, tuple[tuple[float, float], ...]], ...]:
    """Each place with the stretches in which it lay there, in order."""
    found: dict[str, list[tuple[float, float]]] = {}
    for stay in stays:
        end_s = window.end_s if stay.end_s is None else stay.end_s
        if end_s > window.start_s and stay.start_s < window.end_s:
            where = web.show.zone_name(stay.zone or "") or "place not said"
            found.setdefault(f"{plain_words(stay.place)}, {where}", []).append((stay.start_s, end_s))
    return tuple((words, tuple(spans)) for words, spans in found.items())


def hours_axis(window: Window, tz: ZoneInfo) -> list[tuple[float, float]]:
    """Where the axis is marked: local days, or quarters of them where few are drawn."""
    days = data.days_of(window, tz)
    parts = (2 if len(days) > 2 else 4) if _by_the_clock(window) else 1
    marks = [start + n * (end - start) / parts for start, end in days for n in range(parts)]
    edge_s = window.end_s - EDGE_FRAC * (window.end_s - window.start_s)  # a name there would be cut
    inside = [mark for mark in marks if window.start_s <= mark < edge_s]
    return list(pairwise([*inside, window.end_s]))


def _by_the_clock(window: Window) -> bool:
    """Whether so little is drawn that hours are marked."""
    return window.end_s - window.start_s <= FEW_DAYS * DAY_S


def axis_names(window: Window, tz: ZoneInfo) -> Callable[[float], tuple[str, str, str]]:
    """What stands at a mark: the clock with the day, or the day with its date."""
    few = _by_the_clock(window)

    def name(start_s: float) -> tuple[str, str, str]:
        at = datetime.fromtimestamp(start_s, tz)
        return (f"{at:%H:%M}", DAYS[at.weekday()], "") if few else (DAYS[at.weekday()], str(at.day), "")

    return name


def sensor_chart(web: Web, sensor: Sensor) -> ThingChart:
    """A sensor's last day with its neighbours'; only what is believed is in the lines."""
    now_s, show = web.deps.clock(), web.show
    end_s = (now_s // WIDTH_S + 1.0) * WIDTH_S
    window = Window(end_s - DAY_S, end_s, WIDTH_S)
    drawer = Drawer(web, window)
    beside = [one for one in web.deps.settings.sensors if one.zone == sensor.zone and one.id != sensor.id]
    panels = []
    for quantity in SENSED:
        if quantity not in {measure.quantity for measure in sensor.measures}:
            continue
        percent = quantity is Quantity.RELATIVE_HUMIDITY
        convert: Convert = _percent if percent else show.degrees
        traces = [
            drawer.trace(one.id, n, drawer.held(one.id, quantity, one.zone), convert)
            for n, one in enumerate([sensor, *beside[:NEIGHBOURS]])
        ]
        title = quantity.value.rpartition("_")[0].replace("_", " ").capitalize()
        panels.append(panel(quantity.value, title, "%" if percent else show.degree, window, traces, []))
    site = next((zone.site for zone in web.deps.settings.zones if zone.id == sensor.zone), "")
    return ThingChart(tuple(panels), window, tuple(data.shifts_in(web.deps, window, site)))


def _percent(value: float) -> float:
    return 100.0 * value
