"""The only module that reads clocks; everything else is handed the time."""

import threading
import time
from typing import Protocol

SLOWED_S = 60.0  # a clock set back by more is followed at once


class Clock(Protocol):
    """Tells the time of day; `simulated` says that it is a demo's or a replay's."""

    @property
    def simulated(self) -> bool:
        """Whether this is not the real time of day."""

    def now_s(self) -> float:
        """Epoch seconds, UTC."""

    def real_seconds(self, seconds: float) -> float:
        """How long to really wait for `seconds` of this clock to pass."""


class SystemClock:
    """The machine's own clock, made to not go back by little.

    After the machine's clock was set back by up to a minute, this one runs at half speed until the two
    agree, so that delays and deadlines go on. Set back further, or set forward, it follows at once: whoever
    remembers a time that now lies ahead begins anew.
    """

    simulated = False

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._told_s = time.time()
        self._told_at = time.monotonic()

    def now_s(self) -> float:
        """Epoch seconds, UTC."""
        with self._lock:
            wall_s, moment = time.time(), time.monotonic()
            slow_s = self._told_s + 0.5 * (moment - self._told_at)
            ahead_s = slow_s - wall_s
            self._told_s = slow_s if 0.0 < ahead_s <= SLOWED_S else wall_s
            self._told_at = moment
            return self._told_s

    def ahead_s(self) -> float:
        """How far this clock is ahead of the machine's, after that was set back."""
        return max(self.now_s() - time.time(), 0.0)

    def real_seconds(self, seconds: float) -> float:
        """The same seconds."""
        return seconds


class FastClock:
    """Runs `speed` times as fast from `start_s` until `fast_until_s`, then at live speed.

    It never runs ahead of what `allow` has let it: on a busy machine a demo takes longer, no more.
    """

    simulated = True

    def __init__(self, start_s: float, fast_until_s: float, speed: float) -> None:
        self._lock = threading.Lock()
        self._told_s = start_s
        self._told_at = time.monotonic()
        self._allowed_s = start_s
        self._until_s = fast_until_s
        self._speed = speed

    def allow(self, until_s: float) -> None:
        """Let the clock run up to `until_s`."""
        with self._lock:
            self._advance()
            self._allowed_s = max(self._allowed_s, until_s)

    def now_s(self) -> float:
        """Simulated epoch seconds, UTC."""
        with self._lock:
            return self._advance()

    def _advance(self) -> float:
        moment = time.monotonic()
        passed_s = moment - self._told_at
        self._told_at = moment
        if self._told_s < self._until_s:
            fast_s = min(passed_s, (self._until_s - self._told_s) / self._speed)
            ahead_s = self._told_s + fast_s * self._speed + (passed_s - fast_s)
        else:
            ahead_s = self._told_s + passed_s
        self._told_s = max(min(ahead_s, self._allowed_s), self._told_s)
        return self._told_s

    def real_seconds(self, seconds: float) -> float:
        """Shorter while fast."""
        return seconds / self._speed if self.now_s() < self._until_s else seconds


def monotonic_s() -> float:
    """Seconds for measuring durations."""
    return time.monotonic()
