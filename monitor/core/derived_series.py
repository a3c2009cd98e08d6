"""The derived series: what is kept of zones, bodies and packages for charts and records."""

from collections.abc import Iterator

from monitor.core import package_clocks as package_stage
from monitor.core.heated_stores import HEATED
from monitor.core.shop import Shop
from monitor.core.state import CoreState
from monitor.core.zone_air import Sample
from monitor.model.air import AirState
from monitor.model.reading import Point, Quantity, SeriesKey

ZONE = "zone"  # the source of a zone's own series


def derived_points(shop: Shop, state: CoreState, now_s: float) -> tuple[Point, ...]:
    """The numbers of this moment; what is not known is left out, so that a gap shows as a gap."""
    points: list[Point] = []
    for zone, told in package_stage.zone_samples(shop, state, now_s).items():
        air = state.air.get(zone)
        if air is not None and shop.zones[zone].kind not in HEATED:
            points += air_points(zone, air, now_s)
            continue
        points += warmth_points(zone, told)  # as clocks have it
        if told.relative_humidity_frac == told.relative_humidity_frac:
            humidity = SeriesKey(zone, ZONE, Quantity.RELATIVE_HUMIDITY)
            points.append(Point(humidity, told.time_s, told.relative_humidity_frac))
    for name, now in state.figures.items():
        zone = shop.bodies[name].zone
        values = (
            (Quantity.SKIN_TEMPERATURE, now.skin_c),
            (Quantity.MARGIN, now.margin_k),
            (Quantity.MARGIN_STD, now.margin_std_k),
            (Quantity.WATER_FILM, now.film_gm2),
            (Quantity.WET_PROBABILITY, now.wet_probability_frac),
        )
        points += (Point(SeriesKey(zone, name, quantity), now_s, value) for quantity, value in values)
    for name, clock in state.clocks.items():
        package = shop.packages[name]
        verdict = package_stage.verdict(package, clock)
        points.append(Point(SeriesKey(package.zone, name, Quantity.EXPOSURE_USED), now_s, verdict.used_h))
        if verdict.used_frac is not None:
            points.append(
                Point(SeriesKey(package.zone, name, Quantity.EXPOSURE_FRACTION), now_s, verdict.used_frac)
            )
        if verdict.uptake is not None:
            share = verdict.uptake.of_reference_frac
            points.append(Point(SeriesKey(package.zone, name, Quantity.UPTAKE), now_s, share))
    return tuple(points)


def air_points(zone: str, air: AirState, time_s: float) -> Iterator[Point]:
    """What is kept of a zone's air at a moment."""
    return (Point(SeriesKey(zone, ZONE, quantity), time_s, value) for quantity, value in _of_air(air))


def warmth_points(zone: str, told: Sample) -> Iterator[Point]:
    """What is kept of a place of which only the temperature is known: the coldest, and a hotter one."""
    yield Point(SeriesKey(zone, ZONE, Quantity.AIR_TEMPERATURE), told.time_s, told.temperature_c)
    if told.hottest_c > told.temperature_c:
        yield Point(SeriesKey(zone, ZONE, Quantity.HOTTEST_TEMPERATURE), told.time_s, told.hottest_c)


def _of_air(air: AirState) -> Iterator[tuple[Quantity, float]]:
    yield Quantity.AIR_TEMPERATURE, air.temperature_c
    yield Quantity.RELATIVE_HUMIDITY, air.relative_humidity_frac
    yield Quantity.DEW_POINT, air.dew_point_c
    yield Quantity.DEW_POINT_STD, air.dew_point_std_k
    yield Quantity.FROST_POINT, air.frost_point_c
    yield Quantity.VAPOUR_PRESSURE, air.vapour_pressure_pa
    yield Quantity.ABSOLUTE_HUMIDITY, air.absolute_humidity_gm3
    yield Quantity.HUMIDITY_RATIO, air.humidity_ratio_kgkg
    yield Quantity.WET_BULB, air.wet_bulb_c
