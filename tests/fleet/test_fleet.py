"""Workers share shops out over a real PostgreSQL and a real Mosquitto, and are killed."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
import requests

from monitor.model.errors import InputError
from monitor.model.event import EventKind
from monitor.model.reading import Quantity, SeriesKey
from monitor.mqtt.encode import encode_own
from monitor.store.fleet_book import FleetBook, ShopStanding, schema_of
from monitor.store.ledger.hold import SERVICE_LOCK
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.web.fleet_page import worst_first
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.engine.yard import BAY_TOML

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
ESTABLISHED = "01"  # of a connection in /proc/net/tcp
SHOPS = ("a", "b", "c", "d")
ROOT = Path(__file__).parents[2]
TOKEN = "a token for tests only, long enough to be one"
FLEET = f"""
[[people]]
id = "kim"
name = "Kim"
role = "keeper"

[[programs]]
id = "watcher"
token = "{TOKEN}"
"""


def write_shops(folder: Path, port: int) -> Path:
    """Four shops on one broker, each with its own topics, session and data."""
    shops = folder / "shops"
    shops.mkdir()
    (shops / "fleet.toml").write_text(FLEET, encoding="utf-8")
    for name in SHOPS:
        text = BAY_TOML.format(port=port, url="http://127.0.0.1:9/none")
        text = text.replace('data_dir = "data"', f'data_dir = "{folder}/data-{name}"')
        text = text.replace(
            "commit_s = 0.02", f'commit_s = 0.02\ntopic_root = "shop-{name}"\nclient_id = "shop-{name}"'
        )
        text += '\n[[people]]\nid = "ann"\nname = "Ann"\nrole = "lead"\n'
        (shops / f"{name}.toml").write_text(text, encoding="utf-8")
    return shops


class Worker:
    """`dryshift fleet` in a process group of its own, like a machine that can be switched off."""

    def __init__(self, name: str, shops: Path, database: str, secrets: Path | None = None) -> None:
        run = [sys.executable, "-m", "monitor", "fleet", str(shops), "--worker", name, "--port", "0"]
        run += [] if secrets is None else ["--secrets", str(secrets)]
        self._words = shops.parent / f"{name}.txt"
        with self._words.open("wb") as words:
            self.process = subprocess.Popen(
                run,
                cwd=ROOT,
                env=os.environ | {"DRYSHIFT_FLEET_DATABASE": database, "PYTHONUNBUFFERED": "1"},
                stdout=words,
                start_new_session=True,
            )
        wait_until(lambda: "All shops: http" in self.said(), "the worker to start", 60)
        self.url = self.said().partition("All shops: ")[2].split()[0]

    def said(self) -> str:
        return self._words.read_text()

    def shops(self) -> list[dict]:
        token = {"authorization": f"Bearer {TOKEN}"}
        return requests.get(f"{self.url}/api/shops", headers=token, timeout=10).json()

    def runs(self, count: int, worker: str) -> bool:
        return sum(bool(one["url"]) and one["worker"] == worker for one in self.shops()) == count

    def switch_off(self) -> None:
        """Everything of it ends at once."""
        os.killpg(self.process.pid, signal.SIGKILL)
        self.process.wait()

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(60)


@contextmanager
def meanwhile(send: Callable[[Publisher], None], port: int, **login: str) -> Iterator[None]:
    """Sends twice a second, beside what the test does."""
    stop = threading.Event()

    def go_on() -> None:
        with Publisher(port, **login) as publisher:
            while not stop.wait(0.5):
                send(publisher)

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


@contextmanager
def sending(port: int) -> Iterator[dict[str, list[float]]]:
    """A sensor in every shop that sends twice a second; what the broker has acknowledged of it."""
    sent: dict[str, list[float]] = {name: [] for name in SHOPS}

    def send(publisher: Publisher) -> None:
        n = len(sent[SHOPS[0]])
        for name in SHOPS:
            time_s = round(time.time(), 3)
            air = {Quantity.AIR_TEMPERATURE: 12.0 + n % 5 * 0.1, Quantity.RELATIVE_HUMIDITY: 0.5}
            publisher.send(f"shop-{name}/yard/slip-bay/bay-1", encode_own(time_s, air, n))
            sent[name].append(time_s)

    with meanwhile(send, port):
        yield sent


def stored(folder: Path, shop: str) -> set[float]:
    data = f"data-{shop}" if shop else "data"
    store = SqliteSeriesStore(folder / data / "series.sqlite")
    key = SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE)
    times = store.slice(key, 0.0, 4e9).time_s.tolist()
    store.close()
    return set(times)


@needs_broker
def test_shops_of_a_worker_that_dies_are_judged_by_another_and_no_reading_is_lost(tmp_path, database):
    with Mosquitto(tmp_path) as broker:
        shops = write_shops(tmp_path, broker.port)
        one = Worker("one", shops, database)
        wait_until(lambda: one.runs(4, "one"), "one worker to run all", 90)
        wait_until(
            lambda: one.said().count("has no account yet") == 4, "the links for the first accounts", 30
        )
        two = Worker("two", shops, database)
        try:
            wait_until(lambda: two.runs(2, "one") and two.runs(2, "two"), "both to run their share", 90)
            assert requests.get(f"{two.url}/readyz", timeout=10).status_code == 200
            with sending(broker.port) as sent:
                wait_until(lambda: min(map(len, sent.values())) > 6, "readings to be sent", 60)
                one.switch_off()
                began = time.monotonic()
                wait_until(lambda: two.runs(4, "two"), "the other to take over", 90)
                took_s = time.monotonic() - began
                wait_until(lambda: min(map(len, sent.values())) > 12, "readings to be sent", 60)
            for name in SHOPS:
                wait_until(
                    lambda name=name: stored(tmp_path, name) >= set(sent[name]),
                    f"all of {name} to be stored",
                    60,
                )
            assert requests.get(f"{two.url}/readyz", timeout=10).json() == {"ok": True, "judged by nobody": 0}
        finally:
            two.stop()
    assert took_s < 30.0
    book = FleetBook(database)
    for name in SHOPS:  # each was begun and ended by one at a time, which the order of its own record shows
        ledger = open_ledger(book.ledger_url(name))
        assert ledger.verify().broken_at is None
        begun = ledger.events(kinds=[EventKind.SERVICE_STARTED])
        assert 1 <= len(begun) <= 3
        ledger.close()
    book.close()


@needs_broker
def test_a_worker_whose_head_is_killed_leaves_no_shop_running_behind(tmp_path, database):
    with Mosquitto(tmp_path) as broker:
        shops = write_shops(tmp_path, broker.port)
        one = Worker("one", shops, database)
        try:
            wait_until(lambda: one.runs(4, "one"), "one worker to run all", 90)
            one.process.kill()
            one.process.wait()
            book = FleetBook(database)
            wait_until(lambda: not book.held(SHOPS), "its shops to be let go", 30)
            book.close()
        finally:
            one.switch_off()


@needs_broker
def test_a_shop_whose_process_hangs_is_soon_not_known_and_then_judged_again(tmp_path, database):
    with Mosquitto(tmp_path) as broker:
        one = Worker("one", write_shops(tmp_path, broker.port), database)
        try:
            wait_until(lambda: one.runs(4, "one"), "one worker to run all", 90)
            held = judging(database)
            os.kill(held, signal.SIGSTOP)
            wait_until(lambda: any(not shop["url"] for shop in one.shops()), "it to be not known", 30)
            (hung,) = [shop for shop in one.shops() if not shop["url"]]
            assert (hung["level"], "judged by nobody for" in hung["headline"]) == ("unknown", True)
            wait_until(lambda: one.runs(4, "one"), "it to be judged again", 90)
            with pytest.raises(ProcessLookupError):
                os.kill(held, 0)
        finally:
            one.stop()


def judging(database: str) -> int:
    """The process that holds some shop: its connection's own port leads to it."""
    with psycopg.connect(database.replace("+psycopg", "")) as db:
        row = db.execute(
            "SELECT client_port FROM pg_stat_activity JOIN pg_locks USING (pid) "
            "WHERE locktype = 'advisory' AND classid::bigint = %s LIMIT 1",
            [SERVICE_LOCK],
        ).fetchone()
    assert row is not None
    inode = next(
        line.split()[9]
        for line in Path("/proc/net/tcp").read_text().splitlines()[1:]
        if line.split()[1].endswith(f":{row[0]:04X}") and line.split()[3] == ESTABLISHED
    )
    for link in Path("/proc").glob("[0-9]*/fd/*"):
        try:
            if os.readlink(link) == f"socket:[{inode}]":
                return int(link.parts[2])
        except OSError:
            continue
    raise AssertionError("no process has that connection")


