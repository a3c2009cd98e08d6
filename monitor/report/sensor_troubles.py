"""When each sensor was not good, from the status events of the ledger."""

from dataclasses import dataclass

from monitor.model.event import Event, EventKind
from monitor.model.sensor import SensorStatus
from monitor.report.chart import Window
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

KIND = EventKind.SENSOR_STATUS


@dataclass(frozen=True, slots=True)
class Trouble:
    """A stretch during which a sensor was not good."""

    sensor: str
    zone: str
    status: SensorStatus
    reason: str
    start_s: float
    end_s: float


def status_events(ledger: Ledger, window: Window) -> list[Event]:
    """What each sensor's status was when a window began, and every change in it, in order of entry."""
    before = ledger.last_of_each(KIND, window.start_s)
    return before + ledger.events(kinds=(KIND,), start_s=window.start_s, end_s=window.end_s)


def troubles(settings: Settings, events: list[Event], window: Window, now_s: float) -> list[Trouble]:
    """When each sensor was not good, from its status events; one running before the window counts too."""
    zones = {sensor.id: sensor.zone for sensor in settings.sensors}
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
