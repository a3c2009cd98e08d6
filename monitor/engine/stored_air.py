"""The believed air of zones as the derived series keep it, for clocks and bodies that are derived anew."""

import math

import numpy as np

from monitor.consumables.exposure_air import NO_AIR, AirSamples
from monitor.core.derived_series import ZONE
from monitor.model.reading import Quantity, SeriesKey
from monitor.physics.elementwise import FloatArray
from monitor.store.contract import SeriesSlice, SeriesStore

CHUNK_S = 2 * 86_400.0  # read at once and kept; a package seldom lies longer in one place
JUST_AFTER_S = 0.001  # a slice ends before its end; the point at that moment is wanted too


class StoredAir:
    """Reads each stretch of a zone's air once and answers from memory; made anew for each use."""

    def __init__(self, series: SeriesStore) -> None:
        self._series = series
        self._chunks: dict[tuple[str, int], AirSamples] = {}

    def samples(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """The air of a zone with start_s ≤ time ≤ end_s; humidity is NaN where it was not known."""
        first, last = math.floor(max(start_s, 0.0) / CHUNK_S), math.floor(end_s / CHUNK_S)
        parts = [self._chunk(zone, n) for n in range(first, last + 1)]
        filled = [part for part in parts if part.times_s.size]
        if not filled:
            return NO_AIR
        times = np.concatenate([part.times_s for part in filled])
        here = slice(np.searchsorted(times, start_s), np.searchsorted(times, end_s, side="right"))
        temperature = np.concatenate([part.temperature_c for part in filled])[here]
        humidity = np.concatenate([part.rh_frac for part in filled])[here]
        believed = np.ones(temperature.shape, dtype=np.bool_)
        hottest = np.concatenate([_hottest(part) for part in filled])[here]
        return AirSamples(times[here], temperature, humidity, believed, hottest)

    def _chunk(self, zone: str, number: int) -> AirSamples:
        found = self._chunks.get((zone, number))
        if found is None:
            found = self._chunks[zone, number] = self._load(zone, number * CHUNK_S, (number + 1) * CHUNK_S)
        return found

    def _load(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        warm, damp, hot = (
            self._series.slice(SeriesKey(zone, ZONE, quantity), start_s, end_s)
            for quantity in (
                Quantity.AIR_TEMPERATURE,
                Quantity.RELATIVE_HUMIDITY,
                Quantity.HOTTEST_TEMPERATURE,
            )
        )
        if warm.time_s.size == 0:
            return NO_AIR
        humidity = _beside(warm.time_s, damp, np.full(warm.time_s.shape, np.nan))
        hottest = _beside(warm.time_s, hot, warm.value.copy())
        believed = np.ones(warm.time_s.shape, dtype=np.bool_)
        return AirSamples(warm.time_s, warm.value, humidity, believed, hottest)


def _hottest(air: AirSamples) -> FloatArray:
    return air.temperature_c if air.hottest_c is None else air.hottest_c


def _beside(times_s: FloatArray, found: SeriesSlice, otherwise: FloatArray) -> FloatArray:
    """The values of a series at these moments, where it has one."""
    if found.time_s.size:
        at = np.searchsorted(found.time_s, times_s).clip(max=found.time_s.size - 1)
        same = found.time_s[at] == times_s
        otherwise[same] = found.value[at[same]]
    return otherwise


def nearest(series: SeriesStore, key: SeriesKey, time_s: float, within_s: float) -> float | None:
    """The number of a series at a moment: the last one before it, not older than `within_s`."""
    near = series.slice(key, max(time_s - within_s, 0.0), time_s + JUST_AFTER_S)
    believed = near.value[~near.doubtful]
    return float(believed[-1]) if believed.size else None
