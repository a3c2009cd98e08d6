"""How often somebody may try: so many at once, then one more after each pause, each key on its own."""

import threading
from collections import OrderedDict
from collections.abc import Callable, Iterable

Bucket = tuple[str, int, int]  # what is counted together, how many at once, seconds until one more


class Tries:
    """What is left to each key; the keys used longest ago are forgotten first, so it never grows.

    A try that is refused counts for nothing: nobody lengthens anybody's wait by going on.
    """

    def __init__(self, most: int, monotonic_s: Callable[[], float]) -> None:
        self._most = most
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._used: OrderedDict[str, tuple[float, float]] = OrderedDict()  # how many are used, as of when

    def spend(self, buckets: Iterable[Bucket]) -> float:
        """Take one of each and give 0; where one is empty none is taken, and the wait in seconds is given."""
        asked = list(buckets)
        with self._lock:
            now_s = self._monotonic_s()
            used = {key: self._now(key, pause_s, now_s) for key, _, pause_s in asked}
            wait_s = max((used[key] + 1.0 - most) * pause_s for key, most, pause_s in asked)
            if wait_s > 0.0:
                return wait_s
            for key, _, _ in asked:
                self._keep(key, used[key] + 1.0, now_s)
        return 0.0

    def give_back(self, buckets: Iterable[Bucket]) -> None:
        """The try was right, or was never looked at: it does not count."""
        with self._lock:
            now_s = self._monotonic_s()
            for key, _, pause_s in buckets:
                self._keep(key, max(self._now(key, pause_s, now_s) - 1.0, 0.0), now_s)

    def _now(self, key: str, pause_s: int, now_s: float) -> float:
        used, as_of_s = self._used.get(key, (0.0, now_s))
        return max(used - (now_s - as_of_s) / pause_s, 0.0)

    def _keep(self, key: str, used: float, now_s: float) -> None:
        self._used[key] = used, now_s
        self._used.move_to_end(key)
        while len(self._used) > self._most:
            self._used.popitem(last=False)
