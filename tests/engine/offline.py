"""A small shop worked through by the loop without broker, couriers or waiting; what would be sent is kept."""

from collections.abc import Iterable
from pathlib import Path

from monitor.alarms.states import Command, CommandKind
from monitor.core.step import Foreseen, Operate
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.notification import Notification
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.store.opener import open_ledger_for, open_series_store
from tests.engine.yard import START_S, humid_evening

EVERY_S = 20.0


class Offline:
    """The core on a folder's settings; time goes on only when it is told to."""

    def __init__(self, file: Path, start_s: float = START_S) -> None:
        self.settings = load(file)
        self.series = open_series_store(self.settings)
        self.ledger = open_ledger_for(self.settings)
        self.loop = CoreLoop(build_shop(self.settings), self.series, self.ledger, start_s)
        self.start_s = self.now_s = start_s

    def goes_on(
        self, minutes: float, *, evening_minute: float | None = None
    ) -> list[tuple[str, Notification]]:
        """Air as in the humid evening (or as at one minute of it, held); what is posted meanwhile."""
        before = self._posted()
        end_s = self.now_s + minutes * 60.0
        readings = []
        while self.now_s < end_s:
            self.now_s += EVERY_S
            minute = (self.now_s - self.start_s) / 60.0 if evening_minute is None else evening_minute
            celsius, percent = humid_evening(minute)
            for quantity, value in (
                (Quantity.AIR_TEMPERATURE, celsius + 0.01 * (round(self.now_s) // 20 % 3)),
                (Quantity.RELATIVE_HUMIDITY, percent / 100.0),
            ):
                key = SeriesKey("slip-bay", "bay-1", quantity)
                readings.append(Reading(key, self.now_s, self.now_s, value, None, True))
        self.series.append(readings)
        self.loop.advance_to(self.now_s)
        return self._since(before)

    def answers(
        self, who: str, name: str, kind: CommandKind = CommandKind.ACKNOWLEDGE
    ) -> list[tuple[str, Notification]]:
        """Somebody answers a warning or a condition; what is posted because of it."""
        before = self._posted()
        command = Command(kind, name, who, "as the test says", self.now_s + 3600.0)
        self.loop.put(Operate(command, self.now_s))
        return self._since(before)

    def _posted(self) -> set[tuple[str, str]]:
        return {(item.channel, item.notification.key) for item in self.ledger.outbox()}

    def _since(self, before: set[tuple[str, str]]) -> list[tuple[str, Notification]]:
        items = reversed(self.ledger.outbox())
        every = ((item.channel, item.notification) for item in items)
        return [(channel, note) for channel, note in every if (channel, note.key) not in before]

    def foresees(self, foreseen: Foreseen) -> None:
        """A look ahead gave this."""
        self.loop.put(foreseen)

    def close(self) -> None:
        self.series.close()
        self.ledger.close()


def channels(posted: Iterable[tuple[str, Notification]]) -> list[tuple[str, str]]:
    """Channel and why, of each message."""
    return [(channel, str(note.data.get("telling") or note.data.get("why"))) for channel, note in posted]
