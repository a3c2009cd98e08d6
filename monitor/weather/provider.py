"""What any source of outdoor forecasts promises, and the one that promises nothing."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, Protocol

import numpy as np

from monitor.model.errors import DryshiftError, Fault, InputError
from monitor.outlook.hourly import HOUR_S, FloatArray, hour_floor
from monitor.physics.saturation import saturation_pressure_water_pa, vapour_pressure_pa

LONGEST_STEP_H = 6  # a forecast with wider steps than this is not joined by straight lines
LONGEST_AHEAD_H = 30 * 24  # no forecast of hours reaches further
MALFORMED = (
    ValueError,
    KeyError,
    IndexError,
    TypeError,
    AttributeError,
    OverflowError,
    RecursionError,
)  # what reading an answer may raise, whatever is in it
TEMPERATURE_C = (-70.0, 60.0)


class WeatherState(StrEnum):
    """How a site stands with its outdoor forecast."""

    GOOD = "good"
    KEPT = "kept"  # the provider is away or broken; an earlier forecast is in use
    AWAY = "away"
    BROKEN = "broken"  # it answers, but not by its schema
    NONE = "none"  # no provider is set


@dataclass(frozen=True, slots=True)
class OutdoorForecast:
    """Hourly outdoor air as forecast; `issued_s` is when the provider made it."""

    provider: str
    issued_s: float
    times_s: FloatArray
    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray
    wind_ms: FloatArray
    cloud_frac: FloatArray | None = None  # cover of the whole sky; NaN or None where it is not told

    def on(self, first_s: float, hours: int) -> tuple[FloatArray, FloatArray]:
        """Temperature and vapour pressure at whole hours from `first_s`; NaN where it does not reach."""
        air, damp = (
            self._at(column, first_s, hours) for column in (self.temperature_c, self.vapour_pressure_pa)
        )
        return air, damp

    def cover_on(self, first_s: float, hours: int) -> FloatArray:
        """Cloud cover at whole hours from `first_s`; NaN where it is not told."""
        told = np.full(self.times_s.size, np.nan) if self.cloud_frac is None else self.cloud_frac
        return self._at(told, first_s, hours)

    def _at(self, column: FloatArray, first_s: float, hours: int) -> FloatArray:
        wanted = first_s + np.arange(hours) * HOUR_S
        row = np.rint((wanted - self.times_s[0]) / HOUR_S).astype(int)
        known = (row >= 0) & (row < self.times_s.size)
        return np.where(known, column[row.clip(0, self.times_s.size - 1)], np.nan)


@dataclass(frozen=True, slots=True)
class WeatherReply:
    """A forecast, or why there is none; `attribution` is shown wherever the forecast is."""

    state: WeatherState
    forecast: OutdoorForecast | None
    fetched_s: float | None
    reason: str
    attribution: str


class WeatherProvider(Protocol):
    """A source of outdoor forecasts for one place."""

    @property
    def id(self) -> str:
        """The name by which settings choose it."""

    def forecast(self, now_s: float) -> WeatherReply:
        """The newest forecast; never raises for what the world does."""


class SchemaError(DryshiftError):
    """An answer that does not follow the provider's published schema."""

    def __init__(self, provider: str, place: str, found: object) -> None:
        self.provider, self.place, self.found = provider, place, found
        super().__init__(
            f"{provider}: {place}: found {str(found)[:80]!r}; the published schema says otherwise"
        )


@dataclass(frozen=True, slots=True)
class Terms:
    """A provider's address, licence and wishes, from the reference data."""

    id: str
    name: str
    base_url: str
    attribution: str
    licence: str
    least_interval_s: float
    coordinate_decimals: int


@dataclass(frozen=True, slots=True)
class ForecastPlace:
    """Where a forecast is for, and whom the provider may ask about our requests."""

    latitude_deg: float
    longitude_deg: float
    altitude_m: float
    contact: str


