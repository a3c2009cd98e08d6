"""`dryshift enrol` and what `dryshift check` asks, against a real Mosquitto of deploy/."""

import re
import socket
import stat
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from monitor.mqtt import certificates, enrolment
from monitor.mqtt.access_list import AccessList
from monitor.mqtt.encode import encode_own
from monitor.mqtt.enrolment import CERTIFICATE, Enrolment, reload_broker
from monitor.store.folder_lock import hold
from tests.brokers import MOSQUITTO, wait_until
from tests.mqtt.conftest import StartSession
from tests.mqtt.deployed import Deployed
from tests.mqtt.yard import AIR, MemoryStore, topic

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def at(tmp_path: Path) -> Iterator[Deployed]:
    """A broker of deploy/ with log-ins for the service and the commands, and no sensor enrolled yet."""
    deployed = Deployed(tmp_path)
    with deployed.broker:
        yield deployed


def test_what_is_printed_once_lets_the_sensor_in_and_is_nowhere_kept(at: Deployed) -> None:
    said = at.enrol("sensor", str(at.file), "slip-1", "--out", str(at.folder / "out"))
    assert said.exit_code == 0, said.output
    assert "slip-1: tried at the broker; it takes its own topics and no others" in said.output
    assert "█" in said.output
    (word,) = re.findall(r'"password":"([^"]+)"', said.output)
    with at.login("slip-1", password=word) as sensor:
        assert sensor.send(topic("slip-1")) == 0
    kept = {file for file in at.folder.rglob("*") if file.is_file() and word.encode() in file.read_bytes()}
    assert kept == {at.folder / "out" / "slip-1.json"}
    assert (at.folder / "out" / "slip-1.json").stat().st_mode & 0o077 == 0


def test_a_renewed_password_ends_the_old_one_and_only_where_it_was_asked_for(at: Deployed) -> None:
    at.sensor("slip-1")
    old = at.passwords["slip-1"]
    again = at.enrol("sensor", str(at.file), "slip-1")
    assert (again.exit_code, "--renew makes a new password" in again.stderr) == (2, True)
    with at.login("slip-1", password=old) as sensor:
        assert sensor.send(topic("slip-1")) == 0
    at.sensor("slip-1", "--renew")
    with at.login("slip-1", password=old) as sensor:
        assert sensor.refusal == "Not authorized"
    with at.login("slip-1") as sensor:
        assert sensor.send(topic("slip-1")) == 0


def test_a_revoked_sensor_is_cut_off_at_once_and_comes_in_no_more(at: Deployed) -> None:
    at.sensor("slip-1")
    with at.login("slip-1") as sensor:
        assert sensor.send(topic("slip-1")) == 0
        assert "slip-1: is let in no more." in at.enrol("revoke", str(at.file), "slip-1").output
        wait_until(lambda: not sensor.client.is_connected(), "the broker to end the connection")
    with at.login("slip-1") as sensor:
        assert sensor.refusal == "Not authorized"
    assert "slip-1: was not known." in at.enrol("revoke", str(at.file), "slip-1").output
    listed = at.enrol("list", str(at.file)).output
    assert "slip-1: not enrolled" in listed
    assert "dryshift-check: read dryshift/service/#; write dryshift/+/+/+; write old/logger/4" in listed


def test_a_gateway_writes_for_its_sensors_and_a_lamp_only_reads(at: Deployed) -> None:
    said = at.enrol("sensor", str(at.file), "slip-1", "slip-2", "--as", "gateway-1")
    (word,) = set(re.findall(r'"password":"([^"]+)"', said.output))
    with at.login("gateway-1", password=word) as gateway:
        assert [gateway.send(topic(name)) for name in ("slip-1", "slip-2", "slip-bay")] == [0, 0, 0x87]
    (word,) = re.findall(r"password (\S+)", at.enrol("lamp", str(at.file), "lamp-1").output)
    with at.login("lamp-1", password=word) as lamp:
        assert lamp.send("dryshift/ferrymoor/lamp/slip-bay") == 0x87
    for name in ("dryshift", "dryshift-check"):
        assert at.enrol("lamp", str(at.file), name, "--renew").exit_code == 2


def test_names_that_are_no_sensors_are_refused_before_anything_is_written(at: Deployed) -> None:
    before = (at.folder / "access").read_bytes()
    said = at.enrol("sensor", str(at.file), "slip-1", "slip-99")
    assert (said.exit_code, "slip-4" in said.stderr) == (2, True)
    assert (at.folder / "access").read_bytes() == before


def test_what_was_written_by_hand_stays_and_the_files_are_closed_to_others(at: Deployed) -> None:
    file = at.folder / "access"
    by_hand = "\nuser crane\n# the gauge on the crane\ntopic write plant/crane\n"
    file.write_text("# of the shop\n" + file.read_text() + by_hand)
    at.sensor("slip-2")
    at.enrol("revoke", str(at.file), "slip-2")
    assert "# of the shop\n" in file.read_text()
    assert by_hand.strip() in file.read_text()
    for name in ("access", "passwords", "server.key", "ca.key"):
        assert (at.folder / name).stat().st_mode & 0o137 == 0, name
    assert stat.S_IMODE((at.folder / "ca.key").stat().st_mode) == 0o600


