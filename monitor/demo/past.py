"""Gives the invented yard a past: weeks of hours in the store, and forecasts as once issued."""

import numpy as np

from monitor.core.derived_series import ZONE
from monitor.demo.estuary import FloatArray
from monitor.demo.yard_sensors import HOUR_S, World
from monitor.model.reading import Point, Quantity, SeriesKey
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa
from monitor.store.contract import SeriesStore
from monitor.weather.forecast_archive import ForecastArchive
from monitor.weather.provider import OutdoorForecast, WeatherReply, WeatherState

BEFORE_DAYS = 28.0
ISSUE_EVERY_S = 6 * HOUR_S
REACH_H = 60
EVERY_H = 0.25  # as close as the weekly chart draws
# Errors of an invented forecast, growing with the lead: standard deviations in kelvin now and two days on.
ERROR_NOW_K, ERROR_LATER_K = 0.5, 1.8
ERROR_LASTS_H = 10
CARRIED_FRAC = 0.7  # correlation of an issue's error with that of the issue before


class DemoForecast:
    """Forecasts of the simulated weather with errors as a real one has; the same seed, the same errors."""

    id = "ferrymoor"

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._seed = seed

    def forecast(self, now_s: float) -> WeatherReply:
        """The newest issue."""
        issued_s = now_s // ISSUE_EVERY_S * ISSUE_EVERY_S
        return WeatherReply(
            WeatherState.GOOD, self.issue(issued_s), now_s, "", "invented weather of the demo"
        )

    def issue(self, issued_s: float) -> OutdoorForecast:
        """What was foreseen at a time."""
        hour = int(issued_s // HOUR_S)
        times = issued_s + np.arange(REACH_H, dtype=np.float64) * HOUR_S
        lead = np.arange(REACH_H) / 48.0
        std = ERROR_NOW_K + (ERROR_LATER_K - ERROR_NOW_K) * np.minimum(lead, 1.0)
        warm = self._at(self._world.outside.temperature_c, times) + std * self._error(hour, 0)
        dew = dew_point_c(self._at(self._world.outside.vapour_pressure_pa, times))
        dew = dew + std * self._error(hour, 1)
        vapour = saturation_pressure_water_pa(np.minimum(dew, warm))
        wind = self._at(self._world.outside.wind_ms, times)
        return OutdoorForecast(self.id, issued_s, times, warm, vapour, wind)

    def _at(self, series: FloatArray, times_s: FloatArray) -> FloatArray:
        return np.interp((times_s - self._world.start_s) / HOUR_S, self._world.hours, series)

    def _error(self, issued_hour: int, quantity: int) -> FloatArray:
        """Unit error by lead: most of it an issue repeats from the one before, the rest is its own."""
        lasting = _wander([self._seed, quantity], issued_hour)
        own = _wander([self._seed, quantity + 2, issued_hour], issued_hour)
        return np.asarray(np.sqrt(CARRIED_FRAC) * lasting + np.sqrt(1.0 - CARRIED_FRAC) * own)


def _wander(seed: list[int], first_hour: int) -> FloatArray:
    """Noise of unit variance that lasts some ten hours, for the hours from the first; the same seed and hour,
    the same value, wherever it is asked from."""
    before = 5 * ERROR_LASTS_H
    days = range((first_hour - before) // 24, (first_hour + REACH_H) // 24 + 1)
    fresh = np.concatenate([np.random.default_rng([*seed, day]).normal(size=24) for day in days])
    weight = np.exp(-np.arange(before + 1) / ERROR_LASTS_H)
    start = first_hour - 24 * days[0]
    felt = np.convolve(fresh, weight / np.sqrt((weight**2).sum()))
    return felt[start : start + REACH_H]


def write_past(world: World, forecasts: DemoForecast, series: SeriesStore, archive: ForecastArchive) -> None:
    """The hours before the demo's first day, as if the service had long been running."""
    hours = np.arange(-BEFORE_DAYS * 24.0, 0.0, EVERY_H)
    for zone, air in world.air.items():
        warm = np.interp(hours, world.hours, air.temperature_c)
        vapour = np.interp(hours, world.hours, air.vapour_pressure_pa)
        if warm.max() > 60.0:  # an oven
            continue
        humid = np.minimum(vapour / saturation_pressure_water_pa(warm), 0.999)
        lines = {
            Quantity.AIR_TEMPERATURE: warm,
            Quantity.VAPOUR_PRESSURE: vapour,
            Quantity.RELATIVE_HUMIDITY: humid,
            Quantity.DEW_POINT: dew_point_c(vapour),
        }
        series.write_points(
            [
                Point(SeriesKey(zone, ZONE, quantity), world.start_s + hour * HOUR_S, float(value))
                for quantity, line in lines.items()
                for hour, value in zip(hours.tolist(), line.tolist(), strict=True)
            ]
        )
    for issue_h in np.arange(-BEFORE_DAYS * 24.0 + 1.0, 0.0, ISSUE_EVERY_S / HOUR_S):
        issued_s = world.start_s + float(issue_h) * HOUR_S
        archive.keep("ferrymoor", issued_s, forecasts.issue(issued_s))
