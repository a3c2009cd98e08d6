"""A broker that forgot what it held for us is said to have, and what a sensor's sequence skips is counted."""

import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.mqtt.encode import encode_own
from monitor.mqtt.missing_messages import MOST_KEPT, MOST_SKIPPED, SequenceGaps
from monitor.settings.schema import Settings
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import OPEN, Mosquitto, Publisher, wait_until
from tests.mqtt.conftest import QUICK, StartSession
from tests.mqtt.yard import AIR, MemoryStore, sensor, settings_with, topic


def own(value: float, sequence: int) -> bytes:
    return encode_own(round(time.time(), 3), {AIR: value}, sequence)


def unsaved(folder: Path) -> Mosquitto:
    """A Mosquitto that saves as its defaults say: every half hour, and where it is stopped in order."""
    broker = Mosquitto(folder, OPEN)
    broker.file.write_text(
        broker.file.read_text().replace("autosave_interval 1\n", "autosave_interval 1800\n")
    )
    return broker


def settings(port: int) -> Settings:
    return settings_with(sensor("slip-1"), **(QUICK | {"port": port, "broker": "external"}))


def test_a_session_that_mosquitto_had_not_saved_when_it_was_killed_is_named_with_its_time(
    tmp_path: Path, start_session: StartSession
) -> None:
    with unsaved(tmp_path) as broker:
        store = MemoryStore()
        session = start_session(settings(broker.port), store)
        with Publisher(broker.port) as sensors:
            sensors.send(topic("slip-1"), own(1.0, 1))
            wait_until(lambda: len(store.stored) == 1, "the first reading")
            last_s = store.stored[0].time_s
            broker.kill()
            wait_until(lambda: not session.status().connected, "the loss to show")
        broker.start()
        wait_until(lambda: session.status().subscribed, "the session to come back")
        (lost,) = session.status().lost_sessions
        assert lost.from_s == last_s
        assert last_s < lost.to_s <= time.time() + 1.0


def test_what_was_lost_with_the_session_while_the_service_was_away_is_named_at_its_next_start(
    tmp_path: Path, start_session: StartSession
) -> None:
    store = SqliteSeriesStore(tmp_path / "series.sqlite")

    def holds(count: int) -> None:
        wait_until(lambda: store.counts()["stored"] == count, f"{count} readings")

    with unsaved(tmp_path) as broker:
        session = start_session(settings(broker.port), store)
        with Publisher(broker.port) as sensors:
            sensors.send(topic("slip-1"), own(1.0, 1))
            holds(1)
            session.stop()
            for n in range(2, 12):
                sensors.send(topic("slip-1"), own(float(n), n))
        broker.kill()
        broker.start()
        session = start_session(settings(broker.port), store)
        (lost,) = session.status().lost_sessions
        assert lost.from_s == store.readings_after(0, 1)[0].reading.time_s
        with Publisher(broker.port) as sensors:
            sensors.send(topic("slip-1"), own(12.0, 12))
            holds(2)
        assert "10 messages are missing by its sequence number" in session.status().remarks["slip-1"]
        session.stop()
    store.close()


def test_a_session_that_was_kept_is_not_called_lost(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(settings(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        sensors.send(topic("slip-1"), own(1.0, 1))
        wait_until(lambda: len(store.stored) == 1, "the first reading")
    mosquitto.stop()
    wait_until(lambda: not session.status().connected, "the loss to show")
    mosquitto.start()
    wait_until(lambda: session.status().subscribed, "the session to come back")
    assert session.status().lost_sessions == ()
    session.stop()
    assert start_session(settings(mosquitto.port), store).status().lost_sessions == ()


def test_the_first_start_of_a_shop_has_no_session_to_lose(port: int, start_session: StartSession) -> None:
    assert start_session(settings(port), MemoryStore()).status().lost_sessions == ()


@pytest.mark.parametrize(
    ("sequences", "missing"),
    [
        ([1, 2, 3], 0),
        ([1, 4], 2),
        ([1, 4, 3], 1),
        ([1, 4, 3, 2], 0),
        ([1, 4, 4, 1], 2),
        ([5, 3, 6], 0),
        ([65_534, 65_535, 0, 1, 2], 0),
        ([7, 1_000_000, 1_000_001], 0),
        ([1, 9_000], MOST_KEPT),
    ],
)
def test_what_a_sequence_skips_is_missing_until_it_comes(sequences: list[int], missing: int) -> None:
    gaps = SequenceGaps()
    for n, sequence in enumerate(sequences):
        gaps.note("s", sequence, float(n))
    assert gaps.missing(0.0).get("s", 0) == missing
    assert gaps.missing(100.0) == {}


@given(st.lists(st.integers(0, 40) | st.integers(0, 3_000) | st.integers(0, 40_000), max_size=60))
def test_gaps_hold_the_numbers_that_a_list_of_every_number_would(sequences: list[int]) -> None:
    gaps, highest, missing = SequenceGaps(), -1, list[tuple[int, float]]()
    for n, sequence in enumerate(sequences):
        gaps.note("s", sequence, float(n))
        late = next((one for one in missing if one[0] == sequence), None)
        if n and sequence <= highest and late is not None:
            missing.remove(late)
            continue
        if n and highest < sequence <= highest + MOST_SKIPPED:
            missing += [
                (number, float(n)) for number in range(max(highest + 1, sequence - MOST_KEPT), sequence)
            ]
        missing = missing[-MOST_KEPT:]
        if not n or sequence > highest or highest - sequence > MOST_SKIPPED:
            highest = sequence
    for since_s in (0.0, 20.0, 50.0):
        assert gaps.missing(since_s).get("s", 0) == sum(seen_s >= since_s for _, seen_s in missing)
