"""Notices time that passed without anybody watching: a machine that slept, a clock that was set.

`Proof` says whether what is shown was judged within the last few ticks of true time.
"""

from dataclasses import dataclass

from monitor.clock import Clock, SystemClock, monotonic_s
from monitor.core.state import NOT_RUNNING
from monitor.engine.loop import GAP_TICKS, CoreLoop
from monitor.model.picture import Part

PAUSE_S = 120.0  # real seconds without a look
STEP_S = 60.0  # the clock went so much further, or back, than the seconds that really passed
IN_STEP_S = 2.0
SIMULATED_S = 60.0  # real seconds: a demo's clock runs hundreds of times faster than its machine can look
FEW_LOOKS_S = 6.0  # real seconds: the core looks every second, and ticks may be shorter than that


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
        elif not self._clock.simulated and real_s - self._clock.real_seconds(passed_s) > STEP_S:
            minutes = (self._clock.real_seconds(passed_s) - real_s) / -60.0
            self._last = Missed(self._now_s, 0.0, f"the machine's clock was set back by {minutes:.0f} min")
        self._last = missed or self._last
        return missed

    def part(self) -> Part:
        """How the clock stands."""
        ahead_s = self._clock.ahead_s() if isinstance(self._clock, SystemClock) else 0.0
        if ahead_s > IN_STEP_S:
            minutes = ahead_s / 60.0
            text = f"was set back: goes at half speed, {minutes:.0f} min ahead of the machine's clock"
            return Part("clock", False, text, {"ahead_s": ahead_s})
        text = "in step" if self._last is None else f"in step; {self._last.why}"
        text += ", which nobody watched" if self._last is not None and self._last.seconds > 0.0 else ""
        return Part("clock", True, text, {"ahead_s": ahead_s})


class Proof:
    """Whether judging goes on: the last tick was done, and is of a time, within the last few ticks."""

    def __init__(self, loop: CoreLoop, clock: Clock) -> None:
        self._loop = loop
        self._clock = clock
        self._moved_at = monotonic_s()
        self._seen = (0, 0.0)

    def allowed_s(self) -> float:
        """Real seconds for which a picture stands without a tick."""
        least_s = SIMULATED_S if self._clock.simulated else FEW_LOOKS_S
        return max(self._clock.real_seconds(GAP_TICKS * self._loop.shop.tick_s), least_s)

    def still_s(self) -> float | None:
        """How old what is known is where it is not judged now (infinite before the first tick); else None."""
        real_s = monotonic_s() - self._loop.ticked_at
        off_s = 0.0  # a demo's pages keep to the time that has been judged
        if not self._clock.simulated:
            off_s = abs(self._clock.now_s() - self._loop.state.time_s)
        if max(real_s, self._clock.real_seconds(off_s)) <= self.allowed_s():
            return None
        return max(real_s, off_s)

    def moved_s(self) -> float:
        """Real seconds since the core was last seen to get on, be it only with what waits from before."""
        seen = (self._loop.state.order, self._loop.state.time_s)
        if seen != self._seen:
            self._seen, self._moved_at = seen, monotonic_s()
        return monotonic_s() - self._moved_at
