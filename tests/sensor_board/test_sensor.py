"""The sensor of deploy/sensor/ under MicroPython, against a real Mosquitto and the real intake."""

import ast
import itertools
import json
import random
import re
import socket
import struct
import subprocess
import threading
import zlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.mqtt.session import IngestSession
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.mqtt.conftest import QUICK, StartSession, start_session
from tests.mqtt.deployed import Deployed
from tests.mqtt.yard import AIR, AIR_AND_HUMIDITY, HUMIDITY, MemoryStore, sensor, settings_with, topic
from tests.ports import free_port
from tests.sensor_board.simulation import PROGRAM, Board, interpreter

__all__ = ["start_session"]
pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
SLIP_1 = {"user": "slip-1", "password": "word", "topic": topic("slip-1")}


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[Mosquitto]:
    """A Mosquitto that keeps sessions over a restart."""
    with Mosquitto(tmp_path) as mosquitto:
        yield mosquitto


def listening(start: StartSession, port: int) -> tuple[MemoryStore, IngestSession]:
    """The service's intake, and the store that it fills."""
    store = MemoryStore()
    measures = [*AIR_AND_HUMIDITY, {"quantity": "battery_frac", "unit": "%"}]
    settings = settings_with(sensor("slip-1", measures=measures), **(QUICK | {"port": port}))
    return store, start(settings, store)


def sequences(store: MemoryStore) -> list[int]:
    return sorted(r.sequence or 0 for r in store.stored if r.key.quantity is AIR)


def numbers(store: MemoryStore) -> list[float]:
    return [round(r.value, 2) for r in store.stored if r.key.quantity is AIR]


def assert_nothing_lost_and_nothing_twice(store: MemoryStore, board: Board, least: int) -> None:
    """Every sequence that was given is there once, and every reading was measured."""

    def newest() -> int:
        return max(sequences(store), default=0)

    wait_until(lambda: len(sequences(store)) == newest() >= least, f"{sequences(store)}, {board.said}")
    assert sequences(store) == list(range(1, newest() + 1))
    measured = {round(10.0 + 0.01 * n, 2) for n in range(1, board.state()["measured"] + 1)}
    assert len(set(numbers(store))) == len(numbers(store)) == newest()
    assert set(numbers(store)) <= measured
    assert store.kept == []


def test_a_reading_reaches_the_store_as_it_was_measured(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession
) -> None:
    """3.7 V behind a divider by two lies half-way between 3.3 and 4.1 V."""
    store, session = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port, battery=True, battery_pin=35)
    board.wake(3)
    wait_until(lambda: len(store.stored) == 9, board.said)
    by_quantity = {
        quantity: [round(r.value, 4) for r in store.stored if r.key.quantity is quantity]
        for quantity in (AIR, HUMIDITY)
    }
    assert by_quantity == {AIR: [10.01, 10.02, 10.03], HUMIDITY: [0.6, 0.6, 0.6]}
    assert {round(r.value, 4) for r in store.stored if r.key.quantity.name == "BATTERY"} == {0.5}
    times = [r.time_s for r in store.stored if r.key.quantity is AIR]
    assert times == [pytest.approx(at_s, abs=1.5) for at_s in board.state()["measured_s"]]
    assert all(r.time_from_device for r in store.stored)
    assert session.status().rejected == {}


def test_a_broker_that_is_away_for_an_hour_costs_nothing(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession
) -> None:
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    board.wake(2)
    broker.stop()
    board.wake(120)
    assert "not sent, kept" in board.said
    broker.start()
    board.wake(2)
    assert_nothing_lost_and_nothing_twice(store, board, 124)
    times = sorted(r.time_s for r in store.stored if r.key.quantity is AIR)
    assert {round(b - a) for a, b in itertools.pairwise(times)} <= {29, 30, 31}


def test_what_a_killed_broker_confirmed_and_forgot_is_sent_again(
    tmp_path: Path, start_session: StartSession
) -> None:
    with Mosquitto(tmp_path, persistent=False) as broker:
        board = Board(tmp_path, **SLIP_1, port=broker.port)
        board.wake(5)  # nobody listens yet: what the broker confirmed is nowhere
        broker.kill()
        broker.start()
        store, _ = listening(start_session, broker.port)
        board.wake()
        assert_nothing_lost_and_nothing_twice(store, board, 6)


@pytest.mark.parametrize("seed", range(3))
def test_power_that_fails_at_any_moment_loses_nothing_and_stores_nothing_twice(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession, seed: int
) -> None:
    chance = random.Random(seed)
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    for _ in range(25):
        board.wake_and_lose_power(chance.uniform(0.0, 0.12))
        if chance.random() < 0.3:
            board.wake()
    board.wake(2)
    assert_nothing_lost_and_nothing_twice(store, board, 2)