def test_two_never_hold_one_shop(database):
    book = FleetBook(database)
    first, second = open_ledger(book.ledger_url("a")), open_ledger(book.ledger_url("b"))
    again = open_ledger(book.ledger_url("a"))
    first.hold(["yard"])
    second.hold(["yard"])  # another shop of the same database, with the same names
    assert book.held(SHOPS) == {"a", "b"}
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("monitor.store.ledger.hold.ATTEMPTS", 1)
        with pytest.raises(InputError, match="in use by another running service"):
            again.hold(["yard"])
    first.close()
    assert book.held(SHOPS) == {"b"}
    for one in (second, again, book):
        one.close()


@pytest.mark.parametrize("name", ["A", "a_b", "1a", "a" * 41, "a;b", ""])
def test_a_shop_whose_name_is_none_is_refused(name):
    with pytest.raises(InputError, match="small letters"):
        schema_of(name)


def test_a_fleet_needs_one_database_for_all():
    with pytest.raises(InputError, match="postgresql"):
        FleetBook("sqlite:///x.sqlite")


def test_a_shop_that_nobody_speaks_of_is_not_known_and_comes_first():
    told = [
        ShopStanding("calm", "one", "http://x:1", "safe", "Dry", 1.0),
        ShopStanding("wet", "one", "http://x:2", "danger", "Wet now", 1.0),
        ShopStanding("silent", "two", "http://x:3", "safe", "Dry", 40.0),
    ]
    found = worst_first(told, ["calm", "never", "silent", "wet"])
    assert [one.id for one in found] == ["never", "silent", "wet", "calm"]
    assert [str(one.level) for one in found] == ["unknown", "unknown", "danger", "safe"]
    assert found[1].headline == "judged by nobody for 40 s; was: Dry"
    assert not found[1].url