def terms_from_mapping(data: Mapping[str, Any]) -> dict[str, Terms]:
    """Read the providers' reference data."""
    return {
        row["id"]: Terms(
            row["id"],
            row["name"],
            row["base_url"],
            row["attribution"],
            row["licence"],
            float(row["least_interval_s"]["value"]),
            int(row["coordinate_decimals"]["value"]),
        )
        for row in data["provider"]
    }


def time_of(provider: str, text: str) -> float:
    """Epoch seconds of an ISO 8601 time, which must say its offset."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise SchemaError(provider, "time without offset", text)
    return moment.timestamp()


class NoProvider:
    """For a site without a forecast: the outlook then speaks from the zones' own history."""

    id = "none"

    def forecast(self, now_s: float) -> WeatherReply:
        """Nothing, and says so."""
        return WeatherReply(WeatherState.NONE, None, None, "no weather provider is set", "")


@dataclass(frozen=True, slots=True)
class Steps:
    """A provider's own time steps before they are put on whole hours; either humidity may be NaN."""

    times_s: FloatArray
    temperature_c: FloatArray
    dew_point_c: FloatArray
    humidity_frac: FloatArray
    wind_ms: FloatArray
    cloud_frac: FloatArray | None = None


def hourly(provider: str, issued_s: float, steps: Steps) -> OutdoorForecast:
    """Join the steps by straight lines on whole hours, as far as the steps are close enough."""
    if steps.times_s.size < 2 or not (np.diff(steps.times_s) > 0.0).all():
        raise SchemaError(provider, "times", f"{steps.times_s.size} steps, or not in rising order")
    air = steps.temperature_c
    if not ((air >= TEMPERATURE_C[0]) & (air <= TEMPERATURE_C[1])).all():
        raise SchemaError(provider, "air temperature", air)
    from_dew = saturation_pressure_water_pa(np.minimum(steps.dew_point_c, air))
    pressure = np.where(
        np.isfinite(from_dew), from_dew, vapour_pressure_pa(air, np.clip(steps.humidity_frac, 0.0, 1.0))
    )
    if not np.isfinite(pressure).all():
        raise SchemaError(provider, "humidity", "neither dew point nor relative humidity")
    wide = np.flatnonzero(np.diff(steps.times_s) > LONGEST_STEP_H * HOUR_S)
    last = int(wide[0]) if wide.size else steps.times_s.size - 1
    first_s = hour_floor(float(steps.times_s[0]) + HOUR_S - 1.0)
    times = np.arange(first_s, float(steps.times_s[last]) + 1.0, HOUR_S)
    if not times.size:
        raise SchemaError(provider, "times", "steps too far apart")
    air_c, vapour_pa, wind_ms = (
        np.interp(times, steps.times_s, column) for column in (air, pressure, steps.wind_ms)
    )
    return OutdoorForecast(provider, issued_s, times, air_c, vapour_pa, wind_ms, _cover(times, steps))


def _cover(times_s: FloatArray, steps: Steps) -> FloatArray | None:
    """Cloud cover on whole hours; what cannot be a cover is not known."""
    if steps.cloud_frac is None:
        return None
    told = np.where((steps.cloud_frac >= 0.0) & (steps.cloud_frac <= 1.0), steps.cloud_frac, np.nan)
    return np.interp(times_s, steps.times_s, told)


def checked_place(place: ForecastPlace, terms: Terms) -> ForecastPlace:
    """The place as the provider wants it; raises InputError where the contact is missing."""
    if not place.contact.strip():
        fix = f"{terms.name} asks for a way to reach you; write an e-mail address or web page"
        raise InputError([Fault("weather.contact", "nothing", fix)])
    return ForecastPlace(
        round(place.latitude_deg, terms.coordinate_decimals),
        round(place.longitude_deg, terms.coordinate_decimals),
        round(place.altitude_m),
        place.contact,
    )
