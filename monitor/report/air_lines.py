"""The air of a stretch of time in numbers: least, mean and greatest, and when nobody knew it."""

from dataclasses import dataclass

import numpy as np

from monitor.consumables.exposure_air import AirSamples
from monitor.consumables.rule_book import air_speaks_s, speaking_from
from monitor.history.unknown_hours import HOUR_S, Stretch, Stretches, telling_quantity, unknown_stretches
from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import dew_point_from_rh_c
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import SeriesStore

ZONE_SOURCE = "zone"  # under which a zone's own air is kept


@dataclass(frozen=True, slots=True)
class AirSpread:
    """Least, mean and greatest of what was known; the mean by time."""

    least: float
    mean: float
    greatest: float


@dataclass(frozen=True, slots=True)
class AirSpan:
    """The air from start to end; None where nothing was known."""

    temperature_c: AirSpread | None
    rh_frac: AirSpread | None
    dew_point_c: AirSpread | None
    unknown: Stretches  # stretches, seconds since the epoch

    @property
    def unknown_h(self) -> float:
        """Hours without a reading that speaks."""
        return sum(end_s - start_s for start_s, end_s in self.unknown) / HOUR_S


def air_span(samples: AirSamples, between_s: Stretch, speaks_s: float, zone_kind: str = "") -> AirSpan:
    """The air of a stretch; each sample speaks until the next, at most `speaks_s`."""
    start_s, end_s = between_s
    use = (samples.times_s >= start_s - speaks_s) & (samples.times_s <= end_s)
    times = samples.times_s[use]
    temperature, humidity = samples.temperature_c[use], samples.rh_frac[use]
    begins = np.maximum(times, start_s)
    until = np.minimum(np.append(times[1:], np.inf), np.minimum(times + speaks_s, end_s))
    lasts = np.maximum(until - begins, 0.0)
    damp = np.isfinite(humidity) & (humidity > 0.0)
    dew = np.full(times.shape, np.nan)
    mild = damp & (temperature >= -60.0) & (temperature <= 60.0)
    if mild.any():
        dew[mild] = dew_point_from_rh_c(temperature[mild], np.clip(humidity[mild], 1e-3, 1.0))
    telling = humidity if telling_quantity(zone_kind) is Quantity.RELATIVE_HUMIDITY else temperature
    return AirSpan(
        _spread(temperature, lasts),
        _spread(humidity, lasts),
        _spread(dew, lasts),
        unknown_stretches(times[np.isfinite(telling)], start_s, end_s, speaks_s),
    )


def unknown_in_store(series: SeriesStore, settings: Settings, zone: Zone, window: Stretch) -> Stretches:
    """When the air of a zone was not known, from what is stored of it; the window ends now at the latest."""
    start_s, end_s = window
    speaking = speaking_from(load_toml("readings.toml"))
    speaks_s = air_speaks_s(settings, settings.service.derived_every_s, speaking, zone.id)
    key = SeriesKey(zone.id, ZONE_SOURCE, telling_quantity(zone.kind))
    return unknown_stretches(series.slice(key, start_s - speaks_s, end_s).time_s, start_s, end_s, speaks_s)


def _spread(values: FloatArray, lasts_s: FloatArray) -> AirSpread | None:
    counts = np.isfinite(values) & (lasts_s > 0.0)
    if not counts.any():
        return None
    known, weights = values[counts], lasts_s[counts]
    return AirSpread(float(known.min()), float(np.average(known, weights=weights)), float(known.max()))
