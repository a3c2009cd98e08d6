"""What is known to be missing: sessions that the broker forgot, messages that a sensor's sequence skips."""

from collections import Counter
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
        # By sensor, the oldest first: first and last number of each gap, and when it was seen.
        self._gaps: dict[str, list[tuple[int, int, float]]] = {}
        self._missing: Counter[str] = Counter()  # by sensor: how many numbers its gaps hold

    def note(self, sensor: str, sequence: int, arrived_s: float) -> None:
        """A message came."""
        highest = self._highest.get(sensor, sequence - 1)
        if sequence <= highest and self._came_late(sensor, sequence):
            return
        if highest + 1 < sequence <= highest + MOST_SKIPPED:
            first = max(highest + 1, sequence - MOST_KEPT)
            self._gaps.setdefault(sensor, []).append((first, sequence - 1, arrived_s))
            self._missing[sensor] += sequence - first
            self._forget_oldest(sensor)
        if sequence > highest or highest - sequence > MOST_SKIPPED:
            self._highest[sensor] = sequence

    def missing(self, since_s: float) -> dict[str, int]:
        """By sensor, how many messages are missing in gaps seen from a moment on; for any thread."""
        counts = {
            sensor: sum(last - first + 1 for first, last, seen_s in gaps.copy() if seen_s >= since_s)
            for sensor, gaps in self._gaps.copy().items()
        }
        return {sensor: count for sensor, count in counts.items() if count}

    def _came_late(self, sensor: str, sequence: int) -> bool:
        """Take a number out of the gap it was missing in; False where it was in none."""
        gaps = self._gaps.get(sensor, [])
        for n, (first, last, seen_s) in enumerate(gaps):
            if first <= sequence <= last:
                parts = ((first, sequence - 1, seen_s), (sequence + 1, last, seen_s))
                gaps[n : n + 1] = [part for part in parts if part[0] <= part[1]]
                self._missing[sensor] -= 1
                return True
        return False

    def _forget_oldest(self, sensor: str) -> None:
        """Keep no more numbers than are remembered of one sensor."""
        gaps = self._gaps[sensor]
        while (over := self._missing[sensor] - MOST_KEPT) > 0:
            first, last, seen_s = gaps[0]
            gone = min(over, last - first + 1)
            gaps[:1] = [(first + gone, last, seen_s)] if first + gone <= last else []
            self._missing[sensor] -= gone