@pytest.mark.parametrize("torn", [1, 15, 29, 31, 59])
def test_a_record_that_a_power_cut_tore_is_no_reading_and_takes_none_with_it(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession, torn: int
) -> None:
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    board.wake(2)
    (file,) = (board.flash / "readings").iterdir()
    file.write_bytes(file.read_bytes()[:-torn])
    board.put(cause=1, raw_s=1_000)
    board.wake(3)
    wait_until(lambda: len(set(numbers(store))) >= 4, board.said)
    assert len(set(numbers(store))) == len(numbers(store))


def test_without_the_time_a_reading_counts_as_of_now_and_what_waits_is_dated_later(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession
) -> None:
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port, every_s=2, ago_s=0.0)
    board.put(sntp=False)
    board.wake(2)
    wait_until(lambda: len(sequences(store)) == 2, board.said)
    assert not any(r.time_from_device for r in store.stored)
    board.put(wifi=False)
    board.wake(5)
    board.put(wifi=True)
    board.wake()
    wait_until(lambda: sequences(store) == [1, 2, 8], board.said)  # what is old is not said to be of now
    board.put(sntp=True)
    board.wake()
    assert_nothing_lost_and_nothing_twice(store, board, 9)
    dated = {r.sequence or 0: r.time_s for r in store.stored if r.time_from_device}
    waited = range(3, 8)
    assert sorted(dated) == [*waited, 9]
    for n, measured_s in enumerate(board.state()["measured_s"], 1):
        assert n not in dated or abs(dated[n] - measured_s) <= 2.0


class LosesAnswers:
    """Between sensor and broker: what is sent arrives, and from some byte on no answer comes back."""

    def __init__(self, port: int, after: int) -> None:
        self.port = free_port()
        self._to, self._after = port, after
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        try:
            here, _ = self._server.accept()
        except OSError:
            return
        with here, socket.create_connection(("127.0.0.1", self._to)) as there:
            back = threading.Thread(target=self._back, args=(there, here), daemon=True)
            back.start()
            try:
                while data := here.recv(4096):
                    there.sendall(data)
            except OSError:
                pass
            there.shutdown(socket.SHUT_WR)
            back.join()

    def _back(self, there: socket.socket, here: socket.socket) -> None:
        left = self._after
        try:
            while data := there.recv(4096):
                here.sendall(data[:left])
                left -= len(data[:left])
                if left <= 0:
                    here.shutdown(socket.SHUT_WR)
                    return
        except OSError:
            return

    def close(self) -> None:
        self._server.close()
        self._thread.join(10)


@pytest.mark.parametrize("sntp", [True, False], ids=["with the time", "without the time"])
def test_an_answer_that_was_lost_makes_no_second_reading(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession, sntp: bool
) -> None:
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port, every_s=2, ago_s=0.0)
    board.put(sntp=sntp)
    settings = board.flash / "settings.json"
    direct = settings.read_text()
    for after in (12, 14, 16):
        between = LosesAnswers(broker.port, after)
        settings.write_text(json.dumps(json.loads(direct) | {"port": between.port}))
        board.wake()
        between.close()
    settings.write_text(direct)
    board.wake()
    board.put(sntp=True)
    board.wake(2)
    assert_nothing_lost_and_nothing_twice(store, board, 6)


def test_a_wrong_checksum_is_measured_again_and_never_sent(
    broker: Mosquitto, tmp_path: Path, start_session: StartSession
) -> None:
    store, _ = listening(start_session, broker.port)
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    board.put(wrong=2)
    board.wake()
    wait_until(lambda: numbers(store) == [10.03], board.said)
    board.put(wrong=3)
    with Publisher(broker.port) as watcher:
        states: list[str] = []
        watcher.client.on_message = lambda _c, _u, message: states.append(message.payload.decode())
        watcher.client.subscribe(f"{topic('slip-1')}/state", 1)
        board.wake()
        wait_until(lambda: bool(states) and "wrong_checksums" in states[-1], board.said)
    board.put(mute=True)
    board.wake()
    board.put(mute=False)
    board.wake()
    wait_until(lambda: numbers(store) == [10.03, 10.07], board.said)


def test_resets_that_follow_each_other_wear_no_flash(broker: Mosquitto, tmp_path: Path) -> None:
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    board.wake()
    for _ in range(5):
        state = board.state()
        board.put(cause=1, raw_s=state["raw_s"] - 29.0, true_s=state["true_s"] - 29.0)
        board.wake()
    assert board.state()["measured"] == 1


