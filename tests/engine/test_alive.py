"""Silence is noticed by somebody else: init system, broker, a heartbeat address, a watcher elsewhere."""

import os
import shutil
import socket
import subprocess
import threading
import time
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest

from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.engine.live import LiveYard
from tests.engine.test_end_to_end import Killable
from tests.engine.yard import write_shop
from tests.ports import free_port

WATCH = Path(__file__).parents[2] / "deploy" / "watch" / "dryshift-watch.sh"
NOWHERE = "http://127.0.0.1:1/phone"

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")


class Notified:
    """Stands in for the init system: keeps the state lines it is sent."""

    def __init__(self, folder: Path) -> None:
        self.address = str(folder / "notify")
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(self.address)
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while (line := self._socket.recv(1000)) != b"END":
            self.lines.append(line.decode())
        self._socket.close()

    def close(self) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
            link.sendto(b"END", self.address)
        self._thread.join()


@needs_broker
def test_the_init_system_hears_that_it_is_ready_alive_and_stopping(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    init = Notified(tmp_path)
    monkeypatch.setenv("NOTIFY_SOCKET", init.address)
    try:
        with LiveYard(tmp_path, NOWHERE):
            wait_until(lambda: "READY=1" in init.lines, "the word that it is ready")
            wait_until(lambda: "WATCHDOG=1" in init.lines, "the watchdog to be fed")
        wait_until(lambda: "STOPPING=1" in init.lines, "the word that it stops")
    finally:
        init.close()


@needs_broker
def test_the_broker_tells_everybody_that_a_killed_service_is_lost(tmp_path: Path) -> None:
    with Mosquitto(tmp_path) as broker, Publisher(broker.port) as watcher:
        heard: list[bytes] = []
        watcher.client.on_message = lambda _c, _u, message: heard.append(message.payload)
        watcher.client.subscribe("dryshift/service/state", 1)
        service = Killable(write_shop(tmp_path, broker.port, NOWHERE), time.time())
        service.start()
        wait_until(lambda: b'{"state": "online"}' in heard, "the service to come", 30)
        service.kill()
        wait_until(lambda: heard[-1] == b'{"state": "lost"}', "the broker's word for it", 30)
        service.start()
        wait_until(lambda: heard[-1] == b'{"state": "online"}', "it to come back", 30)
        service.stop()
        wait_until(lambda: heard[-1] == b'{"state": "offline"}', "its own goodbye", 30)


@needs_broker
def test_a_heartbeat_address_is_asked_while_it_lives(tmp_path: Path) -> None:
    beats: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            beats.append(self.path)
            self.send_response(200)
            self.send_header("content-length", "0")
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            """The test reads `beats` instead."""

    server = HTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        url = f"http://127.0.0.1:{server.server_port}/dryshift"
        changes = {"tick_s = 10": f'tick_s = 10\nheartbeat_url = "{url}"\nheartbeat_every_s = 0.5'}
        with LiveYard(tmp_path, NOWHERE, changes=changes):
            wait_until(lambda: len(beats) >= 2, "two beats")
        stopped = len(beats)
        time.sleep(1.2)
        assert len(beats) == stopped
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def watch(url: str, folder: Path) -> int:
    """One turn of the watcher; what it tells is appended to a file."""
    return subprocess.run(
        ["sh", str(WATCH)],
        env={
            **os.environ,
            "DRYSHIFT_URL": url,
            "DRYSHIFT_TELL": f"cat >> {folder / 'told'}",
            "DRYSHIFT_STATE": str(folder / "silent"),
            "NO_PROXY": "*",
        },
        capture_output=True,
        check=False,
    ).returncode


@needs_broker
@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed")
def test_a_watcher_elsewhere_tells_once_that_it_is_silent_and_once_that_it_is_back(tmp_path: Path) -> None:
    port = free_port()
    url, told = f"http://127.0.0.1:{port}", tmp_path / "told"
    assert [watch(url, tmp_path) for _ in range(4)] == [1, 1, 1, 1]
    assert told.read_text().count("does not answer") == 1
    assert "Nobody watches the shop" in told.read_text()
    with LiveYard(tmp_path, NOWHERE, changes={"[web]\nport = 0": f"[web]\nport = {port}"}):
        wait_until(lambda: watch(url, tmp_path) == 0, "the pages to answer", 30)
        assert watch(url, tmp_path) == 0
    assert told.read_text().count("is back") == 1


@needs_broker
@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed")
def test_a_watcher_elsewhere_tells_that_it_answers_but_is_not_in_order(tmp_path: Path) -> None:
    port = free_port()
    with LiveYard(tmp_path, NOWHERE, changes={"[web]\nport = 0": f"[web]\nport = {port}"}) as yard:
        yard.until(lambda: bool(yard.service.ledger.outbox()), "a warning")
        yard.until(lambda: not yard.part("channel phone").ok, "the channel to fail")
        assert [watch(f"http://127.0.0.1:{port}", tmp_path) for _ in range(3)] == [1, 1, 1]
    assert (tmp_path / "told").read_text() == (
        f"Dryshift at http://127.0.0.1:{port} is not in order; look at http://127.0.0.1:{port}/service.\n"
    )


@needs_broker
def test_a_core_that_hangs_is_stuck_and_one_whose_store_is_away_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shop of a fleet falls silent then, and its worker puts another process in its place."""
    with LiveYard(tmp_path, NOWHERE) as yard:
        service, go_on = yard.service, threading.Event()
        wait_until(lambda: not service.snapshot().not_judged, "it to judge")
        assert not service.is_stuck()
        with monkeypatch.context() as patch:
            patch.setattr(service._watch, "judge", lambda *_: go_on.wait(120))
            wait_until(service.is_stuck, "it to be seen that nothing goes on")
            service._core_error = "the disk is full"
            assert not service.is_stuck()
            service._core_error = "defect: ValueError: x"
            assert service.is_stuck()
        go_on.set()
        wait_until(lambda: not service.is_stuck(), "it to go on")
