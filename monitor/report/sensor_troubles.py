"""When each sensor was not good, from the status events of the ledger."""

import threading
from collections import OrderedDict
from dataclasses import dataclass

from monitor.model.event import Event, EventKind
from monitor.model.sensor import SensorStatus
from monitor.report.chart import Window
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

KIND = EventKind.SENSOR_STATUS
WINDOWS_KEPT = 8


@dataclass(frozen=True, slots=True)
class Trouble:
    """A stretch during which a sensor was not good."""

    sensor: str
    zone: str
    status: SensorStatus
    reason: str
    start_s: float
    end_s: float


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
        found = self._read(window) if found is None else found
        with self._lock:
            self._kept[key] = found
            while len(self._kept) > WINDOWS_KEPT:
                self._kept.popitem(last=False)
        return list(found)

    def _read(self, window: Window) -> list[Event]:
        before = self._ledger.last_of_each(KIND, window.start_s)
        return before + self._ledger.events(kinds=(KIND,), start_s=window.start_s, end_s=window.end_s)

    def _followed(self, known: list[Event], window: Window) -> list[Event] | None:
        last = max(known, key=lambda event: event.number)
        fresh = self._ledger.events(kinds=(KIND,), end_s=window.end_s, from_number=last.number)
        if not fresh or fresh[0].hash != last.hash or any(one.time_s < window.start_s for one in fresh[1:]):
            return None
        return known + fresh[1:]


def troubles(settings: Settings, told: StatusEvents, window: Window, now_s: float) -> list[Trouble]:
    """When each sensor was not good, from its status events; one running before the window counts too."""
    zones = {sensor.id: sensor.zone for sensor in settings.sensors}
    events = told.within(window)
    open_: dict[str, Event] = {}
    found: list[Trouble] = []
    for event in events:
        before = open_.pop(event.subject, None)
        if before is not None:
            found.append(_trouble(before, event.time_s, zones))
        if _status(event) is not SensorStatus.GOOD:
            open_[event.subject] = event
    found += [_trouble(event, min(now_s, window.end_s), zones) for event in open_.values()]
    return [trouble for trouble in found if trouble.end_s > window.start_s]


def _status(event: Event) -> SensorStatus:
    return SensorStatus(str(event.body.get("status", SensorStatus.GOOD)))


def _trouble(event: Event, end_s: float, zones: dict[str, str]) -> Trouble:
    reason = str(event.body.get("reason", event.why))
    return Trouble(event.subject, zones.get(event.subject, ""), _status(event), reason, event.time_s, end_s)
