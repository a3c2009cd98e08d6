"""The believed air of zones as the derived series keep it, for clocks and bodies that are derived anew."""

import numpy as np

from monitor.exposure.air import NO_AIR, AirSamples
from monitor.stages.series import ZONE
from monitor.store.contract import SeriesStore
from monitor.values import Quantity, SeriesKey

EVERY = 1_000_000
JUST_AFTER_S = 0.001  # a slice ends before its end; the point at that moment is wanted too


class StoredAir:
    """Reads each zone's air once for a stretch of time, and answers from memory."""

    def __init__(self, series: SeriesStore, start_s: float, end_s: float) -> None:
        self._series = series
        self._start_s, self._end_s = max(start_s, 0.0), end_s
        self._read: dict[str, AirSamples] = {}

    def samples(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """The air of a zone with start_s ≤ time ≤ end_s; humidity is NaN where it was not known."""
        if zone not in self._read:
            self._read[zone] = self._load(zone)
        air = self._read[zone]
        first, last = np.searchsorted(air.times_s, start_s), np.searchsorted(air.times_s, end_s, side="right")
        columns = (air.times_s, air.temperature_c, air.rh_frac)
        times, temperature, humidity = (column[first:last] for column in columns)
        return AirSamples(times, temperature, humidity, air.believed[first:last])

    def _load(self, zone: str) -> AirSamples:
        warm, damp = (
            self._series.slice(
                SeriesKey(zone, ZONE, quantity), self._start_s, self._end_s + JUST_AFTER_S, EVERY
            )
            for quantity in (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
        )
        if warm.time_s.size == 0:
            return NO_AIR
        humidity = np.full(warm.time_s.shape, np.nan)
        if damp.time_s.size:
            at = np.searchsorted(damp.time_s, warm.time_s).clip(max=damp.time_s.size - 1)
            same = damp.time_s[at] == warm.time_s
            humidity[same] = damp.value[at[same]]
        return AirSamples(warm.time_s, warm.value, humidity, np.ones(warm.time_s.shape, dtype=np.bool_))


def nearest(series: SeriesStore, key: SeriesKey, time_s: float, within_s: float) -> float | None:
    """The number of a series at a moment: the last one before it, not older than `within_s`."""
    near = series.slice(key, max(time_s - within_s, 0.0), time_s + JUST_AFTER_S)
    believed = near.value[~near.doubtful]
    return float(believed[-1]) if believed.size else None
