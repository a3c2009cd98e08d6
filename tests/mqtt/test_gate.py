"""The embedded broker's gate: who gets in, which topics are theirs, and what strangers can hold."""

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from pydantic import SecretStr

from monitor.mqtt import embedded_broker
from monitor.mqtt import sensor_gate as gate
from monitor.mqtt.broker_rights import asking_rights, lamp_rights, sensor_rights
from monitor.mqtt.certificates import make_certificates
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.mqtt.enrolment import Enrolment
from monitor.mqtt.hearing import Asker, Hearing, NotAskedError
from monitor.mqtt.packets import Cursor, Login, PacketError, Publication, asked_filters, packet, string
from monitor.settings.schema import MqttSection
from tests.brokers import wait_until
from tests.mqtt.conftest import StartSession
from tests.mqtt.test_session import own, yard
from tests.mqtt.yard import UNHURRIED, MemoryStore, topic

NOT_AUTHORISED = 0x87
BOTH = (mqtt.MQTTv5, mqtt.MQTTv311)


@pytest.fixture
def enrolled(tmp_path: Path) -> Iterator[tuple[EmbeddedBroker, Enrolment]]:
    """A broker that lets in whom `dryshift enrol` wrote down: two sensors and a lamp."""
    folder = Enrolment(tmp_path / "access")
    for name in ("slip-1", "slip-2"):
        folder.admit(name, f"{name} word", sensor_rights([topic(name)]))
    folder.admit("lamp-1", "lamp-1 word", lamp_rights(yard(1883)))
    broker = EmbeddedBroker(MqttSection(port=0, access_dir=folder.folder), tmp_path / "broker")
    broker.start()
    yield broker, folder
    broker.stop()


class Client:
    """A client of either version, and what it was answered."""

    def __init__(self, port: int, user: str, version: Any = mqtt.MQTTv5, **how: Any) -> None:
        self.connack: ReasonCode | None = None
        self.codes: dict[int, int] = {}
        self.granted: list[int] = []
        self.got: list[str] = []
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            how.get("client_id", f"of-{user}"),
            protocol=version,
            reconnect_on_failure=False,
        )
        self.client.username_pw_set(user, how.get("password", f"{user} word"))
        if "will" in how:
            self.client.will_set(how["will"], b"{}", 1)
        if "ca" in how:
            self.client.tls_set_context(ssl.create_default_context(cafile=how["ca"]))
        self.client.on_connect = lambda _c, _d, _f, code, _p: setattr(self, "connack", code)
        self.client.on_publish = lambda _c, _d, mid, code, _p: self.codes.update({mid: code.value})
        self.client.on_subscribe = lambda _c, _d, _m, codes, _p: self.granted.extend(c.value for c in codes)
        self.client.on_message = lambda _c, _d, message: self.got.append(message.topic)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        wait_until(lambda: self.connack is not None, "the answer")

    @property
    def let_in(self) -> bool:
        return self.connack is not None and not self.connack.is_failure

    def send(self, name: str, properties: Properties | None = None) -> int:
        mid = self.client.publish(name, own(17.4), qos=1, properties=properties).mid
        wait_until(lambda: mid in self.codes, "the broker's answer")
        return self.codes[mid]

    def subscribe(self, *names: str) -> list[int]:
        before = len(self.granted)
        self.client.subscribe([(name, 1) for name in names])
        wait_until(lambda: len(self.granted) == before + len(names), "the broker's answer")
        return self.granted[before:]

    def __enter__(self) -> "Client":
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def listening(broker: EmbeddedBroker, start: StartSession) -> MemoryStore:
    """The service's own session, which is inside."""
    store, inside = MemoryStore(), broker.inside()
    settings = yard(inside.port)
    start(settings.model_copy(update={"mqtt": inside.model_copy(update={"commit_s": 0.02})}), store)
    return store


