"""The humid week at Ferrymoor, worked through offline: simulated sensors, the whole core, two leads."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

import pytest

from monitor.alarms.states import Command, CommandKind, CommandRefusedError
from monitor.cli.demo_command import DEMO_START, demo_settings
from monitor.core.step import Operate
from monitor.demo import yard_sensors
from monitor.demo.yard_sensors import World, make_world, messages
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.event import Event, EventKind
from monitor.model.notification import Notification
from monitor.model.reading import Reading
from monitor.mqtt.decode import decode
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.store.opener import open_ledger_for, open_series_store

START_S = DEMO_START.timestamp()
HOUR_S = 3600.0
CHUNK_S = 600.0
# Half as often as in the demo: the week then takes half as long.
SENSOR_EVERY_S = 600.0
DERIVED_EVERY_S = 600.0
ANSWERED_AFTER_S = 900.0
AWAKE = range(5, 23)
WARNS = frozenset({"first", "escalated", "again", "after_quiet"})


@dataclass
class Week:
    """What was sent in the week, and the record."""

    world: World
    notes: list[Notification] = field(default_factory=list)
    moves: list[Event] = field(default_factory=list)

    def warnings(self) -> list[Notification]:
        """What rings: no all clear, no word that somebody has answered, no daily word."""
        return [note for note in self.notes if note.data.get("telling") in WARNS]


def local(time_s: float) -> datetime:
    return datetime.fromtimestamp(time_s, DEMO_START.tzinfo)


def moment(words: str) -> float:
    """Epoch seconds of such as "Tue 05:15" in the week."""
    day, clock = words.split()
    days = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
    hours, minutes = clock.split(":")
    # "Mon 00:00" at the end of a stretch is the Monday after
    return START_S + (days.index(day) * 24 + int(hours)) * HOUR_S + int(minutes) * 60.0


def run_week(folder: Path, days: float = 7.0, seed: int = 1) -> Week:
    """Seven days of readings through the loop; both leads answer a quarter of an hour after they are told."""
    settings = demo_settings(folder, "http://127.0.0.1:1/", "127.0.0.1", 0)
    service = settings.service.model_copy(update={"derived_every_s": DERIVED_EVERY_S})
    settings = settings.model_copy(update={"service": service})
    week = Week(make_world(seed, START_S, days + 1.0))
    series, ledger = open_series_store(settings), open_ledger_for(settings)

    def keep(note: Notification) -> Notification:
        week.notes.append(note)
        return note

    loop = CoreLoop(build_shop(settings), series, ledger, START_S, dress=keep)
    stream = _readings(week.world, settings, seed, START_S + days * 86_400.0)
    waiting: list[tuple[float, Notification]] = []
    seen, now_s = 0, START_S
    batch = next(stream, None)
    try:
        while now_s < START_S + days * 86_400.0:
            now_s += CHUNK_S
            arrived: list[Reading] = []
            while batch is not None and batch[0].arrived_s < now_s:
                arrived += batch
                batch = next(stream, None)
            if arrived:
                series.append(arrived)
            loop.advance_to(now_s)
            fresh, seen = week.notes[seen:], len(week.notes)
            waiting += [(now_s + ANSWERED_AFTER_S, n) for n in fresh if n.data.get("telling") in WARNS]
            waiting = [one for one in waiting if not _answered(loop, *one, now_s)]
        week.moves = ledger.events(kinds=[EventKind.ALARM_TRANSITION])
        return week
    finally:
        series.close()
        ledger.close()


def _readings(world: World, settings: object, seed: int, until_s: float) -> Iterator[list[Reading]]:
    catalogue = SensorCatalogue.from_settings(settings)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(yard_sensors, "FAST_EVERY_S", SENSOR_EVERY_S)
        for sent in messages(world, settings, seed, until_s + 86_400.0):
            if sent.time_s >= until_s:
                return
            readings = decode(sent.topic, sent.payload, round(sent.time_s + 0.1, 3), catalogue).readings
            if readings:
                yield list(readings)


def _answered(loop: CoreLoop, due_s: float, note: Notification, now_s: float) -> bool:
    """Whether the warning needs no more answering; at night only what is urgent is answered."""
    if now_s < due_s or (note.priority != "high" and local(now_s).hour not in AWAKE):
        return False
    command = Command(CommandKind.ACKNOWLEDGE, note.subject, str(note.data["person"]))
    try:
        loop.put(Operate(command, now_s))
    except CommandRefusedError:
        return True
    return True
