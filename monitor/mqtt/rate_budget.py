"""Bounds how much one sensor may store: what is over the bound is thinned to what still tells of danger.

A message costs one of a sensor's budget; the budget grows with time, and with the device's own time while a
backlog catches up, so that a month without a broker is stored whole. Once it is used up one message is kept
for each one that the time earns, and besides every number that lies beyond all that was kept in the minute
before: a flood hides neither a peak nor, by more than a second, its end. What is left out is counted and the
sensor is named.
"""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from monitor.model.data_tables import Table
from monitor.model.reading import Reading, SeriesKey
from monitor.mqtt.units import BOUNDS


@dataclass(frozen=True, slots=True)
class Allowance:
    """What every sensor is allowed; from `shared/quality.toml`."""

    held_n: float  # messages that it may send in one go
    earned_per_interval: float  # how many times as often as its settings say it may send for good
    least_per_s: float
    extremes_s: float  # the stretch whose highest and lowest are kept
    step_frac: float  # of what no sensor can exceed: less beyond an extreme is none


def allowance_from(data: Mapping[str, Any]) -> Allowance:
    """Read the table `rate_budget`; InputError names every fault."""
    table = Table(data.get("rate_budget"), "rate_budget")
    found = Allowance(
        held_n=table.sourced("held_n", "messages", 1.0, 1e9).value,
        earned_per_interval=table.sourced("earned_per_interval", "1", 1.0, 1e6).value,
        least_per_s=table.sourced("least_per_s", "1/s", 1e-3, 1e6).value,
        extremes_s=table.sourced("extremes_s", "s", 1.0, 86_400.0).value,
        step_frac=table.sourced("step_frac", "1", 0.0, 0.1).value,
    )
    table.finish()
    return found


@dataclass(slots=True)
class _Purse:
    earns_per_s: float
    left: float
    arrived_s: float | None = None
    stamp_s: float | None = None
    since_s: float = -1.0e18  # of the extremes
    extremes: dict[SeriesKey, tuple[float, float]] = field(default_factory=dict)


class Budget:
    """Every sensor's budget; used by the network thread alone, `left_out` may be read anywhere."""

    def __init__(self, interval_s: Mapping[str, float], allowance: Allowance) -> None:
        self._allowed = allowance
        self._interval_s = interval_s
        self._purses: dict[str, _Purse] = {}
        self.left_out: Counter[str] = Counter()

    def admit(self, readings: list[Reading]) -> list[Reading]:
        """The readings of one message that are to be stored."""
        sensor, allowed = readings[0].key.source, self._allowed
        purse = self._purses.get(sensor)
        if purse is None:
            interval_s = self._interval_s.get(sensor, 1.0 / allowed.least_per_s)
            earns_per_s = max(allowed.earned_per_interval / interval_s, allowed.least_per_s)
            purse = self._purses[sensor] = _Purse(earns_per_s, allowed.held_n)
        _earn(purse, readings[0], allowed.held_n)
        if purse.left >= 1.0:
            purse.left -= 1.0
            if purse.left < 1.0:
                _widened(purse, readings)
            return readings
        kept = [reading for reading in readings if _is_beyond(purse, reading, allowed)]
        _widened(purse, kept)
        if len(kept) < len(readings):
            self.left_out[sensor] += 1
        return kept


def _earn(purse: _Purse, reading: Reading, held_n: float) -> None:
    arrived_s, stamp_s = reading.arrived_s, min(reading.time_s, reading.arrived_s)
    if purse.arrived_s is None or purse.stamp_s is None:
        purse.arrived_s, purse.stamp_s = arrived_s, stamp_s
        return
    passed_s = max(arrived_s - purse.arrived_s, stamp_s - purse.stamp_s, 0.0)
    purse.left = min(purse.left + passed_s * purse.earns_per_s, held_n)
    purse.arrived_s = max(purse.arrived_s, arrived_s)
    purse.stamp_s = max(purse.stamp_s, stamp_s)


def _is_beyond(purse: _Purse, reading: Reading, allowed: Allowance) -> bool:
    if reading.arrived_s - purse.since_s > allowed.extremes_s:
        purse.since_s, purse.extremes = reading.arrived_s, {}
    low, high = purse.extremes.get(reading.key, (float("inf"), float("-inf")))
    bounds = BOUNDS[reading.key.quantity]
    step = allowed.step_frac * (bounds.high - bounds.low)
    return reading.value < low - step or reading.value > high + step


def _widened(purse: _Purse, kept: list[Reading]) -> None:
    for reading in kept:
        low, high = purse.extremes.get(reading.key, (reading.value, reading.value))
        purse.extremes[reading.key] = min(low, reading.value), max(high, reading.value)
