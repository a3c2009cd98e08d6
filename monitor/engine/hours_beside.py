"""What added sensors say hour by hour: contacts, carbon dioxide, people, power, parts, and a site's sun."""

from collections.abc import Sequence

import numpy as np

from monitor.core.step import Shop
from monitor.model.reading import CONTACTS, Quantity, SeriesKey
from monitor.outlook.beside import BESIDE, Trial, believed
from monitor.outlook.hourly import HOUR_S, FloatArray
from monitor.report.door_lanes import open_share
from monitor.store.contract import SeriesStore

HELD = CONTACTS | {Quantity.PEOPLE, Quantity.COLD_PARTS}  # said when it changes, and holds until said again


def beside_hours(
    series: SeriesStore, shop: Shop, zone: str, start_s: float, rows: int, trial: Trial | None
) -> dict[Quantity, FloatArray]:
    """By quantity the means of the hours that end on a row, where the zone's sensors tell; NaN where not.

    Hours in which an input stands still beyond its habit or lies beyond its range are not believed.
    """
    keys = [
        SeriesKey(zone, sensor.id, quantity)
        for sensor in shop.sensors_of(zone)
        for quantity in sensor.channels
        if quantity in BESIDE
    ]
    found = {}
    for quantity in sorted({key.quantity for key in keys}):
        said = said_hours(series, [key for key in keys if key.quantity is quantity], start_s, rows)
        if said is not None:
            found[quantity] = said if trial is None else believed(said, trial)
    return found


def said_hours(
    series: SeriesStore, keys: Sequence[SeriesKey], start_s: float, rows: int
) -> FloatArray | None:
    """What sensors of one quantity say together; None where none does.

    Of contacts the one that is open furthest, of people, power and parts the sum (not known where one is
    not), of carbon dioxide and sun the mean.
    """
    if not keys:
        return None
    each = np.stack([_hours(series, key, start_s, rows) for key in keys])
    each = each[np.isfinite(each).any(axis=1)]
    if not each.size:
        return None
    if keys[0].quantity in CONTACTS:
        return np.asarray(np.fmax.reduce(each))
    if keys[0].quantity in (Quantity.CARBON_DIOXIDE, Quantity.SOLAR_RADIATION):
        return _mean(each)
    return np.asarray(each.sum(axis=0))


def sun_hours(
    series: SeriesStore, shop: Shop, site: str, start_s: float, rows: int, trial: Trial
) -> FloatArray | None:
    """Radiation on a level surface as measured anywhere on the site, and believed."""
    keys = [
        SeriesKey(sensor.zone, sensor.id, Quantity.SOLAR_RADIATION)
        for sensor in shop.sensors.values()
        if Quantity.SOLAR_RADIATION in sensor.channels and shop.zones[sensor.zone].site == site
    ]
    said = said_hours(series, sorted(keys), start_s, rows)
    return None if said is None else believed(said, trial)


def _hours(series: SeriesStore, key: SeriesKey, start_s: float, rows: int) -> FloatArray:
    if key.quantity in HELD:
        share = open_share(series, key, np.asarray(start_s + np.arange(-1, rows) * HOUR_S))
        return np.round(share, 6)  # so that what stands still is seen to
    hours = np.full(rows, np.nan)
    for bucket in series.buckets(key, start_s - HOUR_S, start_s + (rows - 1) * HOUR_S, HOUR_S):
        hours[round((bucket.start_s + HOUR_S - start_s) / HOUR_S)] = bucket.mean
    return np.round(hours, 6)


def _mean(each: FloatArray) -> FloatArray:
    known = np.isfinite(each)
    count = known.sum(axis=0)
    total = np.where(known, each, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)