def waiting_reading(sequence: int) -> bytes:
    """A record as the program writes it, with CRC-32 of zlib as the witness of its own."""
    body = struct.pack("<BBHIqhHHI", 82, 1, 1, sequence, 1_700_000_000 + sequence, 1000, 6000, 0, 0)
    return body + struct.pack("<I", zlib.crc32(body))


def test_flash_is_bounded_and_the_oldest_go_first(tmp_path: Path) -> None:
    board = Board(tmp_path, **SLIP_1, port=free_port())
    folder = board.flash / "readings"
    folder.mkdir()
    for number in range(1, 69):
        (folder / f"{number:08d}.log").write_bytes(
            b"".join(waiting_reading(n) for n in range(128 * number, 128 * number + 128))
        )
    board.wake(2)
    files = sorted(file.name for file in folder.iterdir())
    assert len(files) == 64
    assert files[-1] == "00000069.log"
    assert sum(file.stat().st_size for file in folder.iterdir()) <= 64 * 128 * 30


def test_it_is_enrolled_flashed_and_heard_over_tls(tmp_path: Path, start_session: StartSession) -> None:
    """With the settings as `dryshift enrol sensor` prints them, but for the name of the network."""
    at = Deployed(tmp_path)
    with at.broker:
        flashed = at.sensor("slip-1") | {"wifi": "shop", "wifi_password": "word", "host": "localhost"}
        board = Board(tmp_path, **flashed)
        store = MemoryStore()
        start_session(at.settings(), store)
        board.wake(2)
        wait_until(lambda: len(store.stored) == 2, board.said)
        at.enrol("revoke", str(at.file), "slip-1")
        board.wake()
        assert re.search("not sent, kept: not let in: 0x87", board.said)
        fresh = at.sensor("slip-1") | {"host": "localhost", "wifi": "shop", "wifi_password": "word"}
        (board.flash / "settings.json").write_text(json.dumps(fresh))
        board.wake()
        wait_until(lambda: len(store.stored) == 4, board.said)


def test_a_broker_with_another_shops_certificate_gets_nothing(tmp_path: Path) -> None:
    for name in ("a", "b"):
        (tmp_path / name).mkdir()
    at, other = Deployed(tmp_path / "a"), Deployed(tmp_path / "b")
    with at.broker:
        flashed = at.sensor("slip-1") | {"host": "localhost", "wifi": "shop", "wifi_password": "word"}
        flashed["ca"] = other.sensor("slip-1")["ca"]
        board = Board(tmp_path, **flashed)
        board.wake()
        assert "not sent, kept" in board.said


def test_a_topic_that_the_list_lacks_is_said_and_the_reading_kept(
    tmp_path: Path, start_session: StartSession
) -> None:
    at = Deployed(tmp_path)
    with at.broker:
        flashed = at.sensor("slip-1") | {"host": "localhost", "wifi": "shop", "wifi_password": "word"}
        board = Board(tmp_path, **flashed | {"topic": topic("slip-2")})
        board.wake()
        assert "refused: 0x87; is it enrolled for this topic?" in board.said
        (board.flash / "settings.json").write_text(json.dumps(flashed))
        store = MemoryStore()
        start_session(at.settings(), store)
        board.wake()
        wait_until(lambda: len(store.stored) == 2, board.said)


def test_the_guide_lists_every_setting_with_its_default() -> None:
    guide = (PROGRAM.parent / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| (`\w+`(?:, `\w+`)*) \| ([^|]+) \|", guide, re.MULTILINE)
    told = {
        name: json.loads(default)
        for names, defaults in rows
        if names != "`name`"
        for name, default in zip(re.findall(r"`(\w+)`", names), defaults.split(", "), strict=True)
        if default
    }
    (defaults,) = (
        ast.literal_eval(node.value)
        for node in ast.parse(PROGRAM.read_text(encoding="utf-8")).body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "DEFAULTS"
    )
    assert told == defaults


def test_the_checksum_is_that_of_the_data_sheet() -> None:
    """SHT3x-DIS data sheet, table 20: the code of 0xBEEF is 0x92."""
    source = PROGRAM.read_text(encoding="utf-8")
    body = source[source.index("def checksum") : source.index("def measure")]
    said = subprocess.run(
        [interpreter(), "-c", f"{body}\nprint(checksum(b'\\xbe\\xef'))"], capture_output=True, text=True
    )
    assert said.stdout.strip() == str(0x92), said.stderr


def test_a_reading_costs_two_records_of_flash(broker: Mosquitto, tmp_path: Path) -> None:
    board = Board(tmp_path, **SLIP_1, port=broker.port)
    board.wake(2)
    (file,) = (board.flash / "readings").iterdir()
    before = file.stat().st_size
    board.wake(10)
    assert file.stat().st_size - before == 10 * 2 * 30
