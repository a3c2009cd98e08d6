"""The watch itself: catches up, judges, begins anew where it must, and shows as judged only what is."""

import math
import threading
from dataclasses import replace

from monitor.clock import Clock
from monitor.core.state import ServiceFacts
from monitor.engine.bookkeeper import Keeper
from monitor.engine.courtesy import Courtesy
from monitor.engine.loop import CoreLoop
from monitor.engine.pace import Missed, Pace, Proof
from monitor.model.picture import Picture, not_judged
from monitor.store.contract import Ledger

FEW_MIN = 120.0  # longer is said in hours
RETRIED_S = 900.0  # by so much an attempt of a courier may have been put off
AT_THE_JUMP_S = 30.0  # what arrived so soon after the last look came before the clock jumped


class Watch:
    """One shop's watch on its stores, by one clock; the picture that everybody reads is taken here."""

    def __init__(self, loop: CoreLoop, keeper: Keeper, ledger: Ledger, clock: Clock) -> None:
        self.loop = loop
        self.proof = Proof(loop, clock)
        self.caught_up = threading.Event()  # what was stored before the start is worked through
        self._keeper = keeper
        self._ledger = ledger
        self._clock = clock
        self.pace = Pace(clock)
        self.courtesy = Courtesy()
        loop.give_way = self._give_way
        self._missed: Missed | None = None  # still to be recorded

    def catch_up(self, began_s: float, began_order: int) -> None:
        """Work through what was stored before this start; nothing counts as judged meanwhile."""
        anew = self.loop.resume(began_s, began_order)
        self._keeper.load(anew=anew)
        self.pace = Pace(self._clock)  # the time that this took is worked through like any other
        self.caught_up.set()

    def judge(self, watermark_s: float, facts: dict[str, float]) -> None:
        """Judge what arrived before the watermark, as of now; before that see to clock and store."""
        now_s = self._clock.now_s()
        self._note_pause()
        if self._missed is not None:
            self.loop.skip(self._missed.from_s + AT_THE_JUMP_S, now_s, self._missed.why)
            self._missed = None
        doubt = self.loop.doubt(now_s)
        if doubt:
            self._begin_anew(now_s, doubt)
        self.loop.put(ServiceFacts(facts))
        self.loop.advance_to(min(watermark_s, now_s), now_s)

    def _give_way(self) -> None:
        """Within a backlog: the clock is looked at, however long it takes, and pages come first."""
        self._note_pause()
        self.courtesy.give_way()

    def _note_pause(self) -> None:
        """Of two pauses before one is recorded the first counts: nothing after it was watched in its time."""
        missed = self.pace.look()
        self._missed = self._missed or missed

    def snapshot(self) -> Picture:
        """The picture of now: as it was judged, or, where that was not lately, as not known."""
        seen = replace(self.loop.snapshot(), simulated=self._clock.simulated)
        if seen.simulated:  # a demo's packages are declared beforehand, each to be opened in its hour
            opened = tuple(one for one in seen.packages if (one.opened_s or 0.0) <= seen.time_s)
            seen = replace(seen, packages=opened)
        why = self.not_judged()
        return not_judged(seen, why) if why else seen

    def not_judged(self) -> str:
        """Why what is known was not judged within the last few ticks of true time; empty where it was."""
        still_s = self.proof.still_s()
        if still_s is None:
            return ""
        if still_s == math.inf:
            return "not judged yet since the start"
        minutes = still_s / 60.0
        said = f"{minutes:.0f} min" if minutes < FEW_MIN else f"{minutes / 60.0:.0f} h"
        return f"not judged for {said}"

    def _begin_anew(self, now_s: float, why: str) -> None:
        """The time or the store was another: all that is remembered is derived again from what is stored."""
        with self._keeper.paused(), self.loop.paused():
            ahead_s = self.loop.state.time_s
            self.loop.begin_anew(now_s, why)
            self._keeper.load(anew=True)
        if ahead_s > now_s:
            self._ledger.bring_forward(now_s, ahead_s + RETRIED_S)
