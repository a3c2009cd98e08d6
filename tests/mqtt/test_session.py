"""The session over real brokers: what is stored, what is acknowledged when, what is said when it fails."""

import itertools
import json
import re
import sqlite3
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from monitor.model.payload import KEPT_PAYLOAD_BYTES
from monitor.mqtt.encode import encode_own, encode_senml
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.settings.schema import Settings
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import Mosquitto, Publisher, wait_until
from tests.mqtt.conftest import QUICK, StartSession
from tests.mqtt.yard import AIR, AIR_AND_HUMIDITY, HUMIDITY, MemoryStore, sensor, settings_with, topic

POINTED = [AIR_AND_HUMIDITY[0] | {"pointer": "/t"}, AIR_AND_HUMIDITY[1] | {"pointer": "/rh"}]


def yard(port: int, **mqtt_settings: Any) -> Settings:
    return settings_with(
        sensor("slip-1"),
        sensor("slip-2", "senml"),
        sensor("slip-3", "json", measures=POINTED),
        sensor("slip-4", "number", topic="old/logger/4"),
        **(QUICK | {"port": port} | mqtt_settings),
    )


def own(value: float, ago_s: float = 0.0, sequence: int | None = None) -> bytes:
    return encode_own(round(time.time() - ago_s, 3), {AIR: value}, sequence)


def wait_for(store: MemoryStore, readings: int) -> None:
    wait_until(lambda: len(store.stored) >= readings, f"{readings} readings; there are {len(store.stored)}")


def wait_for_messages(session: IngestSession, messages: int) -> None:
    wait_until(lambda: session.status().counts.get("messages", 0) >= messages, f"{messages} messages")
    wait_until(lambda: session.status().pending == 0, "all to be committed")