def test_many_who_enrol_at_once_are_all_let_in(tmp_path: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from monitor.mqtt.enrolment import Enrolment\n"
        "for n in range(5): Enrolment(Path(sys.argv[1])).admit(f'{sys.argv[2]}-{n}', 'word', ())\n"
    )
    command = [sys.executable, "-c", program, str(tmp_path)]
    running = [subprocess.Popen([*command, f"s{n}"], cwd=ROOT) for n in range(3)]
    assert [one.wait(60) for one in running] == [0, 0, 0]
    names = {f"s{n}-{k}" for n in range(3) for k in range(5)}
    assert set(Enrolment(tmp_path).hashes()) == set(Enrolment(tmp_path).access().logins) == names
    assert {file.name for file in tmp_path.iterdir()} == {"access", "passwords"}


def test_the_certificate_is_renewed_for_other_names_while_sensors_keep_what_they_have(at: Deployed) -> None:
    known = (at.folder / certificates.CA).read_bytes()
    old = (at.folder / CERTIFICATE).read_bytes()
    (at.folder / certificates.CA_KEY).rename(at.folder / "stick")
    without = at.enrol("authority", str(at.file), "other.example")
    assert "put it back to renew" in without.stderr
    (at.folder / "stick").rename(at.folder / certificates.CA_KEY)
    assert at.enrol("authority", str(at.file), "127.0.0.1").exit_code == 0
    assert (at.folder / certificates.CA).read_bytes() == known
    assert (at.folder / CERTIFICATE).read_bytes() != old
    at.sensor("slip-1")
    with at.login("slip-1") as sensor:
        assert sensor.send(topic("slip-1")) == 0


def test_openssl_finds_the_certificate_right(tmp_path: Path) -> None:
    """Against OpenSSL's own check of chain, purpose and names (RFC 5280, RFC 6125)."""
    ends = certificates.make_certificates(
        tmp_path, ("broker.example", "192.0.2.1", "2001:db8::1"), time.time()
    )
    assert ends - datetime.now(UTC) > timedelta(days=800)
    files = ["-CAfile", str(tmp_path / "ca.crt"), str(tmp_path / "server.crt")]
    for name in (
        ["-verify_hostname", "broker.example"],
        ["-verify_ip", "192.0.2.1"],
        ["-verify_ip", "2001:db8::1"],
    ):
        command = ["openssl", "verify", "-x509_strict", "-purpose", "sslserver", *name, *files]
        assert subprocess.run(command, capture_output=True).returncode == 0, name
    other = ["openssl", "verify", "-verify_hostname", "other.example", *files]
    assert subprocess.run(other, capture_output=True).returncode != 0


def test_nobody_but_a_broker_is_told_to_read_its_files(tmp_path: Path) -> None:
    with subprocess.Popen(["sleep", "60"]) as other:
        (tmp_path / "pid").write_text(str(other.pid))
        assert "is no mosquitto" in str(reload_broker(tmp_path / "pid"))
        assert other.poll() is None
        other.terminate()
    assert "no mosquitto runs here" in str(reload_broker(tmp_path / "none"))


def test_check_says_that_every_topic_is_heard_by_the_running_service(
    at: Deployed, start_session: StartSession
) -> None:
    for name in ("slip-1", "slip-2", "slip-bay", "slip-4"):
        at.sensor(name)
    store = MemoryStore()
    session = start_session(at.settings(), store)
    since_s = session.status().since_s
    with hold(at.settings().service.data_dir):
        said = at.check()
    assert said.exit_code == 0, said.output
    assert "the running service hears 4 of 4 topics" in said.output
    assert (session.status().connected, session.status().since_s) == (True, since_s)
    assert (store.stored, store.kept, session.status().rejected) == ([], [], {})


def test_check_from_another_folder_leaves_the_running_service_its_place(
    at: Deployed, start_session: StartSession
) -> None:
    """Nobody holds the data folder that these settings name, and yet a service is there."""
    for name in ("slip-1", "slip-2", "slip-bay", "slip-4"):
        at.sensor(name)
    session = start_session(at.settings(), MemoryStore())
    since_s = session.status().since_s
    assert "the running service hears 4 of 4 topics" in at.check().output
    assert (session.status().connected, session.status().since_s) == (True, since_s)


def test_the_log_ins_that_the_settings_lack_are_named_as_they_are_written(tmp_path: Path) -> None:
    at = Deployed(tmp_path)
    text = at.file.read_text()
    at.file.write_text("".join(line for line in text.splitlines(True) if not line.startswith("check_")))
    said = at.enrol("service", str(at.file))
    assert said.exit_code == 2
    assert 'check_username = "dryshift-check" and check_password = "@broker-check-password"' in said.stderr


