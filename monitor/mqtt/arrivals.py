"""Stamps arrivals, and tells a repeated message from a new one where the device has no clock."""

from collections import OrderedDict
from collections.abc import Iterable

from monitor.clock import Clock
from monitor.model.reading import Reading, SeriesKey
from monitor.mqtt.device_times import whole_ms

BACK_AT_MOST_S = 60.0  # an earlier time further ahead than this came from a clock that was wrong
SEQUENCES_KEPT = 64  # a sensor
# A message that was first sent without a time, and with one once the device's clock was set, was measured
# just before it first arrived.
SAME_MOMENT_S = 60.0
# What a broker repeats it repeats in one go; a device whose sequence stands still, wraps early or begins anew
# in steady air comes at its own pace.
APART_S = 0.5
REPEATS_BORNE = 3  # so many at a device's own pace; what follows is new, whatever its sequence says
MS_S = 0.001


class ArrivalTimes:
    """Arrival times in whole milliseconds that never go back, not even over a restart.

    Only where the clock itself was put right by more than a minute are they put right with it.
    """

    def __init__(self, clock: Clock, stored_s: float | None = None) -> None:
        self._clock = clock
        self._last_s = stored_s or 0.0

    def next_s(self) -> float:
        """The time of what arrives now."""
        now_s = whole_ms(self._clock.now_s())
        self._last_s = now_s if self._last_s - now_s > BACK_AT_MOST_S else max(self._last_s, now_s)
        return self._last_s


class RepeatGuard:
    """Keeps readings without a device time apart, and recognises the repeats among them.

    A store knows a repeated reading by its time. Where the time is the arrival, a repeat would look
    new, so it is known by its sequence number and values instead; and two messages that arrive in
    the same millisecond would look like one, so the later is put a millisecond on.
    """

    def __init__(self) -> None:
        self._last_s: dict[SeriesKey, float] = {}
        # By sensor: value and time of what came without a time.
        self._seen: dict[str, OrderedDict[tuple[SeriesKey, int], tuple[float, float]]] = {}
        self._came_s: dict[str, float] = {}
        self._paced: dict[str, int] = {}  # by sensor: repeats in a row at its own pace

    def remember(self, readings: Iterable[Reading]) -> None:
        """Learn from readings that the store holds, oldest first."""
        for reading in readings:
            if not reading.time_from_device:
                self._note(reading)

    def admit(self, readings: list[Reading]) -> list[Reading]:
        """The readings of one message as they are to be stored; none when it is a repeat."""
        if all(reading.time_from_device for reading in readings):
            if not self._seen:  # nothing ever came without a time
                return readings
            return [] if all(self._came_undated(reading) for reading in readings) else readings
        if self._is_repeated(readings):
            return []
        return [reading if reading.time_from_device else self._apart(reading) for reading in readings]

    def distrusted(self) -> frozenset[str]:
        """Sensors whose sequence number does not move on as their messages do."""
        return frozenset(name for name, n in self._paced.copy().items() if n > REPEATS_BORNE)

    def _is_repeated(self, readings: list[Reading]) -> bool:
        """Whether a message is a repeat; at a device's own pace only a few are."""
        sensor, arrived_s = readings[0].key.source, readings[0].arrived_s
        before_s = self._came_s.get(sensor, arrived_s)
        self._came_s[sensor] = arrived_s
        if not all(self._is_repeat(reading) for reading in readings):
            self._paced[sensor] = 0
            return False
        paced = self._paced.get(sensor, 0) + (arrived_s - before_s >= APART_S)
        self._paced[sensor] = paced
        return paced <= REPEATS_BORNE

    def _is_repeat(self, reading: Reading) -> bool:
        if reading.time_from_device:
            return False
        came = self._came(reading)
        return came is not None and came[0] == reading.value

    def _came_undated(self, reading: Reading) -> bool:
        """Whether a reading with a time is one that came before without it."""
        came = self._came(reading)
        if came is None:
            return False
        value, time_s = came
        return value == reading.value and abs(reading.time_s - time_s) <= SAME_MOMENT_S

    def _came(self, reading: Reading) -> tuple[float, float] | None:
        """Value and time of what came without a time under the reading's sequence."""
        seen = self._seen.get(reading.key.source)
        if seen is None or reading.sequence is None:
            return None
        return seen.get((reading.key, reading.sequence))

    def _apart(self, reading: Reading) -> Reading:
        last_s = self._last_s.get(reading.key)
        near = last_s is not None and last_s - reading.time_s <= BACK_AT_MOST_S
        if last_s is not None and near and reading.arrived_s <= reading.time_s <= last_s:
            reading = reading._replace(time_s=whole_ms(last_s + MS_S))
        self._note(reading)
        return reading

    def _note(self, reading: Reading) -> None:
        if reading.time_s >= reading.arrived_s:
            self._last_s[reading.key] = reading.time_s
        if reading.sequence is not None:
            seen = self._seen.setdefault(reading.key.source, OrderedDict())
            seen[reading.key, reading.sequence] = (reading.value, reading.time_s)
            seen.move_to_end((reading.key, reading.sequence))
            while len(seen) > SEQUENCES_KEPT:
                seen.popitem(last=False)
