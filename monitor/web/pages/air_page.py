"""The week's air on temperature against humidity ratio, by place and shift, with the steel that sweats."""

from collections.abc import Iterator, Sequence
from typing import Annotated, Any, NamedTuple

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.history.unknown_hours import HOUR_S
from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.shifts import hours_of_shift
from monitor.physics.moist_air import station_pressure_pa
from monitor.report.air_lines import ZONE_SOURCE
from monitor.report.chart import X_FULL, Y_FULL, Window, place
from monitor.report.moist_air_chart import LINES_FRAC, ends, humidity_line, sweats_from_kgkg
from monitor.report.zone_series import lowest, read_margins
from monitor.store.contract import Bucket
from monitor.web.frame.page import Web
from monitor.web.pages import week_data as data
from monitor.web.pages.week_page import Choice, body_names, choose

SHAPES = 6  # marks that can be told apart
OUTSIDE, OUTSIDE_STYLE = "outside shifts", 4
ROOM_C, STEP_C = 0.5, 1.0
RATIO_STEP_KGKG = 0.001


class AirHour(NamedTuple):
    """One hour of a place: its means, its coldest steel above the dew point, and the shift it belongs to."""

    start_s: float
    zone: str
    temperature_c: float
    ratio_kgkg: float
    margin_k: float | None
    shift: str


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/week/air")
    def air(
        request: Request, week: Annotated[str, Query()] = "", zone: Annotated[str, Query()] = ""
    ) -> HTMLResponse:
        choice = choose(web, week, zone)
        return web.page(request, "air.html", here="week", choice=choice, **_context(web, choice))

    return router


def _context(web: Web, choice: Choice) -> dict[str, Any]:
    hours = [hour for zone in choice.zones for hour in air_hours(web, zone, choice.window)]
    if not hours:
        return {"chart": None}
    site = next(one for one in web.deps.settings.sites if one.id == choice.zones[0].site)
    worst = min((one for one in hours if one.margin_k is not None), key=_margin, default=None)
    steel = None if worst is None else _steel(web, worst)
    return {
        "chart": _chart(web, choice, hours, steel, float(station_pressure_pa(site.altitude_m))),
        "worst": worst,
        "steel": steel,
        "parts": _parts(hours),
        "site_pressure_hpa": station_pressure_pa(site.altitude_m) / 100.0,
    }


def _margin(hour: AirHour) -> float:
    return hour.margin_k if hour.margin_k is not None else float("inf")


def air_hours(web: Web, zone: Zone, window: Window) -> list[AirHour]:
    """The hours of a place of which temperature and water are both stored."""
    store = web.deps.series

    def means(quantity: Quantity) -> dict[float, float]:
        key = SeriesKey(zone.id, ZONE_SOURCE, quantity)
        return {b.start_s: b.mean for b in store.buckets(key, window.start_s, window.end_s, HOUR_S)}

    warm, ratio = means(Quantity.AIR_TEMPERATURE), means(Quantity.HUMIDITY_RATIO)
    steel = {b.start_s: b.mean for b in _coldest(web, zone, window)}
    by_hour = _by_hour(data.shifts_in(web.deps, window, zone.site))
    return [
        AirHour(start_s, zone.id, warm[start_s], water, steel.get(start_s), by_hour.get(start_s, ""))
        for start_s, water in ratio.items()
        if start_s in warm
    ]


def _coldest(web: Web, zone: Zone, window: Window) -> list[Bucket]:
    return lowest(read_margins(web.deps.series, zone, Window(window.start_s, window.end_s, HOUR_S)))


def _by_hour(shifts: Sequence[ShiftSpan]) -> dict[float, str]:
    """The shift of each hour, by its start; an hour belongs where the outlook's rule says."""
    return {end_s - HOUR_S: shift.name for shift in shifts for end_s in hours_of_shift(shift)}


def _steel(web: Web, worst: AirHour) -> tuple[str, float] | None:
    """The body that came nearest to its dew point in the worst hour, and its skin then (°C)."""
    zone = next(one for one in web.deps.settings.zones if one.id == worst.zone)
    hour = Window(worst.start_s, worst.start_s + HOUR_S, HOUR_S)
    margins = read_margins(web.deps.series, zone, hour)
    body = min(margins, key=lambda one: margins[one][0].mean)
    key = SeriesKey(zone.id, body, Quantity.SKIN_TEMPERATURE)
    skins = web.deps.series.buckets(key, hour.start_s, hour.end_s, HOUR_S)
    return (body_names(web).get(body, body), skins[0].mean) if skins else None