def test_check_names_the_line_that_the_access_list_lacks(at: Deployed, start_session: StartSession) -> None:
    """Mosquitto grants the subscription all the same, and delivers nothing."""
    for name in ("slip-1", "slip-2", "slip-bay", "slip-4"):
        at.sensor(name)
    file = at.folder / "access"
    file.write_text(file.read_text().replace("topic read old/logger/4\n", ""))
    assert reload_broker(at.folder / "pid") is None
    session = start_session(at.settings(), MemoryStore())
    assert session.status().subscribed
    with hold(at.settings().service.data_dir):
        said = at.check()
    assert said.exit_code == 1
    lines = [line for line in said.stderr.splitlines() if "slip-4" in line]
    assert any('add "topic read old/logger/4" below "user dryshift"' in line for line in lines), said.stderr
    assert "hears 3 of 4 topics" in said.output


def test_check_takes_the_services_place_while_it_does_not_run_and_leaves_all_that_waits(
    at: Deployed, start_session: StartSession
) -> None:
    for name in ("slip-1", "slip-2", "slip-bay", "slip-4"):
        at.sensor(name)
    start_session(at.settings(), MemoryStore()).stop()
    with at.login("slip-1") as sensor:
        now_s = round(time.time(), 3)
        for n in range(50):
            sensor.send(topic("slip-1"), encode_own(now_s - n, {AIR: 17.4}))
    said = at.check()
    assert said.exit_code == 0, said.output
    assert "its log-in hears 4 of 4 topics" in said.output
    store = MemoryStore()
    start_session(at.settings(), store)
    wait_until(lambda: len(store.stored) == 50, "all that waited")


def test_check_names_a_sensor_that_nobody_enrolled(at: Deployed) -> None:
    at.sensor("slip-1")
    said = at.check()
    assert said.exit_code == 1
    for name in ("slip-2", "slip-bay"):
        assert f'add "topic write {topic(name)}" below "user {name}"' in said.stderr
    assert "slip-1 cannot" not in said.stderr


def test_check_tells_before_the_certificate_ends(at: Deployed) -> None:
    long_ago_s = time.time() - 800 * 86_400.0
    certificates.make_certificates(at.folder, ("127.0.0.1",), long_ago_s)
    assert reload_broker(at.folder / "pid") is None

    found: list[str] = []

    def said() -> bool:
        found[:] = re.findall(
            r"the broker's certificate ends in (\d+) days: `dryshift enrol", at.check().output
        )
        return bool(found)

    wait_until(said, "the word")
    assert found in (["24"], ["25"])


# The client library leaves the socket of a failed handshake to the garbage collector.
@pytest.mark.filterwarnings("ignore:Exception ignored in. <ssl.SSLSocket")
def test_check_ends_in_time_where_the_broker_says_nothing(tmp_path: Path) -> None:
    at = Deployed(tmp_path)
    with socket.create_server(("127.0.0.1", at.broker.port)):
        began = time.monotonic()
        said = at.check()
        assert "topics not asked of the broker" in said.output
        assert time.monotonic() - began < 30.0
    assert "topics not asked of the broker" in at.check().output


def test_the_example_list_is_what_is_written(tmp_path: Path) -> None:
    example = AccessList((ROOT / "deploy" / "mosquitto" / "access.example").read_text())
    at = Deployed(tmp_path)
    at.sensor("slip-1")
    at.enrol("lamp", str(at.file), "lamp-1")
    written = Enrolment(tmp_path).access()
    for login in ("slip-1", "lamp-1"):
        assert written.rights(login) == example.rights(login)
    for login in ("dryshift", "dryshift-check"):
        assert set(example.rights(login)) <= set(written.rights(login))


def test_a_broker_without_a_file_of_its_number_is_told_by_its_unit(
    at: Deployed, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As Debian 13 runs it."""
    processes = tmp_path / "cgroup.procs"
    processes.write_text(f"{(at.folder / 'pid').read_text(encoding='ascii').strip()}\n1\n", encoding="ascii")
    monkeypatch.setattr(enrolment, "PID_FILE", tmp_path / "none")
    monkeypatch.setattr(enrolment, "UNIT_PROCESSES", processes)
    assert reload_broker(tmp_path / "none") is None


def test_a_shop_takes_no_log_in_of_another_at_the_same_broker(at: Deployed) -> None:
    at.sensor("slip-1")
    before = Enrolment(at.folder).hashes()
    other = at.folder / "other.toml"
    text = at.file.read_text(encoding="utf-8").replace("[mqtt]\n", '[mqtt]\ntopic_root = "other"\n', 1)
    other.write_text(text.partition('[[sensors]]\nid = "slip-4"')[0], encoding="utf-8")
    for asked in (("service", str(other)), ("sensor", str(other), "slip-1", "--renew")):
        refused = at.enrol(*asked)
        assert (refused.exit_code, "is another shop's at this broker" in refused.stderr) == (2, True)
    assert Enrolment(at.folder).hashes() == before
    with at.login("slip-1") as sensor:
        assert sensor.send(topic("slip-1")) == 0
    assert at.enrol("revoke", str(at.file), "slip-1").exit_code == 0
    assert at.enrol("sensor", str(other), "slip-1").exit_code == 0