@pytest.mark.parametrize("version", BOTH, ids=["5", "3.1.1"])
def test_a_sensor_writes_to_its_own_topic_and_to_no_other_in_both_versions_on_one_port(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession, version: Any
) -> None:
    broker, _ = enrolled
    store = listening(broker, start_session)
    with Client(broker.address[1], "slip-1", version) as sensor:
        foreign = sensor.send(topic("slip-2"))
        assert foreign == (NOT_AUTHORISED if version == mqtt.MQTTv5 else 0)  # 3.1.1 has no word for it
        sensor.send("dryshift/ferrymoor/lamp/slip-bay")
        assert sensor.send(topic("slip-1")) == 0
    wait_until(lambda: len(store.stored) == 1, "the reading")
    assert [reading.key.source for reading in store.stored] == ["slip-1"]
    assert store.kept == []


@pytest.mark.parametrize("version", BOTH, ids=["5", "3.1.1"])
def test_nobody_gets_in_without_a_log_in_of_their_own(
    enrolled: tuple[EmbeddedBroker, Enrolment], version: Any
) -> None:
    port = enrolled[0].address[1]
    for user, password in (("slip-1", "slip-2 word"), ("nobody", "word"), ("", ""), ("inside", "word")):
        with Client(port, user, version, password=password) as stranger:
            assert not stranger.let_in
    with Client(port, "slip-1", version, will="dryshift/service/state") as sensor:
        assert not sensor.let_in
    with Client(port, "slip-1", version, will=f"{topic('slip-1')}/state") as sensor:
        assert sensor.let_in


def test_a_client_id_is_the_log_in_whatever_a_client_says(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession
) -> None:
    broker, _ = enrolled
    store = listening(broker, start_session)
    with (
        Client(broker.address[1], "slip-1", client_id="dryshift") as one,
        Client(broker.address[1], "slip-2", client_id="dryshift") as other,
    ):
        assert [one.send(topic("slip-1")), other.send(topic("slip-2"))] == [0, 0]
        assert one.client.is_connected()
    wait_until(lambda: len(store.stored) >= 1, "a reading")


def test_a_revoked_sensor_is_cut_off_and_a_new_one_let_in_without_a_restart(
    enrolled: tuple[EmbeddedBroker, Enrolment],
) -> None:
    broker, folder = enrolled
    with Client(broker.address[1], "slip-1") as sensor:
        folder.revoke("slip-1")
        wait_until(lambda: not sensor.client.is_connected(), "the end of its connection")
    with Client(broker.address[1], "slip-1") as sensor:
        assert not sensor.let_in
    folder.admit("slip-3", "slip-3 word", sensor_rights([topic("slip-3")]))

    def comes_in() -> bool:
        with Client(broker.address[1], "slip-3") as fresh:
            return fresh.let_in

    wait_until(comes_in, "the new one to be let in")


def test_a_sensor_reads_nothing_and_a_lamp_what_it_shows(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession
) -> None:
    broker, _ = enrolled
    with Client(broker.address[1], "slip-1") as sensor, Client(broker.address[1], "lamp-1") as lamp:
        assert sensor.subscribe("#") == [NOT_AUTHORISED]
        assert sensor.subscribe(topic("slip-2"), topic("slip-1")) == [NOT_AUTHORISED] * 2
        assert lamp.subscribe("dryshift/+/lamp/+", "dryshift/service/state") == [1, 1]
        assert lamp.subscribe("$share/a/dryshift/#") == [NOT_AUTHORISED]
        assert lamp.send("dryshift/ferrymoor/lamp/slip-bay") == NOT_AUTHORISED


def test_a_topic_alias_smuggles_nothing_past_the_list(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession
) -> None:
    """MQTT 5, 3.3.2.3.4: a number stands for the topic that was last sent with it."""
    broker, _ = enrolled
    store = listening(broker, start_session)
    alias = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    alias.TopicAlias = 1
    with Client(broker.address[1], "slip-1") as sensor:
        assert sensor.send(topic("slip-1"), alias) == 0
        assert sensor.send(topic("slip-2"), alias) == NOT_AUTHORISED
        raw = string(b"") + b"\x00\x09" + b"\x03\x23\x00\x01" + own(99.0)
        sensor.client.socket().sendall(packet(0x32, raw))  # type: ignore[union-attr]
        sensor.client.publish(topic("slip-1"), own(18.0), qos=1).wait_for_publish(10)
    wait_until(lambda: len(store.stored) >= 1, "the readings")
    assert {reading.key.source for reading in store.stored} == {"slip-1"}
    assert 99.0 not in [reading.value for reading in store.stored]


