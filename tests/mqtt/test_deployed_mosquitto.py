"""The Mosquitto configuration in deploy/, with log-ins that `dryshift enrol` made: who may do what."""

import shutil
import subprocess
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from paho.mqtt.subscribeoptions import SubscribeOptions

from monitor.model.errors import InputError
from monitor.mqtt.access_list import AccessList
from monitor.mqtt.encode import encode_own
from monitor.mqtt.password_file import hashed, is_password, read_passwords, written_passwords
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.session import IngestSession
from monitor.settings.schema import Settings
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.clocks import ManualClock
from tests.mqtt.conftest import StartSession
from tests.mqtt.deployed import DEPLOY, Deployed
from tests.mqtt.test_session import yard
from tests.mqtt.yard import AIR, MemoryStore, topic

NOT_AUTHORISED = 0x87  # MQTT 5, section 2.4
pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")


@pytest.fixture(scope="module")
def deployed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Deployed]:
    """The broker as the steps of its README leave it, with its paths below a folder of the test."""
    at = Deployed(tmp_path_factory.mktemp("etc"))
    with at.broker:
        for name in ("slip-1", "slip-bay", "slip-4"):
            at.sensor(name)
        yield at


def changed(at: Deployed, **mqtt: object) -> Settings:
    settings = at.settings()
    return settings.model_copy(update={"mqtt": settings.mqtt.model_copy(update=mqtt)})


def test_a_sensor_reaches_the_service_on_its_own_topic_and_on_no_other(
    deployed: Deployed, start_session: StartSession
) -> None:
    store = MemoryStore()
    session = start_session(deployed.settings(), store)
    with deployed.login("slip-1") as slip_1:
        assert slip_1.send(topic("slip-2")) == NOT_AUTHORISED
        assert slip_1.send("dryshift/service/state", b'{"state": "offline"}') == NOT_AUTHORISED
        assert slip_1.send(f"{topic('slip-1')}/state", b'{"state": "online"}') == 0
        assert slip_1.send(topic("slip-1")) == 0
    wait_until(lambda: len(store.stored) == 1, "the reading")
    assert [reading.key.source for reading in store.stored] == ["slip-1"]
    assert session.status().counts["messages"] == 1
    assert session.publish("dryshift/ferrymoor/lamp/slip-bay", b"{}") is None


def test_a_sensor_that_is_named_like_a_zone_cannot_set_its_lamp(deployed: Deployed) -> None:
    with deployed.login("slip-bay") as sensor:
        assert sensor.send("dryshift/ferrymoor/lamp/slip-bay", b'{"level": "safe"}') == NOT_AUTHORISED
        assert sensor.send(topic("slip-bay")) == 0


def test_a_pattern_instead_of_lines_would_have_let_it_set_the_lamp() -> None:
    """Why the list has no pattern: this is what it allowed."""
    listed = AccessList("pattern write dryshift/+/+/%u\n")
    assert listed.allows("slip-bay", "write", "dryshift/ferrymoor/lamp/slip-bay")


def test_a_sensors_password_with_the_services_client_id_takes_nothing_over(
    deployed: Deployed, start_session: StartSession
) -> None:
    """Measured before client ids were tied to log-ins: 0 of 300 readings stored."""
    first, store = MemoryStore(), MemoryStore()
    start_session(deployed.settings(), first).stop()
    now_s = round(time.time(), 3)
    with deployed.login("slip-1") as sensor:
        for n in range(300):
            sensor.client.publish(topic("slip-1"), encode_own(now_s - n, {AIR: 17.4}), qos=1)
        sensor.send(topic("slip-1"), encode_own(now_s - 300, {AIR: 17.4}))
    with deployed.login("slip-1", client_id="dryshift", clean_start=True) as thief:
        assert thief.send(topic("slip-2")) == NOT_AUTHORISED
    start_session(deployed.settings(), store)
    wait_until(lambda: len(store.stored) == 301, "all that waited")


def test_a_sensors_password_with_the_services_client_id_does_not_end_its_connection(
    deployed: Deployed, start_session: StartSession
) -> None:
    session = start_session(deployed.settings(), MemoryStore())
    since_s = session.status().since_s
    with deployed.login("slip-1", client_id="dryshift") as thief:
        thief.send(topic("slip-1"))
    assert session.status().connected
    assert session.status().since_s == since_s


def test_a_thousand_encrypted_messages_come_through_without_a_pause(
    deployed: Deployed, start_session: StartSession
) -> None:
    """What the encryption layer has already read does not show on the socket."""
    store = MemoryStore()
    start_session(deployed.settings(), store)
    now_s = round(time.time(), 3)
    with deployed.login("slip-1") as slip_1:
        for n in range(1_000):
            slip_1.client.publish(topic("slip-1"), encode_own(now_s - 400 - n, {AIR: 17.4}), qos=1)
        wait_until(lambda: len(store.stored) >= 1_000, "all of them")


def last_error(session: IngestSession) -> str:
    wait_until(lambda: session.status().last_error != "", "the refusal")
    return session.status().last_error


def test_nobody_gets_in_without_a_log_in(deployed: Deployed, start_session: StartSession) -> None:
    settings = changed(deployed, username=None, password=None)
    session = start_session(settings, MemoryStore(), wait=False)
    assert "check mqtt.username, mqtt.password" in last_error(session)


