"""The sensors' status events of the weeks that are looked at, read from the record once and followed."""

import threading
from collections import OrderedDict

from monitor.model.event import Event
from monitor.report.chart import Window
from monitor.report.sensor_troubles import KIND, status_events
from monitor.store.contract import Ledger

WINDOWS_KEPT = 8


class StatusEvents:
    """The status events of the last few windows that were asked for; each is read from the ledger once.

    The last one taken in is read again: where the ledger has another in its place, or one that was entered
    late and lies before the window, all of the window is read anew.
    """

    def __init__(self, ledger: Ledger) -> None:
        self._ledger = ledger
        self._kept: OrderedDict[tuple[float, float], list[Event]] = OrderedDict()
        self._lock = threading.Lock()

    def within(self, window: Window) -> list[Event]:
        """What each sensor's status was when the window began, and every change in it, in order of entry."""
        key = window.start_s, window.end_s
        with self._lock:
            known = self._kept.pop(key, [])
        found = self._followed(known, window) if known else None
        found = status_events(self._ledger, window) if found is None else found
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > WINDOWS_KEPT:
                self._kept.popitem(last=False)
        return list(found)

    def _followed(self, known: list[Event], window: Window) -> list[Event] | None:
        last = max(known, key=lambda event: event.number)
        fresh = self._ledger.events(kinds=(KIND,), end_s=window.end_s, from_number=last.number)
        if not fresh or fresh[0].hash != last.hash or any(one.time_s < window.start_s for one in fresh[1:]):
            return None
        return known + fresh[1:]
