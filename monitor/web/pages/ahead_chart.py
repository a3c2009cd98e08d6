"""The next two days as a chart: a site's places with their shifts, or one place with its bands."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from monitor.history.unknown_hours import HOUR_S
from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.outlook.courses import BodyCourse, ZoneCourse
from monitor.outlook.hourly import AHEAD_H
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import Ahead
from monitor.physics.saturation import dew_point_c
from monitor.report.air_lines import ZONE_SOURCE
from monitor.report.chart import ChartLimit, Panel, Trace, Window, panel
from monitor.report.zone_series import WIDTH_S, lowest, read_margins
from monitor.store.contract import Bucket, FloatArray
from monitor.web.frame.deps import SiteAhead
from monitor.web.frame.page import Web
from monitor.web.pages import week_data as data
from monitor.web.pages.thing_chart import Convert, ThingChart, expected
from monitor.web.pages.week_panels import dew_limits, humidity_limits, margin_limits

BACK_S = 12 * HOUR_S  # what was measured leads into what may come


class AheadDrawer:
    """Draws lines that are measured up to the look and foretold from then on."""

    def __init__(self, web: Web, chosen: SiteAhead, now_s: float) -> None:
        assert chosen.questions is not None
        self.web, self.now_s = web, now_s
        self.ahead: Ahead = chosen.questions.ahead
        self.scene: Scene = chosen.questions.scene
        self.from_s = chosen.looked_s
        middle_s = now_s // WIDTH_S * WIDTH_S
        self.window = Window(middle_s - BACK_S, middle_s + AHEAD_H * HOUR_S, WIDTH_S)
        self._known = frozenset(web.deps.series.keys())

    def measured(self, zone: str, quantity: Quantity, source: str = ZONE_SOURCE) -> Sequence[Bucket]:
        """What is stored of a line."""
        key, until_s = SeriesKey(zone, source, quantity), self.now_s
        if key not in self._known:
            return ()
        return self.web.deps.series.buckets(key, self.window.start_s, until_s, self.window.width_s)

    def coming(self, course: ZoneCourse | BodyCourse, courses: FloatArray) -> list[Bucket]:
        """What may come of it from now on."""
        return expected(course.times_s, courses, max(self.from_s, self.now_s), self.window.end_s)

    def trace(
        self, label: str, style: int, parts: tuple[Sequence[Bucket], Sequence[Bucket]], convert: Convert
    ) -> Trace:
        """One line of both parts; its band is that of what may come."""
        before, after = (data.shown(part, convert) for part in parts)
        return Trace(label, style, [*before, *after], 1.5 * WIDTH_S, band=after)


def ahead_chart(web: Web, chosen: SiteAhead, place: Zone | None) -> ThingChart | None:
    """The chart of a site, or of one of its places; None where nothing can be foretold."""
    if chosen.questions is None or not chosen.questions.ahead.air:
        return None
    drawer = AheadDrawer(web, chosen, web.deps.clock())
    panels = _place(drawer, place) if place is not None else _site(drawer, places_ahead(web, chosen))
    shifts = tuple(one.shift for one in chosen.outlooks)
    return ThingChart(tuple(panels), drawer.window, shifts, drawer.now_s)


def places_ahead(web: Web, chosen: SiteAhead) -> list[Zone]:
    """The places that can be foretold, the one whose steel comes nearest to the dew point first."""
    if chosen.questions is None:
        return []
    ahead, scene = chosen.questions.ahead, chosen.questions.scene
    known = [zone for zone in web.deps.settings.zones if zone.id in ahead.air]
    least = {zone.id: _least(coldest(ahead, scene, zone.id)) for zone in known}
    return sorted(known, key=lambda zone: least[zone.id])


def coldest(ahead: Ahead, scene: Scene, zone: str) -> tuple[BodyCourse, FloatArray] | None:
    """The margins of the coldest steel of a place, course by course; None where no steel stands there."""
    bodies = [ahead.bodies[one.id] for one in scene.bodies if one.zone == zone and one.id in ahead.bodies]
    if not bodies:
        return None
    return bodies[0], np.minimum.reduce([body.margin_k for body in bodies])


def _least(found: tuple[BodyCourse, FloatArray] | None) -> float:
    return float("inf") if found is None else float(found[1][-1].min())


def _site(drawer: AheadDrawer, zones: Sequence[Zone]) -> list[Panel]:
    """A line a place; the band is that of the first alone, since bands over each other say nothing."""
    show, ahead = drawer.web.show, drawer.ahead
    drawn = list(zones[: data.OVERLAID])
    margins, dews, wets = list[Trace](), list[Trace](), list[Trace]()
    for n, zone in enumerate(drawn):
        course = ahead.air[zone.id]
        steel = coldest(ahead, drawer.scene, zone.id)
        if steel is not None:
            before = lowest(read_margins(drawer.web.deps.series, zone, _past(drawer)))
            margins.append(drawer.trace(zone.name, n, (before, drawer.coming(*steel)), show.spread))
        dew = drawer.measured(zone.id, Quantity.DEW_POINT), drawer.coming(course, _dew(course))
        wet = (
            drawer.measured(zone.id, Quantity.RELATIVE_HUMIDITY),
            drawer.coming(course, course.humidity_frac),
        )
        dews.append(drawer.trace(zone.name, n, dew, show.degrees))
        wets.append(drawer.trace(zone.name, n, wet, _percent))
    limits = [one for zone in drawn if (one := drawer.scene.zones[zone.id].limit_humidity_frac) is not None]
    dry = dew_limits(show, [drawer.scene.zones[zone.id].limit_dew_point_c for zone in drawn])
    panels = [_margin_panel(drawer, "Coldest steel", margins)] if margins else []
    panels.append(
        panel(
            "wet", "Relative humidity", "%", drawer.window, _first_banded(wets), humidity_limits(show, limits)
        )
    )
    panels.append(panel("dew", "Dew point", show.degree, drawer.window, _first_banded(dews), dry))
    return panels


def _place(drawer: AheadDrawer, zone: Zone) -> list[Panel]:
    """One place with its bands: its coldest steel above the dew point, humidity, dew point and air."""
    show, scene = drawer.web.show, drawer.scene
    course, names = drawer.ahead.air[zone.id], {body.id: body.name for body in scene.bodies}
    bodies = {
        one.id: drawer.ahead.bodies[one.id]
        for one in scene.bodies
        if one.zone == zone.id and one.id in drawer.ahead.bodies
    }
    panels = []
    if bodies:
        order = sorted(bodies, key=lambda body: float(bodies[body].margin_k[-1].min()))
        panels.append(_margin_panel(drawer, "Steel", _steel(drawer, zone, bodies, order, names)))
    wet = drawer.measured(zone.id, Quantity.RELATIVE_HUMIDITY), drawer.coming(course, course.humidity_frac)
    dew = drawer.measured(zone.id, Quantity.DEW_POINT), drawer.coming(course, _dew(course))
    air = drawer.measured(zone.id, Quantity.AIR_TEMPERATURE), drawer.coming(course, course.temperature_c)
    lines = [drawer.trace("Dew point", 0, dew, show.degrees), drawer.trace("Air", 4, air, show.degrees)]
    limit, dry = scene.zones[zone.id].limit_humidity_frac, scene.zones[zone.id].limit_dew_point_c
    damp = humidity_limits(show, [] if limit is None else [limit])
    humid = [drawer.trace(zone.name, 0, wet, _percent)]
    panels.append(panel("wet", "Relative humidity", "%", drawer.window, humid, damp))
    panels.append(
        panel("dew", "Dew point and air", show.degree, drawer.window, lines, dew_limits(show, [dry]))
    )
    return panels


def _steel(
    drawer: AheadDrawer,
    zone: Zone,
    bodies: Mapping[str, BodyCourse],
    order: Sequence[str],
    names: Mapping[str, str],
) -> list[Trace]:
    traces = [
        drawer.trace(
            names[body],
            n,
            (
                drawer.measured(zone.id, Quantity.MARGIN, body),
                drawer.coming(bodies[body], bodies[body].margin_k),
            ),
            drawer.web.show.spread,
        )
        for n, body in enumerate(order[: data.OVERLAID])
    ]
    return _first_banded(traces)


def _first_banded(traces: Sequence[Trace]) -> list[Trace]:
    return [trace if n == 0 else replace(trace, band=()) for n, trace in enumerate(traces)]


def _past(drawer: AheadDrawer) -> Window:
    return Window(drawer.window.start_s, drawer.now_s, WIDTH_S)


def _margin_panel(drawer: AheadDrawer, title: str, traces: Sequence[Trace]) -> Panel:
    show = drawer.web.show
    limits: list[ChartLimit] = margin_limits(show, drawer.web.deps.settings.limits.margin_caution_k)
    unit = f"{show.degree} above dew point"
    return panel("margin", title, unit, drawer.window, _first_banded(traces), limits)


def _dew(course: ZoneCourse) -> FloatArray:
    found: FloatArray = dew_point_c(course.vapour_pressure_pa)
    return found


def _percent(value: float) -> float:
    return 100.0 * value
