"""A full disk: nothing is judged, so nothing is fed, nothing shows as known, and people hear of it."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
import requests

from monitor.cli import run_commands
from monitor.cli.run_commands import Starting
from monitor.clock import SystemClock
from monitor.model.level import Level
from monitor.settings.file import load
from monitor.settings.schema import Settings
from tests.brokers import MOSQUITTO, Publisher, wait_until
from tests.engine.live import LiveYard
from tests.engine.yard import write_shop
from tests.receivers import web_receiver

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
QUICK = {
    "tick_s = 10": "tick_s = 1",
    "derived_every_s = 30": "derived_every_s = 1",
    "interval_s = 20": "interval_s = 1",
    "stale_after_s = 900": "stale_after_s = 600",
}


def fill(disk: Path) -> Path:
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    return filler


@contextmanager
def beats() -> Iterator[tuple[str, list[float]]]:
    """A heartbeat address and the moments at which it was asked."""
    asked: list[float] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(time.monotonic())
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """The test reads `asked` instead."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/beat", asked
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@needs_broker
def test_a_full_disk_is_told_straight_stops_heartbeat_and_watchdog_and_shows_nothing_as_known(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fed: list[str] = []
    monkeypatch.setattr("monitor.engine.proof_of_life.tell_init", fed.append)
    with beats() as (url, asked), web_receiver() as phone:
        changes = {
            **QUICK,
            "tick_s = 10": f'tick_s = 1\nheartbeat_url = "{url}"\nheartbeat_every_s = 0.5',
            'data_dir = "data"': f'data_dir = "{small_disk}"',
        }
        with LiveYard(tmp_path, phone.url, clock=SystemClock(), changes=changes) as yard:
            yard.sensor.held = 0.0
            yard.until(lambda: yard.service.snapshot().zones[0].level is Level.SAFE, "the air to be judged")
            yard.until(lambda: len(asked) > 1 and fed != [], "heartbeat and watchdog")
            filler = fill(small_disk)
            yard.until(lambda: yard.service.snapshot().not_judged != "", "the picture to say so", 90)
            proof = yard.service._watch.proof
            yard.until(lambda: proof.moved_s() > proof.allowed_s(), "the core to get on no more", 30)
            beaten, patted = len(asked), len(fed)
            shown = yard.service.snapshot()
            assert {one.level for one in (*shown.zones, *shown.bodies)} == {Level.UNKNOWN}
            assert not yard.part("watch").ok
            assert yard.service.server is not None
            assert requests.get(yard.service.server.url + "/readyz", timeout=10).status_code == 503
            with Publisher(yard.broker.port) as listener:
                said: list[bytes] = []
                listener.client.on_message = lambda _c, _u, message: said.append(message.payload)
                listener.client.subscribe("dryshift/service/state", qos=1)
                wait_until(lambda: {"state": "not_judging"} in map(json.loads, said), "the broker's word")
            yard.until(lambda: phone.requests != [], "the phone to hear of it", 90)
            assert phone.messages[0]["title"] == "The watch stands still"
            assert "full" in phone.messages[0]["text"]
            assert len(phone.messages[0]["text"]) <= 160
            assert (len(asked), len(fed)) == (beaten, patted)
            filler.unlink()
            yard.until(lambda: yard.service.snapshot().not_judged == "", "it to heal", 90)
            yard.until(lambda: len(asked) > beaten, "the heartbeat to go on")
            yard.until(
                lambda: "The watch goes on" in {m["title"] for m in phone.messages},
                "the word that it goes on",
            )


def test_a_start_on_a_full_disk_is_told_once_and_begins_when_there_is_room(
    tmp_path: Path, small_disk: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(run_commands, "TRY_AGAIN_S", 0.2)
    with web_receiver() as phone:
        file = write_shop(tmp_path, 1, phone.url)
        text = file.read_text(encoding="utf-8").replace('data_dir = "data"', f'data_dir = "{small_disk}"')
        file.write_text(text, encoding="utf-8")
        settings = load(file)
        filler = fill(small_disk)
        stop, began = threading.Event(), threading.Event()

        def work(given: Settings, stop: threading.Event) -> None:
            service = run_commands.Service(given, SystemClock())
            try:
                service.start()
                began.set()
                stop.wait()
            finally:
                service.stop()

        thread = threading.Thread(target=Starting(settings, stop).run, args=(work,), daemon=True)
        thread.start()
        phone.wait_for(1)
        assert phone.messages[0]["title"] == "The watch does not start"
        wait_until(lambda: capsys.readouterr().err != "", "a word on standard error")
        assert not began.is_set()
        filler.unlink()
        assert began.wait(60.0)
        stop.set()
        thread.join(30.0)
        assert len(phone.requests) == 1
