"""The embedded broker: starts on a free or given port, asks for a log-in, ends with its parent."""

import contextlib
import os
import socket
import subprocess
import sys
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from pydantic import SecretStr, ValidationError

from monitor.model.errors import InputError
from monitor.mqtt.embedded_broker import EmbeddedBroker
from monitor.settings.schema import MqttSection
from tests.brokers import Publisher, wait_until
from tests.mqtt.conftest import StartSession
from tests.mqtt.test_session import own, wait_for, yard
from tests.mqtt.yard import MemoryStore, topic
from tests.ports import free_port

ROOT = Path(__file__).resolve().parents[2]


def test_it_starts_on_a_free_port_answers_and_stops(tmp_path: Path) -> None:
    broker = EmbeddedBroker(MqttSection(port=0), tmp_path)
    assert not broker.is_healthy()
    broker.start()
    host, port = broker.address
    assert (host, port > 0) == ("127.0.0.1", True)
    assert broker.is_healthy()
    broker.stop()
    assert not broker.is_healthy()
    assert list(tmp_path.iterdir()) == []


def test_it_listens_everywhere_when_asked_and_is_met_at_home(tmp_path: Path) -> None:
    broker = EmbeddedBroker(MqttSection(host="0.0.0.0", port=0), tmp_path)
    broker.start()
    assert broker.address[0] == "127.0.0.1"
    assert broker.is_healthy()
    broker.stop()


NO_WELCOME = {"nothing": b"", "a start": b"\x20", "a refusal": b"\x20\x02\x00\x05", "zeros": bytes(64)}


@pytest.mark.parametrize("says", NO_WELCOME.values(), ids=NO_WELCOME.keys())
def test_what_lets_no_client_in_is_not_healthy_and_holds_nobody_up(says: bytes, tmp_path: Path) -> None:
    """CONNACK with reason 5 is a refusal (MQTT 3.1.1, table 3.1)."""
    broker = EmbeddedBroker(MqttSection(port=0, protocol="3.1.1"), tmp_path)
    broker.start()
    with socket.create_server(("127.0.0.1", 0)) as hung:
        broker._inside = {4: hung.getsockname()}
        answering = threading.Thread(target=lambda: _say(hung, says))
        answering.start()
        assert not broker.is_healthy(timeout_s=0.3)
        answering.join()
    broker.stop()


def _say(server: socket.socket, says: bytes) -> None:
    peer, _ = server.accept()
    with peer, contextlib.suppress(ConnectionError):
        peer.sendall(says)
        while peer.recv(1024):
            continue


def test_it_can_be_stopped_twice_and_started_again_on_its_port(tmp_path: Path) -> None:
    broker = EmbeddedBroker(MqttSection(port=free_port()), tmp_path)
    for _ in range(2):
        broker.start()
        assert broker.is_healthy()
        broker.stop()
        broker.stop()


def test_a_sensor_that_speaks_an_older_mqtt_is_heard_on_the_second_port(tmp_path: Path) -> None:
    broker = EmbeddedBroker(MqttSection(port=0, port_311=0), tmp_path)
    broker.start()
    assert broker.port_311 is not None
    got: list[bytes] = []
    reader = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    reader.on_connect = lambda client, *_: client.subscribe("yard/#", qos=1)
    reader.on_subscribe = lambda *_: got.append(b"")
    reader.on_message = lambda _client, _data, message: got.append(message.payload)
    reader.connect(*broker.address)
    reader.loop_start()
    wait_until(lambda: got == [b""], "subscribed")
    sensor = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv311)
    sensor.connect(broker.address[0], broker.port_311)
    sensor.loop_start()
    sensor.publish("yard/bay-1", b"21.4", qos=1)
    wait_until(lambda: got == [b"", b"21.4"], "the reading")
    for client in (sensor, reader):
        client.disconnect()
        client.loop_stop()
    broker.stop()


def test_the_second_port_is_refused_where_it_could_not_serve() -> None:
    with pytest.raises(ValidationError, match="port_311 is for broker"):
        MqttSection(broker="external", port_311=1884)
    with pytest.raises(ValidationError, match="choose another, such as 1884"):
        MqttSection(port=1883, port_311=1883)


def test_a_port_that_is_taken_is_named_with_what_to_do(tmp_path: Path) -> None:
    first = EmbeddedBroker(MqttSection(port=0), tmp_path)
    first.start()
    second = EmbeddedBroker(MqttSection(port=first.address[1]), tmp_path)
    with pytest.raises(InputError) as caught:
        second.start()
    first.stop()
    (fault,) = caught.value.faults
    assert (fault.field, fault.value) == ("mqtt.host and port", f"127.0.0.1:{first.address[1]}")
    assert 'choose another port or 0 for any free one, or set mqtt.broker = "external"' in fault.fix


def test_a_host_that_is_no_address_of_this_machine_is_named(tmp_path: Path) -> None:
    for host in ("nowhere.invalid", "192.0.2.1"):
        with pytest.raises(InputError, match=r"mqtt\.host"):
            EmbeddedBroker(MqttSection(host=host, port=0), tmp_path).start()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_it_asks_for_the_log_in_of_the_settings(
    tmp_path: Path, start_session: StartSession, protocol: str
) -> None:
    login = {"username": "yard", "password": SecretStr('a "quoted" \\ word'), "protocol": protocol}
    version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
    broker = EmbeddedBroker(MqttSection(port=0, **login), tmp_path)
    broker.start()
    assert broker.is_healthy()
    (file,) = tmp_path.iterdir()
    assert file.stat().st_mode & 0o077 == 0
    port = broker.address[1]
    store = MemoryStore()
    session = start_session(yard(port, **login), store)
    with Publisher(port, protocol=version, username="yard", password='a "quoted" \\ word') as sensors:
        sensors.send(topic("slip-1"), own(17.4))
        wait_for(store, 1)
    stranger = start_session(yard(port, protocol=protocol, client_id="stranger"), MemoryStore(), wait=False)
    wait_until(lambda: stranger.status().last_error != "", "the refusal")
    assert not stranger.status().connected
    session.stop()
    stranger.stop()
    broker.stop()


def test_it_ends_when_its_parent_is_killed() -> None:
    program = (
        "import sys, threading\n"
        "from monitor.mqtt.embedded_broker import EmbeddedBroker\n"
        "from monitor.settings.schema import MqttSection\n"
        "broker = EmbeddedBroker(MqttSection(port=0))\n"
        "broker.start()\n"
        "print(broker.address[1], flush=True)\n"
        "threading.Event().wait()\n"
    )
    environment = os.environ | {"PYTHONPATH": str(ROOT)}
    parent = subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, env=environment)
    assert parent.stdout is not None
    port = int(parent.stdout.readline())
    parent.kill()
    parent.wait(10)
    parent.stdout.close()

    def is_free() -> bool:
        try:
            broker = EmbeddedBroker(MqttSection(port=port))
            broker.start()
        except InputError:
            return False
        broker.stop()
        return True

    wait_until(is_free, "the port to be free again")