class _Plane:
    """Where a temperature and a humidity ratio lie on the drawing, and in which units they are said."""

    def __init__(self, web: Web, hours: Sequence[AirHour], steel: tuple[str, float] | None, pressure: float):
        temperatures = [one.temperature_c for one in hours] + ([] if steel is None else [steel[1]])
        ratios = [one.ratio_kgkg for one in hours]
        if steel is not None:
            ratios.append(sweats_from_kgkg(steel[1], pressure))
        self.low_c, self.high_c = ends(temperatures, STEP_C, ROOM_C)
        dry, self.wet = ends(ratios, RATIO_STEP_KGKG, 0.3 * RATIO_STEP_KGKG)
        self.dry = max(0.0, dry)
        self.web = web

    def x(self, temperature_c: float) -> float:
        return (temperature_c - self.low_c) / (self.high_c - self.low_c)

    def y(self, ratio_kgkg: float) -> float:
        return (self.wet - ratio_kgkg) / (self.wet - self.dry)

    def at(self, temperature_c: float, ratio_kgkg: float) -> tuple[str, str]:
        return f"{100 * self.x(temperature_c):.2f}%", place(self.y(ratio_kgkg))

    def path(self, points: Iterator[tuple[float, float]]) -> str:
        drawn = (f"{round(X_FULL * self.x(t))} {round(Y_FULL * self.y(w))}" for t, w in points)
        return "M" + "L".join(drawn)


def _chart(
    web: Web,
    choice: Choice,
    hours: Sequence[AirHour],
    steel: tuple[str, float] | None,
    pressure_pa: float,
) -> dict[str, Any]:
    plane, show = _Plane(web, hours, steel, pressure_pa), web.show
    lines = []
    for humidity in LINES_FRAC:
        warm, ratio = humidity_line(humidity, (plane.low_c, plane.high_c), plane.wet, pressure_pa)
        if warm.size and ratio[-1] > plane.dry:
            points = list(zip(warm.tolist(), ratio.tolist(), strict=True))
            lines.append((humidity, plane.path(iter(points)), plane.at(*points[-1])))
    names = [zone.id for zone in choice.zones] if choice.one is None else _shifts(hours)
    sweat = None
    if steel is not None:
        limit = sweats_from_kgkg(steel[1], pressure_pa)
        sweat = {"name": steel[0], "skin_c": steel[1], "at": plane.at(steel[1], limit)}
    return {
        "lines": lines,
        "points": [_point(web, plane, one, names, by_zone=choice.one is None) for one in hours],
        "legend": _legend(web, names, by_zone=choice.one is None),
        "x_ticks": [(show.degrees(c), plane.at(c, 0.0)[0]) for c in _ticks(plane.low_c, plane.high_c)],
        "y_ticks": [(show.water(w), plane.at(0.0, w)[1]) for w in _ticks(plane.dry, plane.wet)],
        "sweat": sweat,
    }


def _ticks(low: float, high: float) -> list[float]:
    """At most a dozen round numbers between two ends."""
    step = next(s for s in (0.001, 0.002, 0.005, 1.0, 2.0, 5.0, 10.0, 20.0) if (high - low) / s <= 12)
    first = -(-low // step) * step
    return [first + n * step for n in range(int((high - first) / step + 1e-9) + 1)]


def _shifts(hours: Sequence[AirHour]) -> list[str]:
    return sorted({one.shift for one in hours if one.shift}) or [OUTSIDE]


def _point(web: Web, plane: _Plane, one: AirHour, names: Sequence[str], *, by_zone: bool) -> dict[str, Any]:
    name = one.zone if by_zone else one.shift
    shape = names.index(name) % SHAPES if name in names else 0
    caution_k = web.deps.settings.limits.margin_caution_k
    risk = ""
    if one.margin_k is not None and one.margin_k < caution_k:
        risk = "danger" if one.margin_k <= 0.0 else "" if by_zone else "caution"
    x, y = plane.at(one.temperature_c, one.ratio_kgkg)
    style = shape if one.shift or by_zone else OUTSIDE_STYLE
    return {"x": x, "y": y, "shape": shape, "style": style, "worked": bool(one.shift), "risk": risk}


def _legend(web: Web, names: Sequence[str], *, by_zone: bool) -> list[tuple[int, int, bool, str]]:
    """Shape, style, whether within a shift, and words of each sort of mark."""
    if by_zone:
        return [(n % SHAPES, n % SHAPES, True, web.show.zone_name(name)) for n, name in enumerate(names)]
    found = [(n % SHAPES, n % SHAPES, True, name) for n, name in enumerate(names) if name != OUTSIDE]
    return [*found, (0, OUTSIDE_STYLE, False, OUTSIDE)]


def _parts(hours: Sequence[AirHour]) -> list[dict[str, Any]]:
    """The same in numbers: each place, shift by shift."""
    groups: dict[tuple[str, str], list[AirHour]] = {}
    for one in hours:
        groups.setdefault((one.zone, one.shift), []).append(one)
    return [
        {
            "zone": zone,
            "shift": shift,
            "hours": len(part),
            "temperature_c": _mean([one.temperature_c for one in part]),
            "ratio_kgkg": _mean([one.ratio_kgkg for one in part]),
            "wettest_kgkg": max(one.ratio_kgkg for one in part),
            "judged": sum(one.margin_k is not None for one in part),
            "sweating": sum(one.margin_k is not None and one.margin_k <= 0.0 for one in part),
        }
        for (zone, shift), part in groups.items()
    ]


def _mean(values: Sequence[float]) -> float:
    return sum(values) / len(values)
