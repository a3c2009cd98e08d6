"""The whole line over a real Mosquitto: sensors, durable store, risk, a warning on a phone, the chart."""

import json
import random
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
import requests

from monitor.cli.replay_commands import replay
from monitor.engine.recording import read_recording, write_recording
from monitor.engine.service import Service
from monitor.model.event import EventKind
from monitor.model.reading import Quantity, SeriesKey
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from monitor.store.opener import open_ledger_for, open_series_store
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.engine.yard import TOPIC, AnchoredClock, humid_evening, write_shop
from tests.receivers import WebReceiver, web_receiver

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")

SPEED = 240.0
EVERY_S = 20.0


def publish_evening(
    publisher: Publisher, clock: AnchoredClock, minutes: float, each: Callable[[int], None] = lambda _: None
) -> list[float]:
    """Send a reading every 20 simulated seconds; returns the times sent."""
    first_s = round(clock.now_s())
    sent = []
    for n in range(int(minutes * 60 / EVERY_S)):
        time_s = first_s + n * EVERY_S
        while (wait_s := clock.real_seconds(time_s - clock.now_s())) > 0:
            time.sleep(wait_s)
        celsius, percent = humid_evening(n * EVERY_S / 60.0)
        values = {Quantity.AIR_TEMPERATURE: celsius, Quantity.RELATIVE_HUMIDITY: percent / 100.0}
        publisher.send(TOPIC, encode_own(time_s, values, n))
        sent.append(time_s)
        each(n)
    return sent


def moves(events: list, until_s: float) -> list[tuple]:
    return [
        (e.key, e.subject, e.time_s, e.body["from_state"], e.body["to_state"])
        for e in events
        if e.time_s <= until_s
    ]


def test_a_humid_evening_reaches_the_phone_the_store_and_the_chart_and_replays_the_same(
    tmp_path: Path,
) -> None:
    with Mosquitto(tmp_path) as broker, web_receiver() as phone:
        settings = load(write_shop(tmp_path, broker.port, phone.url))
        clock = AnchoredClock(time.time(), SPEED)
        service = Service(settings, clock)
        service.start()
        try:
            with Publisher(broker.port) as publisher:
                sent = publish_evening(publisher, clock, 75)
            phone.wait_for(1)
            wait_until(lambda: service.loop.state.time_s > sent[-1], "the last reading to be judged", 120)
            assert service.server is not None
            page = requests.get(service.server.url, timeout=10)
            week = requests.get(f"{service.server.url}/week", timeout=10)
        finally:
            service.stop()
        assert page.status_code == 200
        assert "Slip Bay" in page.text
        assert week.status_code == 200
        texts = [message["text"] for message in phone.messages]
        assert any("Slip Bay" in text for text in texts)
        assert all(len(text) <= 160 for text in texts)
        assert any("Keel plate" in text or "Damp air" in text for text in texts), texts
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        try:
            stored = series.slice(SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE), 0, 4e9)
            assert stored.time_s.tolist() == sent
            dew = series.slice(SeriesKey("slip-bay", "zone", Quantity.DEW_POINT), 0, 4e9)
            assert dew.value.size > 50
            assert dew.value.max() > 14.0
            assert (
                series.slice(SeriesKey("slip-bay", "plate-keel", Quantity.MARGIN), 0, 4e9).value.min() < 0.0
            )
            live = ledger.events(kinds=[EventKind.ALARM_TRANSITION])
            assert ledger.verify().broken_at is None
            recording = tmp_path / "evening.jsonl"
            write_recording(series, recording, lambda _: None)
        finally:
            series.close()
            ledger.close()
        readings = list(read_recording(recording))
        again = replay(settings, readings)
        until_s = readings[-1].arrived_s
        assert moves(live, until_s) == moves(again, until_s)
        assert len(moves(again, until_s)) >= 2


class Killable:
    """The service in a process of its own."""

    def __init__(self, file: Path, anchor_s: float, speed: float = SPEED) -> None:
        self._command = [sys.executable, "-m", "tests.engine.child", str(file), repr(anchor_s), repr(speed)]
        self._process: subprocess.Popen[str] | None = None
        self._ready = False

    def start(self) -> None:
        self._ready = False
        self._process = subprocess.Popen(
            self._command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2]
        )

    def until_ready(self) -> None:
        """Returns when the service takes readings, judges and delivers."""
        assert self._process is not None
        assert self._process.stdout is not None
        self._ready = self._ready or self._process.stdout.readline() == "ready\n"
        assert self._ready

    def kill(self) -> None:
        """As a power cut would."""
        assert self._process is not None
        self._process.kill()
        self._process.communicate()

    def stop(self) -> None:
        assert self._process is not None
        self._process.terminate()
        self._process.communicate(timeout=180)


def test_killed_again_and_again_it_loses_no_acknowledged_reading_and_no_warning(tmp_path: Path) -> None:
    chance = random.Random(7)
    with Mosquitto(tmp_path) as broker, web_receiver() as phone:
        file = write_shop(tmp_path, broker.port, phone.url)
        settings = load(file)
        anchor_s = time.time()
        clock = AnchoredClock(anchor_s, SPEED)
        service = Killable(file, anchor_s)
        service.start()
        kills_at = sorted(chance.sample(range(20, 280), 4))

        def disturb(n: int) -> None:
            if n in kills_at:
                service.kill()
                service.start()

        with Publisher(broker.port) as publisher:
            service.until_ready()
            sent = publish_evening(publisher, clock, 100, disturb)
        series = open_series_store(settings)
        key = SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE)
        try:
            wait_until(
                lambda: series.slice(key, 0, 4e9).time_s.size >= len(sent), "every reading to be stored", 180
            )
            assert series.slice(key, 0, 4e9).time_s.tolist() == sent
        finally:
            series.close()
        ledger = open_ledger_for(settings)
        try:
            wait_until(lambda: bool(ledger.outbox()), "a warning", 180)
            wait_until(
                lambda: all(item.state in ("delivered", "cancelled") for item in ledger.outbox()),
                "every warning delivered, or replaced by a later word on it",
                40,
            )
            service.stop()
            delivered = {item.notification.key for item in ledger.outbox(states=("delivered",))}
            assert delivered
            assert delivered <= received_keys(phone) <= {item.notification.key for item in ledger.outbox()}
            assert ledger.verify().broken_at is None
        finally:
            ledger.close()


def received_keys(phone: WebReceiver) -> set[str]:
    keys: dict[str, str] = {}
    for headers, body in phone.requests:
        message = json.loads(body)
        assert headers["webhook-id"] == message["key"]
        # A repeat carries the same key and says the same.
        assert keys.setdefault(message["key"], message["text"]) == message["text"]
    return set(keys)