def test_hoarded_connections_keep_no_sensor_out_and_are_closed_in_time(
    enrolled: tuple[EmbeddedBroker, Enrolment], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "MOST_CONNECTIONS", 20)
    monkeypatch.setattr(gate, "MOST_BY_ADDRESS", 20)
    port = enrolled[0].address[1]
    with contextlib.ExitStack() as stack:
        hoard = [stack.enter_context(socket.create_connection(("127.0.0.1", port))) for _ in range(60)]
        for one in hoard[::2]:
            with contextlib.suppress(OSError):
                one.sendall(b"\x10")
        with Client(port, "slip-1") as sensor:
            assert sensor.send(topic("slip-1")) == 0
        ends = time.monotonic() + 3 * gate.HEAD_S
        for one in hoard:
            one.settimeout(max(ends - time.monotonic(), 0.1))
            with contextlib.suppress(ConnectionError):
                assert one.recv(1) == b""


def test_all_places_taken_by_sensors_leave_them_theirs(
    enrolled: tuple[EmbeddedBroker, Enrolment], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate, "MOST_CONNECTIONS", 1)
    port = enrolled[0].address[1]
    with Client(port, "slip-1") as sensor:
        with socket.create_connection(("127.0.0.1", port)) as late, contextlib.suppress(ConnectionError):
            late.settimeout(10)
            assert late.recv(1) == b""
        assert sensor.send(topic("slip-1")) == 0


def test_what_check_asks_is_heard_by_the_service_inside_and_is_no_reading(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession
) -> None:
    broker, folder = enrolled
    folder.admit("dryshift-check", "word", asking_rights(yard(1883)))
    store = listening(broker, start_session)
    asks = MqttSection(check_username="dryshift-check", check_password=SecretStr("word"))
    topics = (topic("slip-1"), "old/logger/4")

    def asked() -> dict[str, Hearing]:
        try:
            with Asker(asks, ("0.0.0.0", broker.address[1]), 10.0) as asker:
                return asker.ask(topics)
        except NotAskedError:
            return {}

    wait_until(lambda: set(asked().values()) == {Hearing.HEARD}, "the answers")
    assert (store.stored, store.kept) == ([], [])


@pytest.mark.parametrize(
    "said",
    [
        b"\x10\xff\xff\xff\x7f",  # a log-in of 256 MB
        b"\x10\xff\xff\xff\xff\x01",
        b"GET / HTTP/1.1\r\n\r\n",
        b"\x30\x03\x00\x01a",  # a message before a log-in
        packet(0x10, string(b"MQTT") + b"\x09\xc2\x00\x3c" + bytes(40)),
        packet(0x10, string(b"MQTT") + b"\x04\xc2\x00\x3c" + b"\xff\xff"),
        bytes(100),
    ],
)
def test_what_is_no_log_in_is_closed_and_harms_nobody(
    enrolled: tuple[EmbeddedBroker, Enrolment], said: bytes
) -> None:
    port = enrolled[0].address[1]
    with socket.create_connection(("127.0.0.1", port)) as stranger:
        stranger.settimeout(5)
        stranger.sendall(said)
        with contextlib.suppress(ConnectionError):
            assert stranger.recv(64) in (b"", packet(0x20, b"\x00\x05"))
    with Client(port, "slip-1") as sensor:
        assert sensor.send(topic("slip-1")) == 0


def test_the_port_is_encrypted_where_the_shop_has_an_authority(
    tmp_path: Path, start_session: StartSession
) -> None:
    folder = Enrolment(tmp_path / "access")
    folder.admit("slip-1", "slip-1 word", sensor_rights([topic("slip-1")]))
    make_certificates(folder.folder, ("127.0.0.1",), time.time())
    ca = folder.folder / "ca.crt"
    broker = EmbeddedBroker(MqttSection(port=0, access_dir=folder.folder, ca_file=ca), tmp_path)
    broker.start()
    try:
        store = listening(broker, start_session)
        with Client(broker.address[1], "slip-1", ca=ca) as sensor:
            assert sensor.send(topic("slip-1")) == 0
        wait_until(lambda: len(store.stored) == 1, "the reading")
        with socket.create_connection(broker.address) as plain, contextlib.suppress(ConnectionError):
            plain.settimeout(gate.HEAD_S * 2)
            plain.sendall(packet(0x10, string(b"MQTT") + b"\x04\x02\x00\x3c" + string(b"x")))
            assert plain.recv(64)[:1] != b"\x20"
    finally:
        broker.stop()


