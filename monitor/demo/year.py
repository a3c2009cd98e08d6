"""The invented yard in a measured year of weather, for backtests of its warnings."""

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np

from monitor.demo.estuary import FloatArray, Outdoor
from monitor.demo.yard import BUILDINGS, unscheduled_doors, zone_air
from monitor.model.reading import Quantity
from monitor.outlook.hourly import HOUR_S, AirHistory, OutdoorAir

ZONES = ("slip-bay", "panel-hall", "wire-store", "gas-cage", "plate-yard")
_WIND_MS = 3.0
_MINUTES = 60


def yard_air(start_s: float, weather: OutdoorAir, zone: ZoneInfo) -> tuple[OutdoorAir, dict[str, AirHistory]]:
    """Each zone's air, hour by hour, as the weather would have made it; the dryer never fails.

    Weather: hours from start_s, holes closed by straight lines. Doors are opened in working hours of the time
    zone's winter time by nobody's timetable, and a contact tells how much of each hour. Returns the weather
    without holes, and the air by zone.
    """
    rows = weather.temperature_c.size
    minutes = np.arange(rows * _MINUTES) / _MINUTES
    warm, damp = (_joined(column, minutes) for column in (weather.temperature_c, weather.vapour_pressure_pa))
    hours = minutes + _hours_since_monday(start_s, zone)
    outside = Outdoor(hours, warm, damp, np.full(minutes.size, _WIND_MS))
    air = {}
    for n, name in enumerate(ZONES):
        building = replace(BUILDINGS[name], dryer_fails_h=(0.0, 0.0))
        doors = unscheduled_doors(hours, np.random.default_rng(n)) if building.door_air_changes_h else None
        made = zone_air(building, outside, doors)
        air[name] = AirHistory(
            name,
            start_s,
            _hourly(made.temperature_c),
            _hourly(made.vapour_pressure_pa),
            beside={} if doors is None else {Quantity.DOOR_OPEN: _share(doors)},
        )
    return OutdoorAir(_hourly(warm), _hourly(damp)), air


def _joined(hourly: FloatArray, minutes: FloatArray) -> FloatArray:
    known = np.flatnonzero(np.isfinite(hourly))
    return np.interp(minutes, known, hourly[known])


def _hours_since_monday(start_s: float, zone: ZoneInfo) -> float:
    winter = datetime.fromtimestamp(start_s, UTC).replace(month=1, day=1).astimezone(zone).utcoffset()
    assert winter is not None
    local = datetime.fromtimestamp(start_s, UTC).replace(tzinfo=None) + winter
    return local.weekday() * 24.0 + (start_s + winter.total_seconds()) % 86_400.0 / HOUR_S


def _share(minutes: FloatArray) -> FloatArray:
    """How much of the hour that ends on a row."""
    whole = minutes.reshape(-1, _MINUTES).mean(axis=1)
    return np.concatenate([[np.nan], whole[:-1]])


def _hourly(minutes: FloatArray) -> FloatArray:
    return minutes.reshape(-1, _MINUTES)[:, 0]
