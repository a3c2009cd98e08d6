"""What a step leaves for the next, so that this looks only at what can have changed since.

Nothing is known by it. It is no part of what the state says, is never stored, and a state without it is
judged whole, with the same results. It counts only for the very objects that it was made of: whoever puts
another shop, book, sensor or air into the state need not know of it.
"""

import math
from collections.abc import Mapping
from typing import Any

from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.states import AlarmBook
from monitor.core.mixing import Against
from monitor.core.shop import Shop
from monitor.sensors.track import SensorTrack

Inputs = tuple[object, ...]


class Remembered:
    """As of a step; changed only by making another with `but`."""

    # sensors: of `tracks`, which of them are not plainly good, and when the good ones want a look
    tracks: Mapping[str, SensorTrack] | None = None
    told: frozenset[str] = frozenset()  # heard since they were looked at
    ill: frozenset[str] = frozenset()
    disbelieved: frozenset[str] = frozenset()
    look_again_s: Mapping[str, float] = {}
    first_look_s: float = -math.inf
    # alarms: what the conditions of `book` were given, out of what, and which have not come to rest
    book: AlarmBook | None = None
    seen: Mapping[str, Observation] = {}
    given: Mapping[str, tuple[Inputs | None, tuple[str, ...]]] = {}
    restless: frozenset[str] = frozenset()
    # what was judged of each level (a `levels.Judged`), and out of what
    judged: Mapping[str, tuple[Inputs, Any]] = {}
    # of each zone the sensors that stand against us
    against: Mapping[str, Against] = {}
    # of a book's conditions those that a crossed limit hurries
    hurrying: tuple[Mapping[str, Condition], tuple[Condition, ...]] | None = None

    time_s: float = -math.inf  # of the last tick, or of the newest arrival after it

    def __init__(self, shop: Shop) -> None:
        self.shop = shop

    def but(self, **changes: Any) -> "Remembered":
        """The same with some of it changed."""
        other = Remembered(self.shop)
        other.__dict__.update(self.__dict__, **changes)
        return other


def of(remembered: Remembered | None, shop: Shop, now_s: float) -> Remembered:
    """What counts for a shop at a time: nothing where it is another, or where time has gone back."""
    if remembered is None or remembered.shop is not shop or now_s < remembered.time_s:
        return Remembered(shop)
    return remembered
