"""Messages that could not be read take a bounded place on the disk and in memory, whatever their topics."""

import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.mqtt.arrivals import RepeatGuard
from monitor.mqtt.intake import Intake
from monitor.mqtt.pending_batch import BrokerDelivery, PendingBatch, content_of
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.store.contract import SetAside
from monitor.store.series.set_aside_rows import AsideBound
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import Mosquitto, Publisher, wait_until
from tests.mqtt.conftest import QUICK, StartSession
from tests.mqtt.yard import sensor, settings_with, topic

MANY, LONG = 1_500, 60_000
BOUND = AsideBound(messages=10_000, size_bytes=1_000_000)


def long_topic(n: int) -> str:
    return f"dryshift/yard/{n:06d}/".ljust(LONG, "x")


def aside(topic_: str, size: int, n: int = 0, reason: str = "malformed") -> SetAside:
    return SetAside(topic_, b"x" * size, 1_788_000_000.0 + n, reason, "text")


def test_fifteen_hundred_messages_on_topics_of_sixty_thousand_signs_take_little(
    mosquitto: Mosquitto, start_session: StartSession, tmp_path: Path
) -> None:
    store = SqliteSeriesStore(tmp_path / "s.sqlite", set_aside=BOUND)
    settings = settings_with(sensor("slip-1"), **(QUICK | {"port": mosquitto.port}))
    session = start_session(settings, store)
    with Publisher(mosquitto.port) as strangers:
        strangers.send_all([(long_topic(n), b"?" * 3_000) for n in range(MANY)])
    wait_until(lambda: session.status().counts.get("set_aside", 0) >= MANY, "all to be set aside", 60)
    session.stop()
    kept = store.set_aside(limit=MANY)
    counts = store.counts()
    assert counts["set_aside"] == MANY
    assert counts["let_go"] == MANY - len(kept)
    assert 200 < len(kept) < 400
    assert kept[0].topic == f"{long_topic(MANY - 1)[:200]}… ({LONG} characters)"
    store.close()
    assert (tmp_path / "s.sqlite").stat().st_size < 4_000_000


def test_what_waits_to_be_set_aside_or_acknowledged_is_small_in_memory() -> None:
    intake = Intake(SensorCatalogue.from_settings(settings_with(sensor("slip-1"))), RepeatGuard())
    batch = PendingBatch()
    tracemalloc.start()
    for n in range(MANY):
        name, payload = long_topic(n), b"?" * LONG
        delivery = BrokerDelivery(n, content_of(name, payload), 1)
        intake.take(name, payload, retained=False, arrived_s=1.0, into=batch, delivery=delivery)
    taken_bytes, _ = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert len(batch.set_aside) == len(batch.deliveries) == MANY
    assert taken_bytes < MANY * 10_000
    assert "60000 bytes, of which the first 8192 are kept" in batch.set_aside[0].detail


@pytest.fixture
def store(tmp_path: Path) -> Iterator[SqliteSeriesStore]:
    bound = AsideBound(messages=60, size_bytes=100_000)
    opened = SqliteSeriesStore(tmp_path / "series.sqlite", set_aside=bound)
    yield opened
    opened.close()


def test_one_who_floods_makes_room_for_the_others_and_not_they_for_it(store: SqliteSeriesStore) -> None:
    quiet = [aside(topic(f"slip-{n}"), 500, n) for n in range(4)]
    store.append([], quiet)
    for n in range(300):
        store.append([], [aside(topic("slip-9"), 4_000, n)])
    kept = store.set_aside(limit=1_000)
    assert set(quiet) <= set(kept)
    assert [message.topic for message in kept].count(topic("slip-9")) == 24
    assert kept[0].arrived_s == 1_788_000_299.0
    assert store.counts()["let_go"] == 300 - 24


def test_strangers_are_one_holder_however_many_topics_they_use(store: SqliteSeriesStore) -> None:
    own = [aside(topic("slip-1"), 300, n) for n in range(25)]
    store.append([], own)
    for n in range(200):
        store.append([], [aside(f"stranger/{n}", 300, n, "unknown_topic")])
    kept = store.set_aside(limit=1_000)
    assert set(own) <= set(kept)
    assert len(kept) == 60


def test_older_ones_are_paged(store: SqliteSeriesStore) -> None:
    store.append([], [aside(topic("slip-1"), 10, n) for n in range(30)])
    pages = [store.set_aside(10, skip) for skip in (0, 10, 20, 30)]
    assert [len(page) for page in pages] == [10, 10, 10, 0]
    assert len({message.arrived_s for page in pages for message in page}) == 30
