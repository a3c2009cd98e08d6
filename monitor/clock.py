"""The only module that reads clocks; everything else is handed the time."""

import threading
import time
from typing import Protocol


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
    """The machine's own clock, made to never go back.

    After the machine's clock was set back, this one runs at half speed until the two agree, so that
    delays and deadlines go on; set forward, it follows at once.
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
            self._told_s, self._told_at = max(wall_s, slow_s), moment
            return self._told_s

    def real_seconds(self, seconds: float) -> float:
        """The same seconds."""
        return seconds


class FastClock:
    """Runs `speed` times as fast from `start_s` until `fast_until_s`, then at live speed."""

    simulated = True

    def __init__(self, start_s: float, fast_until_s: float, speed: float) -> None:
        self._start_s = start_s
        self._until_s = fast_until_s
        self._speed = speed
        self._fast_real_s = (fast_until_s - start_s) / speed
        self._began = time.monotonic()

    def now_s(self) -> float:
        """Simulated epoch seconds, UTC."""
        elapsed = time.monotonic() - self._began
        if elapsed < self._fast_real_s:
            return self._start_s + elapsed * self._speed
        return self._until_s + elapsed - self._fast_real_s

    def real_seconds(self, seconds: float) -> float:
        """Shorter while fast."""
        return seconds / self._speed if self.now_s() < self._until_s else seconds


class ManualClock:
    """Stands still until it is set; for replay and tests."""

    simulated = True

    def __init__(self, time_s: float = 0.0) -> None:
        self.time_s = time_s

    def now_s(self) -> float:
        """What it was last set to."""
        return self.time_s

    def real_seconds(self, seconds: float) -> float:
        """No waiting."""
        return 0.0 * seconds


def monotonic_s() -> float:
    """Seconds for measuring durations."""
    return time.monotonic()
