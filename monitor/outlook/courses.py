"""The many ways the next two days may go: air of each zone and skin of each body, hour by hour."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.forecast import ZoneForecast
from monitor.outlook.hourly import HOUR_S, BoolArray, FloatArray
from monitor.outlook.scene import ZoneAhead
from monitor.physics.bodies import Body
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BodyState, trajectory
from monitor.physics.moist_air import relative_humidity_frac
from monitor.physics.saturation import frost_point_c, saturation_pressure_water_pa

ROOM_EXCHANGE_WM2K = 9.0  # convection and radiation together in still indoor air
BAND = (0.05, 0.95)  # of the courses: 90 of 100 lie between


def spread(courses: FloatArray) -> FloatArray:
    """Low end, median course and high end of courses whose last row is the median, over the first axis."""
    low, high = np.quantile(courses[:-1], BAND, axis=0)
    middle = courses[-1]
    found: FloatArray = np.stack([np.minimum(low, middle), middle, np.maximum(high, middle)])
    return found


@dataclass(frozen=True, slots=True)
class ZoneCourse:
    """Equally likely courses of a zone's air, shape (courses, hours); the first hour is now.

    The last row is the median course.
    """

    times_s: FloatArray
    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray

    @property
    def humidity_frac(self) -> FloatArray:
        """Over liquid water, as sensors say it."""
        return np.minimum(relative_humidity_frac(self.temperature_c, self.vapour_pressure_pa), 1.0)

    @property
    def saturation_c(self) -> FloatArray:
        """Dew point, below zero the frost point: what a surface must stay above."""
        return frost_point_c(self.vapour_pressure_pa)


@dataclass(frozen=True, slots=True)
class BodyCourse:
    """Courses of a body's skin and of its margin to the dew (frost) point; wet where water lies on it."""

    times_s: FloatArray
    skin_c: FloatArray
    margin_k: FloatArray
    wet: BoolArray


def zone_course(forecast: ZoneForecast, until_s: float | None = None) -> ZoneCourse:
    """The forecast's courses with its median below them, up to the first hour that is not before until_s."""
    dew = np.vstack([forecast.dew_point_samples_c, forecast.dew_point_c.median])
    air = np.vstack([forecast.temperature_samples_c, forecast.temperature_c.median])
    dew = np.insert(dew, 0, forecast.now_dew_point_c, axis=1)
    air = np.insert(air, 0, forecast.now_temperature_c, axis=1)
    times_s = np.concatenate([[forecast.issued_s], forecast.times_s])
    hours = times_s.size if until_s is None else int(np.searchsorted(times_s, until_s)) + 1
    dew, air = dew[:, :hours], air[:, :hours]
    return ZoneCourse(times_s[:hours], air, saturation_pressure_water_pa(np.minimum(dew, air)))


def time_constant_h(body: Body, state: BodyState) -> float:
    """Hours in which a body takes up 63 % of a change of the air."""
    heat_jk = body.shell_jk + body.content_jk(state.content_c, state.content_c + 1.0)
    return heat_jk / (body.area_m2 * ROOM_EXCHANGE_WM2K * state.exchange_factor) / HOUR_S


def body_course(body: Body, state: BodyState, zone: ZoneAhead, air: ZoneCourse) -> BodyCourse:
    """The body through every course: the median by full physics, the others by how they differ from it.

    Between the courses only the sensible lag is followed; the film's heat is that of the median course.
    """
    humidity = air.humidity_frac
    path = trajectory(
        body,
        state,
        air.times_s,
        air.temperature_c[-1],
        humidity[-1],
        pressure_pa=zone.pressure_pa,
        draught_ms=zone.draught_ms,
        sky=zone.sky,
    )
    rows = np.searchsorted(path.time_s, air.times_s).clip(max=path.time_s.size - 1)
    lagged = _lagged(air.temperature_c - air.temperature_c[-1], time_constant_h(body, state))
    skin = path.skin_c[rows] + lagged
    margin = skin - air.saturation_c
    wet = (margin < 0.0) | (path.film_gm2[rows] > DRY_BELOW_GM2)
    return BodyCourse(air.times_s, skin, margin, wet)


def _lagged(change: FloatArray, lag_h: float) -> FloatArray:
    keep = float(np.exp(-1.0 / lag_h))
    result = np.zeros_like(change)
    for n in range(1, change.shape[1]):
        arriving = 0.5 * (change[:, n - 1] + change[:, n])
        result[:, n] = keep * result[:, n - 1] + (1.0 - keep) * arriving
    return result
