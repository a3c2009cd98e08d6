"""Killing the service in the middle loses no reading and doubles none."""

import json
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.model.reading import Reading
from monitor.mqtt.encode import encode_own
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import Mosquitto, Publisher, wait_until
from tests.mqtt.test_session import listen
from tests.mqtt.yard import AIR, HUMIDITY, topic

ROOT = Path(__file__).resolve().parents[2]
MESSAGES, KILLS = 2_400, 4


@contextmanager
def ingester(port: int, file: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The service's ingest in a process of its own; killed at the end, as a power cut would."""
    command = [sys.executable, "-m", "tests.mqtt.ingester", str(port), str(file)]
    process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE)
    assert process.stdout is not None
    try:
        assert process.stdout.readline() == b"ready\n"
        yield process
    finally:
        process.kill()
        process.wait(10)
        process.stdout.close()


def stored(file: Path) -> list[Reading]:
    store = SqliteSeriesStore(file)
    try:
        return [item.reading for item in store.readings_after(0, 100_000)]
    finally:
        store.close()


def count(file: Path) -> int:
    store = SqliteSeriesStore(file)
    try:
        return store.counts()["stored"]
    finally:
        store.close()


def test_killing_the_service_again_and_again_loses_no_reading_and_doubles_none(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = tmp_path / "series.sqlite"
    began_s = round(time.time(), 3) - 3_600
    with ingester(mosquitto.port, file), Publisher(mosquitto.port) as watcher:
        heard = listen(watcher.client, "dryshift/service/state")
        wait_until(lambda: len(heard) == 1, "the session to be there before the first reading")
    sent = [
        (topic("slip-1"), encode_own(began_s + n, {AIR: n % 50, HUMIDITY: 0.5}, n)) for n in range(MESSAGES)
    ]
    with Publisher(mosquitto.port) as sensors:
        part = MESSAGES // KILLS
        for k in range(KILLS):
            at_least = count(file) + part // 3
            with ingester(mosquitto.port, file):
                for name, payload in sent[k * part : (k + 1) * part]:
                    sensors.client.publish(name, payload, qos=1)
                wait_until(lambda wanted=at_least: count(file) >= wanted, "some of it to be committed")
        with ingester(mosquitto.port, file):
            wait_until(lambda: count(file) >= 2 * MESSAGES, "the rest")
    found = Counter((reading.key.quantity, reading.time_s) for reading in stored(file))
    assert found == Counter((quantity, began_s + n) for n in range(MESSAGES) for quantity in (AIR, HUMIDITY))
    arrivals = [reading.arrived_s for reading in stored(file)]
    assert arrivals == sorted(arrivals)


def test_a_repeat_after_a_kill_is_known_by_its_sequence_where_there_is_no_time(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    file = tmp_path / "series.sqlite"
    sent = [(topic("slip-2"), encode_own(None, {AIR: 17.4}, n)) for n in range(60)]
    with Publisher(mosquitto.port) as sensors:
        for _ in range(2):
            with ingester(mosquitto.port, file):
                heard = listen(sensors.client, "dryshift/service/state")
                wait_until(lambda heard=heard: len(heard) >= 1, "the service")
                sensors.send_all(sent)
                wait_until(lambda: count(file) >= 60, "all to be committed")
        with ingester(mosquitto.port, file):
            sensors.send(topic("slip-2"), encode_own(None, {AIR: 17.4}, 60))
            wait_until(lambda: count(file) >= 61, "the last")
    assert [reading.sequence for reading in stored(file)] == list(range(61))


def test_a_bare_number_is_never_dropped_for_its_value_and_stored_again_at_most_once_for_a_kill(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Without time and sequence nobody can tell what is repeated once its acknowledgement may have been sent.

    MQTT 5 (OASIS, 2019), 4.3.2: the same packet identifier is a new message after the acknowledgement,
    flagged as repeated or not; so what was stored when the service was killed may be stored once more.
    """
    file = tmp_path / "series.sqlite"
    sent = [b"17.4"] * 300 + [b"%d" % n for n in range(300)]
    with Publisher(mosquitto.port) as sensors:
        for k in range(3):
            with ingester(mosquitto.port, file):
                heard = listen(sensors.client, "dryshift/service/state")
                wait_until(lambda heard=heard: len(heard) >= 1, "the service")
                before = count(file)
                for payload in sent[k::3]:
                    sensors.client.publish(topic("slip-3"), payload, qos=1)
                wait_until(lambda before=before: count(file) > before + 20, "some of it to be committed")
        with ingester(mosquitto.port, file):
            sensors.send(topic("slip-3"), b"49.5")
            wait_until(lambda: any(one.value == 49.5 for one in stored(file)), "the last")
    found = Counter(reading.value for reading in stored(file))
    assert found[17.4] >= 300
    assert all(found[float(n)] >= 1 for n in range(300))
    assert max(found[float(n)] for n in range(300)) <= 1 + 3  # once more for a kill at most


def test_the_broker_tells_others_when_the_service_is_lost(mosquitto: Mosquitto, tmp_path: Path) -> None:
    with Publisher(mosquitto.port) as watcher:
        heard = listen(watcher.client, "dryshift/service/state")
        with ingester(mosquitto.port, tmp_path / "series.sqlite"):
            wait_until(lambda: len(heard) == 1, "the birth message")
        wait_until(lambda: len(heard) == 2, "the last will")
    assert [json.loads(payload)["state"] for payload in heard] == ["online", "lost"]
