"""The Mosquitto configuration in deploy/: encrypted, a log-in each, every sensor on its own topic."""

import re
import shutil
import ssl
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from pydantic import SecretStr

from monitor.model.errors import InputError
from monitor.mqtt.encode import encode_own
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from tests.brokers import HOST, Mosquitto, wait_until
from tests.clocks import ManualClock
from tests.mqtt.conftest import StartSession
from tests.mqtt.test_session import yard
from tests.mqtt.yard import AIR, MemoryStore, topic

DEPLOY = Path(__file__).resolve().parents[2] / "deploy" / "mosquitto"
PASSWD = shutil.which("mosquitto_passwd")
USERS = ("dryshift", "slip-1")
pytestmark = pytest.mark.skipif(
    shutil.which("openssl") is None or PASSWD is None, reason="openssl or mosquitto_passwd is not installed"
)


@pytest.fixture(scope="module")
def deployed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Mosquitto]:
    """The broker as the steps of the README leave it, with its paths below a folder of the test."""
    etc = tmp_path_factory.mktemp("etc")
    subprocess.run([DEPLOY / "make-certificates.sh", etc, "broker.example"], check=True, capture_output=True)
    shutil.copy(DEPLOY / "access.example", etc / "access")
    (etc / "access").chmod(0o600)
    (etc / "passwords").touch(0o600)
    for user in USERS:
        subprocess.run([str(PASSWD), "-b", str(etc / "passwords"), user, f"{user} secret"], check=True)
    text = (DEPLOY / "dryshift.conf").read_text(encoding="utf-8").replace("/etc/mosquitto/dryshift", str(etc))
    broker = Mosquitto(etc, re.sub(r"(?m)^listener 8883$", "", text), host="")
    with broker:
        yield broker


def service(broker: Mosquitto, **changes: object) -> dict[str, object]:
    login = {"username": "dryshift", "password": SecretStr("dryshift secret")}
    return login | {"ca_file": broker.folder / "ca.crt"} | changes


class Sensor:
    """An encrypted client with a log-in."""

    def __init__(self, broker: Mosquitto, user: str) -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self.client.username_pw_set(user, f"{user} secret")
        self.client.tls_set_context(ssl.create_default_context(cafile=broker.folder / "ca.crt"))
        self.client.connect(HOST, broker.port)
        self.client.loop_start()

    def send(self, name: str, value: float) -> None:
        payload = encode_own(round(time.time(), 3), {AIR: value})
        self.client.publish(topic(name), payload, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def test_a_sensor_reaches_the_service_on_its_own_topic_and_on_no_other(
    deployed: Mosquitto, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(yard(deployed.port, **service(deployed)), store)
    slip_1 = Sensor(deployed, "slip-1")
    slip_1.send("slip-2", 1.0)
    slip_1.send("slip-1", 2.0)
    wait_until(lambda: len(store.stored) == 1, "the reading")
    slip_1.close()
    assert [(reading.key.source, reading.value) for reading in store.stored] == [("slip-1", 2.0)]
    assert session.status().counts["messages"] == 1
    assert session.publish("dryshift/ferrymoor/lamp/slip-bay", b"{}") is None


def test_a_thousand_encrypted_messages_come_through_without_a_pause(
    deployed: Mosquitto, start_session: StartSession
) -> None:
    """What the encryption layer has already read does not show on the socket."""
    store = MemoryStore()
    start_session(yard(deployed.port, **service(deployed)), store)
    slip_1 = Sensor(deployed, "slip-1")
    now_s = round(time.time(), 3)
    for n in range(1_000):
        slip_1.client.publish(topic("slip-1"), encode_own(now_s - n, {AIR: 17.4}), qos=1)
    wait_until(lambda: len(store.stored) == 1_000, "all of them")
    slip_1.close()


def last_error(session: IngestSession) -> str:
    wait_until(lambda: session.status().last_error != "", "the refusal")
    return session.status().last_error


def test_nobody_gets_in_without_a_log_in(deployed: Mosquitto, start_session: StartSession) -> None:
    settings = yard(deployed.port, ca_file=deployed.folder / "ca.crt")
    session = start_session(settings, MemoryStore(), wait=False)
    assert "check mqtt.username, mqtt.password" in last_error(session)


def test_nobody_gets_in_without_encryption(deployed: Mosquitto, start_session: StartSession) -> None:
    settings = yard(deployed.port, **service(deployed, ca_file=None))
    session = start_session(settings, MemoryStore(), wait=False)
    assert "was lost" in last_error(session)


# The client library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket")
def test_a_broker_with_the_certificate_of_another_name_is_not_trusted(
    deployed: Mosquitto, start_session: StartSession
) -> None:
    settings = yard(deployed.port, **service(deployed))
    session = start_session(settings, MemoryStore(), wait=False, address=("127.0.0.2", deployed.port))
    assert "certificate" in last_error(session)


def test_a_certificate_file_that_is_none_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    (tmp_path / "ca.crt").write_text("nothing of the kind")
    settings, store = yard(1883, ca_file=tmp_path / "ca.crt"), MemoryStore()
    with pytest.raises(InputError, match=r"mqtt\.ca_file.*cannot be used"):
        IngestSession(settings.mqtt, SensorCatalogue.from_settings(settings), store, ManualClock())


def test_the_certificates_can_be_renewed_under_the_same_authority(tmp_path: Path) -> None:
    script = DEPLOY / "make-certificates.sh"
    subprocess.run([script, tmp_path, "one.example"], check=True, capture_output=True)
    authority, old = (tmp_path / "ca.crt").read_bytes(), (tmp_path / "server.crt").read_bytes()
    subprocess.run([script, tmp_path, "two.example"], check=True, capture_output=True)
    assert (tmp_path / "ca.crt").read_bytes() == authority
    assert (tmp_path / "server.crt").read_bytes() != old
    assert (tmp_path / "ca.key").stat().st_mode & 0o077 == 0
