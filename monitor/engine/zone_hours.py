"""A site's zones hour by hour from the store, with their limits, as the outlook wants them."""

from collections.abc import Container, Iterator, Sequence

import numpy as np

from monitor.core.derived_series import ZONE
from monitor.core.shop import GONE, ZoneFacts
from monitor.core.step import Shop
from monitor.engine.hours_beside import beside_hours
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.beside import Trial
from monitor.outlook.hourly import HOUR_S, AirHistory, FloatArray
from monitor.outlook.scene import ZoneAhead
from monitor.outlook.shifts import LEAST_KNOWN_FRAC, hours_of_shift
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.night_sky import NO_FORECAST, Clouds, Sky
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore

LEAST_HOURS = 24  # a zone that spoke for a day is foretold, by what is plain and by rooms known before
DOORED = frozenset({"bay", "hall"})
JUDGED = frozenset({"bay", "hall", "store"})
NOT_FORETOLD = frozenset({"oven", "quiver", "cabinet", "outdoor", GONE})


def hours_of(series: SeriesStore, zone: str, quantity: Quantity, start_s: float, rows: int) -> FloatArray:
    """Means of the hours that end at start_s + k hours; NaN where nothing was measured."""
    hours = np.full(rows, np.nan)
    key = SeriesKey(zone, ZONE, quantity)
    for bucket in series.buckets(key, start_s - HOUR_S, start_s + (rows - 1) * HOUR_S, HOUR_S):
        hours[round((bucket.start_s + HOUR_S - start_s) / HOUR_S)] = bucket.mean
    return hours


def site_histories(
    series: SeriesStore, shop: Shop, site: str, start_s: float, rows: int, trial: Trial | None = None
) -> dict[str, AirHistory]:
    """Every zone of a site on the same rows, from the first hour known; zones too young to learn left out."""
    zones = [z for z in shop.zones.values() if z.site == site and z.kind not in NOT_FORETOLD]
    warm = {z.id: hours_of(series, z.id, Quantity.AIR_TEMPERATURE, start_s, rows) for z in zones}
    damp = {z.id: hours_of(series, z.id, Quantity.VAPOUR_PRESSURE, start_s, rows) for z in zones}
    known = [name for name in warm if np.isfinite(damp[name]).sum() >= LEAST_HOURS]
    if not known:
        return {}
    first = min(int(np.flatnonzero(np.isfinite(damp[name]))[0]) for name in known)
    return {
        name: AirHistory(
            zone=name,
            start_s=float(start_s + first * HOUR_S),
            temperature_c=warm[name][first:],
            vapour_pressure_pa=damp[name][first:],
            neighbour_pressure_pa=_mean([damp[other][first:] for other in known if other != name]),
            beside=beside_hours(series, shop, name, start_s + first * HOUR_S, rows - first, trial),
        )
        for name in known
    }


def learnt_so_far(
    series: SeriesStore, shop: Shop, site: str, start_s: float, rows: int, without: Container[str] = ()
) -> list[str]:
    """In words, what is known of each zone that cannot be foretold yet, and what it takes."""
    zones = [z for z in shop.zones.values() if z.site == site and z.kind not in NOT_FORETOLD]
    if not zones:
        return ["no zone of this site is foretold: ovens, quivers, cabinets and outdoor air are not"]
    return [_learnt(series, zone, start_s, rows) for zone in zones if zone.id not in without]


def _learnt(series: SeriesStore, zone: ZoneFacts, start_s: float, rows: int) -> str:
    known, warm = (
        int(np.isfinite(hours_of(series, zone.id, quantity, start_s, rows)).sum())
        for quantity in (Quantity.VAPOUR_PRESSURE, Quantity.AIR_TEMPERATURE)
    )
    if not (known or warm):
        return f"{zone.name}: nothing has been measured yet"
    if not known:
        return f"{zone.name}: no humidity is measured, so its air cannot be foretold"
    return (
        f"{zone.name} is being learnt: {known} of {LEAST_HOURS} hours are known; it is foretold after "
        f"{LEAST_HOURS - known} more"
    )


def measured_outdoor(
    settings: Settings, series: SeriesStore, site: str, start_s: float, rows: int
) -> tuple[FloatArray, FloatArray] | None:
    """Temperature and vapour pressure of the site's own outdoor zone; None where it has none."""
    chosen = next((w.outdoor_zone for w in settings.weather if w.site == site), None)
    zone = chosen or next((z.id for z in settings.zones if z.site == site and z.kind == "outdoor"), None)
    if zone is None:
        return None
    warm = hours_of(series, zone, Quantity.AIR_TEMPERATURE, start_s, rows)
    damp = hours_of(series, zone, Quantity.VAPOUR_PRESSURE, start_s, rows)
    return warm, damp


def zone_ahead(zone: ZoneFacts, shop: Shop, clouds: Clouds = NO_FORECAST) -> ZoneAhead:
    """A zone with the limits that its shifts are judged by."""
    humid = zone.max_relative_humidity_frac or shop.limits.humidity_caution_frac
    return ZoneAhead(
        id=zone.id,
        name=zone.name,
        site=zone.site,
        kind=zone.kind,
        limit_humidity_frac=humid if zone.kind in JUDGED else zone.max_relative_humidity_frac,
        limit_dew_point_c=zone.max_dew_point_c,
        pressure_pa=zone.pressure_pa,
        draught_ms=zone.draught_ms,
        has_door=zone.kind in DOORED,
        heat_up_to_c=zone.heat_up_to_c,
        dry_down_to_frac=zone.dry_down_to_frac,
        sky=Sky(zone.sky_view_frac, clouds),
    )


def shift_was_humid(series: SeriesStore, shop: Shop, span: ShiftSpan) -> bool | None:
    """Whether a limit was crossed in a shift, by hourly means as they are foretold.

    Where nothing was crossed but too little was measured to say that all was well, None.
    """
    over, known, hours = list[bool](), list[float](), hours_of_shift(span)
    for key, limit, sign in _judged(shop, span.site):
        buckets = series.spans(key, [hours[0] - HOUR_S, *hours])
        known.append(len(buckets) / len(hours))
        over += [sign * (bucket.mean - limit) > 0.0 for bucket in buckets]
    if any(over):
        return True
    return False if known and min(known) >= LEAST_KNOWN_FRAC else None


def _judged(shop: Shop, site: str) -> Iterator[tuple[SeriesKey, float, float]]:
    """What is measured of a site's zones and bodies, its limit, and on which side of it is humid."""
    for zone in shop.zones.values():
        if zone.site != site or zone.kind in NOT_FORETOLD:
            continue
        ahead = zone_ahead(zone, shop)
        if ahead.limit_humidity_frac is not None:
            yield SeriesKey(zone.id, ZONE, Quantity.RELATIVE_HUMIDITY), ahead.limit_humidity_frac, 1.0
        if ahead.limit_dew_point_c is not None:
            yield SeriesKey(zone.id, ZONE, Quantity.DEW_POINT), ahead.limit_dew_point_c, 1.0
    for body in shop.bodies.values():
        zone = shop.zones[body.zone]
        if body.present and body.used and zone.site == site and zone.kind not in NOT_FORETOLD:
            yield SeriesKey(body.zone, body.id, Quantity.MARGIN), shop.limits.margin_caution_k, -1.0
            yield SeriesKey(body.zone, body.id, Quantity.WATER_FILM), DRY_BELOW_GM2, 1.0


def _mean(columns: Sequence[FloatArray]) -> FloatArray | None:
    if not columns:
        return None
    table = np.stack(columns)
    count = np.isfinite(table).sum(axis=0)
    total = np.nansum(table, axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