def test_nobody_gets_in_without_encryption(deployed: Deployed, start_session: StartSession) -> None:
    session = start_session(changed(deployed, ca_file=None), MemoryStore(), wait=False)
    assert "was lost" in last_error(session)


# The client library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket")
def test_a_broker_with_the_certificate_of_another_name_is_not_trusted(
    deployed: Deployed, start_session: StartSession
) -> None:
    elsewhere = ("127.0.0.2", deployed.broker.port)
    session = start_session(deployed.settings(), MemoryStore(), wait=False, address=elsewhere)
    assert session.status().connected is False
    assert last_error(session)


def test_a_certificate_file_that_is_none_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    (tmp_path / "ca.crt").write_text("nothing of the kind")
    settings, store = yard(1883, ca_file=tmp_path / "ca.crt"), MemoryStore()
    with pytest.raises(InputError, match=r"mqtt\.ca_file.*cannot be used"):
        IngestSession(settings.mqtt, SensorCatalogue.from_settings(settings), store, ManualClock())


@pytest.fixture(params=["exact", "pattern", "client", "deny", "nobody"])
def listed(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[AccessList, Mosquitto]]:
    """Each of the lists, and a Mosquitto that goes by it."""
    text = f"{LISTS[request.param]}user all\ntopic readwrite #\n"
    (tmp_path / "access").write_text(text)
    (tmp_path / "passwords").write_text(written_passwords({one: hashed("word") for one in (*ASKED, "all")}))
    for name in ("access", "passwords"):
        (tmp_path / name).chmod(0o600)
    files = f"password_file {tmp_path}/passwords\nacl_file {tmp_path}/access\n"
    with Mosquitto(tmp_path, f"use_username_as_clientid true\nallow_anonymous false\n{files}") as broker:
        yield AccessList(text), broker


ASKED = ("slip-1", "gate", "nobody")
TOPICS = ("dryshift/f/b/slip-1", "dryshift/f/b/gate", "dryshift/f/lamp/b", "a b/c", "old/gate/4", "old")
LISTS = {
    "exact": "user slip-1\ntopic write dryshift/f/b/slip-1\n"
    "user gate\ntopic readwrite old/#\ntopic readwrite a b/c\n",
    "pattern": "pattern write dryshift/+/+/%u\nuser gate\ntopic read dryshift/#\n",
    "client": "user gate\ntopic write dryshift/f/b/+\n"
    "pattern write old/%c/#\npattern write dryshift/f/b/%c\n",
    "deny": "user slip-1\ntopic deny dryshift/f/b/gate\ntopic readwrite dryshift/#\n# topic write old/#\n",
    "nobody": "topic readwrite #\nuser slip-1\ntopic write +/+/+\n",
}


def test_the_list_is_read_as_mosquitto_reads_it(listed: tuple[AccessList, Mosquitto]) -> None:
    said, broker = listed
    with Publisher(broker.port, username="all", password="word") as everything:
        for login in ASKED:
            got: list[str] = []
            taken: dict[int, int] = {}
            with Publisher(broker.port, username=login, password="word") as client:
                ready = threading.Event()
                client.client.on_subscribe = lambda *_, ready=ready: ready.set()
                client.client.on_message = lambda _c, _d, m, got=got: got.append(m.topic)
                client.client.on_publish = lambda _c, _d, mid, code, _p, taken=taken: taken.update(
                    {mid: code.value}
                )
                options = SubscribeOptions(qos=1, noLocal=True)
                client.client.subscribe([("#", options)])
                ready.wait(10)
                everything.send_all([(name, b"{}") for name in TOPICS])
                mids = {name: client.client.publish(name, b"{}", qos=1).mid for name in TOPICS}
                wait_until(lambda: len(taken) == len(TOPICS), "all answers")  # noqa: B023
                client.send("the/end", b"")
            writes = {name for name in TOPICS if taken[mids[name]] != NOT_AUTHORISED}
            assert writes == {name for name in TOPICS if said.allows(login, "write", name)}, login
            assert set(got) == {name for name in TOPICS if said.allows(login, "read", name)}, login


def test_mosquitto_passwd_and_we_write_one_format(tmp_path: Path) -> None:
    file = tmp_path / "passwords"
    file.touch(0o600)
    subprocess.run(["mosquitto_passwd", "-b", file, "slip-1", "a word"], check=True)
    (said,) = read_passwords(file.read_text()).values()
    assert is_password("a word", said)
    assert not is_password("another", said)
    assert said.split("$")[1:3] == hashed("a word").split("$")[1:3]
    assert not any(is_password("a word", one) for one in ("", "$7$101$x$y", "$6$salt$hash", said[:-4]))


@pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
def test_the_proxys_certificates_can_be_renewed_under_the_same_authority(tmp_path: Path) -> None:
    script = DEPLOY / "make-certificates.sh"
    subprocess.run([script, tmp_path, "one.example"], check=True, capture_output=True)
    authority, old = (tmp_path / "ca.crt").read_bytes(), (tmp_path / "server.crt").read_bytes()
    subprocess.run([script, tmp_path, "two.example"], check=True, capture_output=True)
    assert (tmp_path / "ca.crt").read_bytes() == authority
    assert (tmp_path / "server.crt").read_bytes() != old
    assert (tmp_path / "ca.key").stat().st_mode & 0o077 == 0
