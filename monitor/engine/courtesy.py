"""Pages before a backlog: while one is made the core stands back, for at most as long as it worked before."""

import threading
from collections.abc import Callable

from monitor.clock import monotonic_s

HAND_OVER_S = 0.001  # a thread that waits for the core's state has it by then
LOOK_AGAIN_S = 0.002
MOST_S = 1.0  # the first bite begins with the backlog, and not when the last one ended


class Courtesy:
    """Used by the core's thread between two bites of a backlog.

    All threads of Python share one processor's turn, and the core keeps it five milliseconds each time that
    a page lets go of it, which a page does for every row it reads. So a page is waited for; but never longer
    than the bite before it took, so that whoever keeps asking for pages only halves the core's pace.
    """

    def __init__(self) -> None:
        self.asked: Callable[[], bool] = lambda: False  # whether a page is being made
        self._pause = threading.Event()  # never set: a sleep
        self._since_s = monotonic_s()

    def give_way(self) -> None:
        """Let others have the state, and pages the processor."""
        began_s = monotonic_s()
        until_s = began_s + min(began_s - self._since_s, MOST_S)
        self._pause.wait(HAND_OVER_S)
        while self.asked() and monotonic_s() < until_s:
            self._pause.wait(LOOK_AGAIN_S)
        self._since_s = monotonic_s()
