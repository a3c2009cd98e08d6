"""What is known to be missing: sessions that the broker forgot, messages that a sensor's sequence skips."""

from typing import NamedTuple

MOST_SKIPPED = 10_000  # more at once is a counter that began anew
MOST_KEPT = 1_000  # numbers remembered of one sensor


class LostSession(NamedTuple):
    """The broker had no session for us where it should have had one; what it held then is gone."""

    from_s: float  # when the newest message that it gave us was measured
    to_s: float  # when it said so


class SequenceGaps:
    """Which messages of each sensor have not come, as far as its sequence rises by one each."""

    def __init__(self) -> None:
        self._highest: dict[str, int] = {}
        self._missing: dict[str, dict[int, float]] = {}  # by number: when the gap was seen

    def note(self, sensor: str, sequence: int, arrived_s: float) -> None:
        """A message came."""
        highest = self._highest.get(sensor)
        missing = self._missing.setdefault(sensor, {})
        if missing.pop(sequence, None) is not None:
            return
        if highest is not None and highest < sequence <= highest + MOST_SKIPPED:
            for number in range(max(highest + 1, sequence - MOST_KEPT), sequence):
                missing[number] = arrived_s
            while len(missing) > MOST_KEPT:
                del missing[next(iter(missing))]
        if highest is None or sequence > highest or highest - sequence > MOST_SKIPPED:
            self._highest[sensor] = sequence

    def missing(self, since_s: float) -> dict[str, int]:
        """By sensor, how many messages are missing in gaps seen from a moment on; for any thread."""
        counts = {
            sensor: sum(seen_s >= since_s for seen_s in numbers.copy().values())
            for sensor, numbers in self._missing.copy().items()
        }
        return {sensor: count for sensor, count in counts.items() if count}
