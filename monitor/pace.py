"""Notices time that passed without anybody watching: a machine that slept, a clock that was set."""

from dataclasses import dataclass

from monitor.clock import Clock, SystemClock, monotonic_s
from monitor.snapshot import Part
from monitor.stages.state import NOT_RUNNING

PAUSE_S = 120.0  # real seconds without a look
STEP_S = 60.0  # the clock went so much further than the seconds that really passed
IN_STEP_S = 2.0


@dataclass(frozen=True, slots=True)
class Missed:
    """A stretch of the clock nobody watched; it began at `from_s`."""

    from_s: float
    seconds: float
    why: str


class Pace:
    """Compares the clock with the seconds that really pass, from look to look."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._now_s = clock.now_s()
        self._moment = monotonic_s()
        self._last: Missed | None = None

    def look(self) -> Missed | None:
        """What was missed since the look before."""
        before_s, before = self._now_s, self._moment
        self._now_s, self._moment = self._clock.now_s(), monotonic_s()
        passed_s, real_s = self._now_s - before_s, self._moment - before
        missed: Missed | None = None
        if real_s > PAUSE_S:
            missed = Missed(before_s, passed_s, NOT_RUNNING)
        elif not self._clock.simulated and self._clock.real_seconds(passed_s) - real_s > STEP_S:
            minutes = passed_s / 60.0
            missed = Missed(before_s, passed_s, f"the machine's clock was set forward by {minutes:.0f} min")
        self._last = missed or self._last
        return missed

    def part(self) -> Part:
        """How the clock stands."""
        ahead_s = self._clock.ahead_s() if isinstance(self._clock, SystemClock) else 0.0
        if ahead_s > IN_STEP_S:
            minutes = ahead_s / 60.0
            text = f"was set back: goes at half speed, {minutes:.0f} min ahead of the machine's clock"
            return Part("clock", False, text, {"ahead_s": ahead_s})
        text = "in step" if self._last is None else f"in step; {self._last.why}, which nobody watched"
        return Part("clock", True, text, {"ahead_s": ahead_s})