def test_readings_of_every_format_reach_the_store(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    now_s = round(time.time(), 3)
    with Publisher(port) as sensors:
        sensors.send(topic("slip-1"), encode_own(now_s, {AIR: 17.4, HUMIDITY: 0.8}, 1))
        sensors.send(topic("slip-2"), encode_senml("slip-2", now_s, {AIR: 17.5}))
        sensors.send(topic("slip-3"), b'{"t": 17.6, "rh": 81}')
        sensors.send("old/logger/4", b"17.7")
        wait_for(store, 6)
    found = {(reading.key.source, reading.key.quantity): reading.value for reading in store.stored}
    assert found == {
        ("slip-1", AIR): 17.4,
        ("slip-1", HUMIDITY): 0.8,
        ("slip-2", AIR): 17.5,
        ("slip-3", AIR): 17.6,
        ("slip-3", HUMIDITY): 0.81,
        ("slip-4", AIR): 17.7,
    }
    wait_for_messages(session, 4)
    assert session.status().rejected == {}
    assert session.status().watermark_s >= now_s


def test_nothing_is_acknowledged_while_the_store_fails_and_all_comes_again(
    port: int, start_session: StartSession
) -> None:
    failing, sound = MemoryStore(), MemoryStore()
    failing.failing = "database or disk is full"
    first = start_session(yard(port), failing)
    with Publisher(port) as sensors:
        for n in range(5):
            sensors.send(topic("slip-1"), own(n, ago_s=n))
        wait_until(lambda: first.status().pending == 5 and failing.attempts > 1, "the store to fail")
    assert first.status().store_error == "database or disk is full"
    first.stop()
    start_session(yard(port), sound)
    wait_for(sound, 5)
    assert sorted(reading.value for reading in sound.stored) == [0, 1, 2, 3, 4]


def test_what_was_committed_is_acknowledged_and_does_not_come_again(
    port: int, start_session: StartSession
) -> None:
    store, later = MemoryStore(), MemoryStore()
    first = start_session(yard(port), store)
    with Publisher(port) as sensors:
        for n in range(5):
            sensors.send(topic("slip-1"), own(n, ago_s=n))
        wait_for(store, 5)
        first.stop()
        sensors.send(topic("slip-1"), own(99))
        start_session(yard(port), later)
        wait_for(later, 1)
    assert [reading.value for reading in later.stored] == [99]


def test_the_store_recovers_and_all_is_committed_in_order(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    store.failing = "the file is read-only"
    woken = threading.Event()
    session = start_session(yard(port), store, on_committed=woken.set)
    before_s = session.watermark_s()
    with Publisher(port) as sensors:
        for n in range(20):
            sensors.send(topic("slip-1"), own(n, ago_s=20 - n))
        wait_until(lambda: session.status().store_error != "", "the failure to show")
        stuck_s = session.watermark_s()
        assert stuck_s >= before_s
        assert not woken.is_set()
        time.sleep(0.05)
        assert session.watermark_s() == stuck_s
        store.failing = None
        wait_for(store, 20)
    wait_until(lambda: session.watermark_s() > stuck_s, "the watermark to move on")
    assert woken.is_set()
    assert session.status().store_error == ""
    assert [reading.value for reading in store.stored] == list(range(20))
    arrivals = [reading.arrived_s for reading in store.stored]
    assert arrivals == sorted(arrivals)


def test_a_locked_database_is_waited_for(
    mosquitto: Mosquitto, start_session: StartSession, tmp_path: Path
) -> None:
    file = tmp_path / "series.sqlite"
    store = SqliteSeriesStore(file, busy_timeout_s=0.05)
    session = start_session(yard(mosquitto.port), store)
    other = sqlite3.connect(file, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Publisher(mosquitto.port) as sensors:
        sensors.send(topic("slip-1"), own(17.4))
        wait_until(lambda: session.status().store_error != "", "the failure to show")
        assert store.last_order() == 0
        other.execute("ROLLBACK")
        other.close()
        wait_until(lambda: store.counts()["stored"] == 1, "the commit")
    assert session.status().store_error == ""
    session.stop()
    store.close()


def test_late_repeated_and_out_of_order_readings_are_stored_once_each(
    port: int, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    messages = [own(n, ago_s=ago_s, sequence=n) for n, ago_s in enumerate((0, 3_600, 30, 86_400, 10))]
    with Publisher(port) as sensors:
        sensors.send_all([(topic("slip-1"), payload) for payload in messages + messages[::-1]])
        wait_for_messages(session, 10)
    assert sorted(reading.value for reading in store.stored) == [0, 1, 2, 3, 4]
    assert all(reading.time_from_device for reading in store.stored)
    assert session.status().counts["repeated"] == 5


def test_repeats_without_a_time_are_known_by_their_sequence(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    with Publisher(port) as sensors:
        for sequence in (1, 1, 2, 2, 1):
            sensors.send(topic("slip-1"), encode_own(None, {AIR: 17.4}, sequence))
        wait_for_messages(session, 5)
    assert [reading.sequence for reading in store.stored] == [1, 2]
    assert session.status().counts["repeated"] == 3


def test_a_heap_of_plain_numbers_loses_none(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    with Publisher(port) as sensors:
        sensors.send_all([("old/logger/4", b"17.4")] * 50)
        wait_for_messages(session, 50)
    assert len(store.stored) == 50
    assert len({reading.time_s for reading in store.stored}) == 50


BAD: list[tuple[str, bytes, str]] = [
    ("slip-1", b"{", "malformed"),
    ("slip-1", b"", "empty"),
    ("slip-1", b"\xff", "not_utf8"),
    ("slip-1", b"[" * 60_000, "too_deep"),
    ("slip-1", b" " * 100_000, "too_large"),
    ("slip-1", b'{"quantities":{"air_temperature":{"value":NaN,"unit":"Cel"}}}', "not_finite"),
    ("slip-1", b'{"quantities":{"air_temperature":{"value":17.4,"unit":"Pa"}}}', "wrong_unit"),
    ("slip-1", b'{"quantities":{"air_temperature":{"value":-300,"unit":"Cel"}}}', "impossible_value"),
    ("slip-77", b"17.4", "unknown_topic"),
]


def test_unreadable_messages_are_kept_counted_and_acknowledged_and_stop_nothing(
    port: int, start_session: StartSession
) -> None:
    store, later = MemoryStore(), MemoryStore()
    session = start_session(yard(port), store)
    with Publisher(port) as sensors:
        for name, payload, _ in BAD:
            sensors.send(topic(name), payload)
        sensors.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)
        wait_for_messages(session, len(BAD) + 1)
        assert session.status().rejected == {reason: 1 for _, _, reason in BAD}
        for (name, payload, reason), kept in zip(BAD, store.kept, strict=True):
            assert kept.topic == topic(name)
            assert kept.payload == payload[:KEPT_PAYLOAD_BYTES]
            assert kept.reason == reason
            assert kept.detail
        session.stop()
        sensors.send(topic("slip-1"), own(17.5))
        start_session(yard(port), later)
        wait_for(later, 1)
    assert later.kept == []


def test_a_message_beyond_the_packet_limit_stops_nothing(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    start_session(yard(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        sensors.send(topic("slip-1"), b" " * 3_000_000)
        sensors.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)


def test_of_a_message_beyond_the_packet_limit_that_old_mqtt_lets_through_the_beginning_is_kept(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store, later = MemoryStore(), MemoryStore()
    settings = yard(mosquitto.port, protocol="3.1.1")
    session = start_session(settings, store)
    with Publisher(mosquitto.port, protocol=mqtt.MQTTv311) as sensors:
        sensors.send(topic("slip-1"), b"7" * 3_000_000)
        sensors.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)
        assert [(kept.reason, len(kept.payload)) for kept in store.kept] == [
            ("too_large", KEPT_PAYLOAD_BYTES)
        ]
        session.stop()
        start_session(settings, later)
        sensors.send(topic("slip-1"), own(17.5))
        wait_for(later, 1)
    assert later.kept == []  # it was acknowledged, so that it does not come again for ever


def test_a_broken_part_of_a_message_is_counted_each_time_and_kept_as_a_sample(
    port: int, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    half = b'{"quantities":{"air_temperature":{"value":%d,"unit":"Cel"},"battery":{"value":3,"unit":"%%"}}}'
    with Publisher(port) as sensors:
        for n in range(3):
            sensors.send(topic("slip-1"), half % n)
        wait_for_messages(session, 3)
    assert [reading.value for reading in store.stored] == [0, 1, 2]
    assert session.status().rejected == {"unknown_quantity": 3}
    assert len(store.kept) == 1


def test_unsound_device_times_give_way_to_the_arrival(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    start_session(yard(port), store)
    before_s = time.time()
    with Publisher(port) as sensors:
        for ago_s in (-3_600.0, 40 * 86_400.0, before_s):
            sensors.send(topic("slip-1"), own(17.4, ago_s=ago_s))
        wait_for(store, 3)
    assert not any(reading.time_from_device for reading in store.stored)
    assert all(before_s - 1 <= reading.time_s <= time.time() + 1 for reading in store.stored)


def test_retained_messages_count_only_with_a_sound_time(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    with Publisher(port) as sensors:
        sensors.send(topic("slip-1"), own(17.4, ago_s=120), retain=True)
        sensors.send(topic("slip-2"), encode_senml("slip-2", None, {AIR: 17.5}), retain=True)
        sensors.send(topic("slip-3"), b"broken", retain=True)
        session = start_session(yard(port), store)
        wait_for_messages(session, 3)
    assert [(reading.key.source, reading.value) for reading in store.stored] == [("slip-1", 17.4)]
    assert session.status().counts["retained_ignored"] == 2
    assert store.kept == []


def test_unprotected_messages_are_read_and_counted(mosquitto: Mosquitto, start_session: StartSession) -> None:
    store = MemoryStore()
    session = start_session(yard(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        sensors.send(topic("slip-1"), own(17.4), qos=0)
        wait_for(store, 1)
    assert session.status().counts["unprotected"] == 1


def test_a_defect_in_one_message_is_kept_and_stops_nothing(port: int, start_session: StartSession) -> None:
    store = MemoryStore()
    settings = yard(port)
    good = SensorCatalogue.from_settings(settings)
    (plan,) = good.topics[topic("slip-2")]
    broken = replace(good, topics={**good.topics, topic("slip-2"): (replace(plan, format="of tomorrow"),)})
    session = start_session(settings, store, catalogue=broken)
    with Publisher(port) as sensors:
        sensors.send(topic("slip-2"), b"17.4")
        sensors.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)
        wait_for_messages(session, 2)
    assert session.status().rejected == {"defect": 1}
    assert [kept.reason for kept in store.kept] == ["defect"]


def test_old_mqtt_works_as_well(mosquitto: Mosquitto, start_session: StartSession) -> None:
    failing, store = MemoryStore(), MemoryStore()
    failing.failing = "away"
    settings = yard(mosquitto.port, protocol="3.1.1")
    first = start_session(settings, failing)
    with Publisher(mosquitto.port, protocol=mqtt.MQTTv311) as sensors:
        for n in range(30):
            sensors.send(topic("slip-1"), own(n, ago_s=n))
    wait_until(lambda: first.status().pending == 30, "all to arrive")
    first.stop()
    start_session(settings, store)
    wait_for(store, 30)
    assert sorted(reading.value for reading in store.stored) == list(range(30))


def listen(client: mqtt.Client, name: str) -> list[bytes]:
    heard: list[bytes] = []
    client.on_message = lambda _c, _d, message: heard.append(message.payload)
    client.subscribe(name, 1)
    return heard


def test_the_service_says_retained_whether_it_is_there(port: int, start_session: StartSession) -> None:
    with Publisher(port) as watcher:
        heard = listen(watcher.client, "dryshift/service/state")
        session = start_session(yard(port), MemoryStore())
        wait_until(lambda: len(heard) == 1, "the birth message")
        session.stop()
        wait_until(lambda: len(heard) == 2, "the goodbye")
    assert [json.loads(payload)["state"] for payload in heard] == ["online", "offline"]


def test_state_can_be_published_and_is_not_taken_for_a_reading(
    port: int, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(yard(port), store)
    assert session.publish("dryshift/ferrymoor/lamp/slip-bay", b'{"lamp": "red"}') is None
    with Publisher(port) as watcher:
        heard = listen(watcher.client, "dryshift/ferrymoor/lamp/slip-bay")
        wait_until(lambda: heard == [b'{"lamp": "red"}'], "the retained state")
        watcher.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)
    assert store.kept == []
    session.stop()
    assert "broker is away" in str(session.publish("dryshift/ferrymoor/lamp/slip-bay", b"{}"))


def retained(port: int, name: str) -> list[bytes]:
    """What the broker hands to somebody who comes now."""
    with Publisher(port) as reader:
        heard = listen(reader.client, name)
        end = listen_end(reader)
        wait_until(end, "the end of what is retained")
        return list(heard)


def listen_end(reader: Publisher) -> Callable[[], bool]:
    """Everything retained has come once a message sent after it has."""
    ended: list[bytes] = []
    reader.client.message_callback_add("end/of/it", lambda _c, _d, message: ended.append(message.payload))
    reader.client.subscribe("end/of/it", 1)
    reader.client.publish("end/of/it", b"end", qos=1)
    return lambda: bool(ended)


def test_a_state_that_expires_is_read_while_it_is_good_and_by_nobody_after(
    port: int, start_session: StartSession
) -> None:
    session = start_session(yard(port), MemoryStore())
    name = "dryshift/ferrymoor/zone/slip-bay/now"
    assert session.publish(name, b'{"level": "safe"}', expires_s=2) is None
    assert session.publish(name + "/kept", b"{}") is None
    assert retained(port, name) == [b'{"level": "safe"}']
    wait_until(lambda: retained(port, name) == [], "the broker to forget it")
    assert retained(port, name + "/kept") == [b"{}"]


def test_old_mqtt_publishes_without_an_expiry(mosquitto: Mosquitto, start_session: StartSession) -> None:
    session = start_session(yard(mosquitto.port, protocol="3.1.1"), MemoryStore())
    name = "dryshift/ferrymoor/zone/slip-bay/now"
    assert session.publish(name, b"{}", expires_s=1) is None
    assert retained(mosquitto.port, name) == [b"{}"]


def test_it_waits_for_a_broker_that_comes_later(mosquitto: Mosquitto, start_session: StartSession) -> None:
    mosquitto.stop()
    store = MemoryStore()
    session = start_session(yard(mosquitto.port), store, wait=False)
    wait_until(lambda: session.status().last_error != "", "the first failure")
    assert f"cannot reach the broker at 127.0.0.1:{mosquitto.port}" in session.status().last_error
    assert not session.status().connected
    mosquitto.start()
    wait_until(lambda: session.status().subscribed, "the session to connect")
    assert session.status().last_error == ""


@pytest.mark.parametrize("how", ["stop", "kill"])
def test_a_broker_that_restarts_loses_nothing_and_doubles_nothing(
    mosquitto: Mosquitto, start_session: StartSession, how: str
) -> None:
    """Nothing is acknowledged before the restart, so the broker delivers all of it again."""
    store = MemoryStore()
    store.failing = "away"
    session = start_session(yard(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        for n in range(10):
            sensors.send(topic("slip-1"), own(n, ago_s=n))
            sensors.send("old/logger/4", b"17.4")
        wait_until(lambda: session.status().pending == 20, "all to arrive")
        if how == "kill":
            wait_until(lambda: mosquitto.saved().count(b"17.4") >= 10, "the broker to save")
        getattr(mosquitto, how)()
        wait_until(lambda: not session.status().connected, "the loss to show")
        assert f"127.0.0.1:{mosquitto.port}" in session.status().last_error
    mosquitto.start()
    wait_until(lambda: session.status().connected, "the session to come back")
    wait_until(lambda: session.status().counts.get("redelivered", 0) == 20, "the broker to deliver again")
    store.failing = None
    wait_for(store, 20)
    wait_until(lambda: session.status().pending == 0, "the commit")
    session.stop()
    later = MemoryStore()
    start_session(yard(mosquitto.port), later)
    with Publisher(mosquitto.port) as sensors:
        sensors.send(topic("slip-1"), own(99))
        wait_for(later, 1)
    assert len(store.stored) == 20
    assert [reading.value for reading in later.stored] == [99]


def test_what_was_committed_while_the_broker_was_away_is_acknowledged_when_it_comes_again(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    store.failing = "away"
    session = start_session(yard(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        for _ in range(10):
            sensors.send("old/logger/4", b"17.4")
        wait_until(lambda: session.status().pending == 10, "all to arrive")
    mosquitto.stop()
    wait_until(lambda: not session.status().connected, "the loss to show")
    store.failing = None
    wait_for(store, 10)
    mosquitto.start()
    wait_until(lambda: session.status().counts.get("redelivered", 0) == 10, "the broker to deliver again")
    assert len(store.stored) == 10
    session.stop()
    later = MemoryStore()
    start_session(yard(mosquitto.port), later)
    with Publisher(mosquitto.port) as sensors:
        sensors.send("old/logger/4", b"99")
        wait_for(later, 1)
    assert [reading.value for reading in later.stored] == [99]


def test_a_broker_that_forgot_the_session_is_given_no_stale_acknowledgement(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    """Message identifiers begin anew then; an old acknowledgement would release a message unread."""
    store = MemoryStore()
    store.failing = "away"
    session = start_session(yard(mosquitto.port), store)
    with Publisher(mosquitto.port) as sensors:
        for n in range(5):
            sensors.send("old/logger/4", b"%d" % n)
        wait_until(lambda: session.status().pending == 5, "all to arrive")
    mosquitto.kill()
    (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)
    mosquitto.start()
    wait_until(lambda: session.status().subscribed, "the session to come back")
    with Publisher(mosquitto.port) as sensors:
        for n in range(5, 10):
            sensors.send("old/logger/4", b"%d" % n)
        wait_until(lambda: session.status().pending == 10, "all to arrive")
        store.failing = None
        wait_for(store, 10)
    assert sorted(reading.value for reading in store.stored) == list(range(10))
    assert session.status().counts.get("redelivered", 0) == 0


def test_a_wrong_password_is_named_with_its_setting(
    tmp_path_factory: pytest.TempPathFactory, start_session: StartSession
) -> None:
    folder = tmp_path_factory.mktemp("closed")
    (folder / "passwords").write_text("")
    with Mosquitto(folder, f"allow_anonymous false\npassword_file {folder}/passwords\n") as broker:
        session = start_session(yard(broker.port, username="x", password="y"), MemoryStore(), wait=False)
        wait_until(lambda: session.status().last_error != "", "the refusal")
        assert "check mqtt.username, mqtt.password" in session.status().last_error
        assert not session.status().connected


def test_another_program_with_the_same_client_id_is_named(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    session = start_session(yard(mosquitto.port), MemoryStore())
    thief = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="dryshift", protocol=mqtt.MQTTv5)
    thief.connect("127.0.0.1", mosquitto.port)
    thief.loop_start()
    # An older broker only ends the connection; a newer one gives the reason (MQTT 5, 0x8E).
    named = re.compile("another program (that )?connects (to .* )?as 'dryshift'")
    wait_until(lambda: named.search(session.status().last_error) is not None, "the hint")
    thief.disconnect()
    thief.loop_stop()


def test_a_refused_subscription_is_said(
    tmp_path_factory: pytest.TempPathFactory, start_session: StartSession
) -> None:
    plugin = dynamic_security()
    folder = tmp_path_factory.mktemp("walled")
    access = {
        "publishClientSend": True,
        "publishClientReceive": True,
        "subscribe": False,
        "unsubscribe": True,
    }
    (folder / "access.json").write_text(json.dumps({"defaultACLAccess": access}))
    extra = f"allow_anonymous true\nplugin {plugin}\nplugin_opt_config_file {folder}/access.json\n"
    with Mosquitto(folder, extra) as broker:
        session = start_session(yard(broker.port), MemoryStore(), wait=False)
        wait_until(lambda: session.status().last_error != "", "the refusal")
        assert "refuses a subscription (dryshift/+/+/+: Not authorized" in session.status().last_error
        assert not session.status().subscribed


def dynamic_security() -> str:
    """Where the broker's package keeps the plugin that can refuse a subscription."""
    found = sorted(Path("/usr").glob("lib/*/mosquitto_dynamic_security.so"))
    if not found:
        pytest.skip("this Mosquitto comes without its dynamic security plugin")
    return str(found[0])


def test_a_store_that_stays_away_does_not_fill_the_memory(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    store.failing = "away"
    session = start_session(yard(mosquitto.port, receive_maximum=20), store)
    with Publisher(mosquitto.port) as sensors:
        sensors.send_all([(topic("slip-1"), own(17.4, ago_s=n)) for n in range(500)])
        wait_until(lambda: session.status().pending >= 20, "the window to fill")
        time.sleep(0.3)
        assert session.status().pending == 20
        store.failing = None
        wait_for(store, 500)
    assert len(store.stored) == 500


def test_a_flood_of_unprotected_messages_is_left_in_the_network(
    mosquitto: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    store.failing = "away"
    session = start_session(yard(mosquitto.port, receive_maximum=20), store)
    with Publisher(mosquitto.port) as sensors:
        for n in itertools.count():
            sensors.client.publish(topic("slip-1"), own(17.4, ago_s=n / 100), qos=0)
            if n > 3_000:
                break
        wait_until(lambda: session.status().pending >= 240, "the limit to be reached")
        time.sleep(0.3)
        assert session.status().pending <= 2 * 20 + 2 * 200
        store.failing = None
        sensors.send(topic("slip-1"), own(99))
        wait_until(lambda: any(reading.value == 99 for reading in store.stored), "the last one")