def test_the_broker_comes_back_where_the_service_looks_for_it(
    enrolled: tuple[EmbeddedBroker, Enrolment], start_session: StartSession
) -> None:
    broker, _ = enrolled
    store = listening(broker, start_session)
    before = broker.inside()
    broker.stop()
    assert not broker.is_healthy()
    broker._settings = broker._settings.model_copy(update={"port": broker.address[1]})
    broker.start()
    assert broker.inside() == before
    wait_until(broker.is_healthy, "the broker")

    def heard() -> bool:
        with Client(broker.address[1], "slip-1") as sensor:
            sensor.send(topic("slip-1"))
        return bool(store.stored)

    wait_until(heard, "the service to be there again")


def test_a_port_taken_between_its_choice_and_its_use_does_not_keep_the_broker_from_starting(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    broker = EmbeddedBroker(MqttSection(port=0, access_dir=tmp_path / "access"), tmp_path / "broker")
    choose = embedded_broker._free_places
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[:2]
        choices = iter([dict.fromkeys(choose(), taken), choose()])
        monkeypatch.setattr(embedded_broker, "_free_places", lambda: next(choices))
        broker.start()
    try:
        assert broker.inside().port != taken[1]
        wait_until(broker.is_healthy, "the broker")
    finally:
        broker.stop()


LEVELS = st.sampled_from([4, 5])
NAMES = st.text(st.characters(codec="utf-8", exclude_characters="\0"), max_size=20)


@UNHURRIED
@given(
    LEVELS, st.integers(0, 65535), NAMES, NAMES, NAMES, st.none() | st.tuples(NAMES, st.binary(max_size=9))
)
def test_a_log_in_that_is_written_anew_says_the_same_but_who(
    level: int, keepalive_s: int, client_id: str, user: str, password: str, will: tuple[str, bytes] | None
) -> None:
    flags = 0xC0 | (0x0C if will else 0)
    body = string(b"MQTT") + bytes((level, flags)) + keepalive_s.to_bytes(2, "big")
    body += b"\x05\x11\x00\x00\x00\x3c" if level == 5 else b""
    body += string(client_id.encode())
    if will:
        body += (b"\x00" if level == 5 else b"") + string(will[0].encode()) + string(will[1])
    body += string(user.encode()) + string(password.encode())
    login = Login(body)
    assert (login.username, login.password, login.client_id) == (user, password, client_id)
    anew = login.written("inside", "word", "slip-1")
    read = Cursor(anew[1:])
    again = Login(read.take(read.number()))
    assert (again.username, again.password, again.client_id) == ("inside", "word", "slip-1")
    assert (again.level, again.keepalive_s, again.will_topic) == (
        level,
        keepalive_s,
        will[0] if will else None,
    )
    same = login.written(user, password, None)
    read = Cursor(same[1:])
    assert read.take(read.number()) == body


@UNHURRIED
@given(st.binary(max_size=60), LEVELS, st.integers(0x30, 0x3F))
def test_whatever_bytes_come_are_read_or_refused(data: bytes, level: int, head: int) -> None:
    for read in (
        lambda: Login(data),
        lambda: Publication(head, data, level, {}),
        lambda: asked_filters(data, level),
    ):
        with contextlib.suppress(PacketError):
            read()


def test_the_gate_ends_with_its_threads(tmp_path: Path) -> None:
    before = threading.active_count()
    broker = EmbeddedBroker(MqttSection(port=0), tmp_path)
    broker.start()
    with socket.create_connection(broker.address):
        broker.stop()
    wait_until(lambda: threading.active_count() <= before, "the threads to end")
