"""The air of a stretch of time in numbers: least, mean and greatest, and when nobody knew it."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from monitor.consumables.exposure_air import AirSamples
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import dew_point_from_rh_c

HOUR_S = 3600.0


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
    unknown: tuple[tuple[float, float], ...]  # stretches, seconds since the epoch

    @property
    def unknown_h(self) -> float:
        """Hours without a reading that speaks."""
        return sum(end_s - start_s for start_s, end_s in self.unknown) / HOUR_S


def air_span(samples: AirSamples, start_s: float, end_s: float, speaks_s: float) -> AirSpan:
    """The air of a stretch; each sample speaks until the next, at most `speaks_s`."""
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
    return AirSpan(
        _spread(temperature, lasts),
        _spread(humidity, lasts),
        _spread(dew, lasts),
        _unknown(times, start_s, end_s, speaks_s),
    )


def _spread(values: FloatArray, lasts_s: FloatArray) -> AirSpread | None:
    counts = np.isfinite(values) & (lasts_s > 0.0)
    if not counts.any():
        return None
    known, weights = values[counts], lasts_s[counts]
    return AirSpread(float(known.min()), float(np.average(known, weights=weights)), float(known.max()))


def _unknown(
    times_s: FloatArray, start_s: float, end_s: float, speaks_s: float
) -> tuple[tuple[float, float], ...]:
    """Stretches of the span in which no sample speaks."""
    found: list[tuple[float, float]] = []
    known_until = start_s
    for time_s in times_s.tolist():
        if time_s > known_until:
            found.append((known_until, min(time_s, end_s)))
        known_until = max(known_until, min(time_s + speaks_s, end_s))
    if known_until < end_s:
        found.append((known_until, end_s))
    return tuple(pair for pair in found if pair[1] > pair[0])


def joined(stretches: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """The same stretches with neighbours made one."""
    whole: list[tuple[float, float]] = []
    for start_s, end_s in sorted(stretches):
        if whole and start_s <= whole[-1][1]:
            whole[-1] = (whole[-1][0], max(whole[-1][1], end_s))
        else:
            whole.append((start_s, end_s))
    return whole


def between(edges_s: Sequence[float]) -> list[tuple[float, float]]:
    """Neighbouring edges as stretches."""
    return list(pairwise(edges_s))
