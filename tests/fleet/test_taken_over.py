"""A machine is switched off; the one that takes its shop over knows its people, links and sensors."""

import re
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import urlsplit

import pytest
import requests
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.model.event import EventKind
from monitor.model.reading import Quantity
from monitor.mqtt.encode import encode_own
from monitor.store.fleet_book import FleetBook
from monitor.store.ledger.sql_ledger import open_ledger
from tests.access.desks import OTHER, WORDS
from tests.brokers import MOSQUITTO, Mosquitto, Publisher, wait_until
from tests.engine.yard import BAY_TOML
from tests.fleet.test_fleet import FLEET, Worker, meanwhile, stored
from tests.receivers import web_receiver
from tests.web.signed_in import Browser

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")
PEOPLE = """
[[people]]
id = "ann"
name = "Ann"
channels = ["phone"]

[[people]]
id = "ben"
name = "Ben"
role = "reviewer"

[[on_call]]
site = "yard"
steps = ["ann"]
"""
LOG_INS = """commit_s = 0.02
topic_root = "shop-a"
client_id = "dryshift-a"
username = "dryshift-a"
password = "@broker-password"
check_username = "dryshift-a-check"
check_password = "@broker-check-password"
access_dir = "{access}"
sensors_dial = "broker.ferrymoor.example"
"""
BROKER = """allow_anonymous false
password_file {access}/passwords
acl_file {access}/access
max_queued_messages 0
"""
COLD, WARM = (3.0, 0.5), (17.0, 0.97)  # of the air, °C and fraction: steel from the night sweats in it
COLD_READINGS = 8
LINK = re.compile(r"http://\S+/join/([\w-]+)")


def machine(folder: Path, broker: Mosquitto, url: str, access: Path) -> Path:
    """The shops' files as every machine has them; the data lie beside them, so each has its own."""
    shops = folder / "shops"
    shops.mkdir(parents=True)
    (shops / "fleet.toml").write_text(FLEET, encoding="utf-8")
    text = BAY_TOML.format(port=broker.port, url=url) + PEOPLE
    text = text.replace("on_delay_s = 30", "on_delay_s = 1").replace("tick_s = 10", "tick_s = 1")
    text = text.replace("max_rate_per_min = 20", "max_rate_per_min = 2000").replace(" = 5\n", " = 2000\n")
    text = text.replace("commit_s = 0.02", LOG_INS.format(access=access))
    (shops / "a.toml").write_text(text, encoding="utf-8")
    return shops


def said(*arguments: str) -> str:
    result = CliRunner().invoke(main, list(arguments))
    assert result.exit_code == 0, result.output
    return result.output


@contextmanager
def sensor(broker: Mosquitto, password: str) -> Iterator[list[float]]:
    """The enrolled sensor with the password it was given, twice a second: a warm wet wind comes."""
    sent: list[float] = []

    def send(publisher: Publisher) -> None:
        time_s = round(time.time(), 3)
        warm_c, humid_frac = COLD if len(sent) < COLD_READINGS else WARM
        warm_c += len(sent) % 5 * 0.1
        air = {Quantity.AIR_TEMPERATURE: warm_c, Quantity.RELATIVE_HUMIDITY: humid_frac}
        publisher.send("shop-a/yard/slip-bay/bay-1", encode_own(time_s, air, len(sent)))
        sent.append(time_s)

    with meanwhile(send, broker.port, username="bay-1", password=password):
        yield sent


def page_of(worker: Worker) -> str:
    """Where the shop's own pages are now; empty while nobody judges it."""
    (one,) = worker.shops()
    return str(one["url"])


def test_a_shop_taken_over_by_another_machine_knows_its_people_its_links_and_its_sensors(
    tmp_path: Path, database: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    access = tmp_path / "broker"
    access.mkdir()
    broker = Mosquitto(tmp_path, BROKER.format(access=access))
    with web_receiver() as phone:
        here = machine(tmp_path / "a", broker, phone.url, access)
        there = machine(tmp_path / "b", broker, phone.url, access)
        secrets = tmp_path / "secrets"
        enrol = ["enrol", "--secrets", str(secrets), "--pid-file", str(tmp_path / "none")]
        said(*enrol, "service", str(here / "a.toml"))
        flashed = said(*enrol, "sensor", str(here / "a.toml"), "bay-1")
        (password,) = re.findall(r'"password":"([^"]+)"', flashed)
        monkeypatch.setenv("DRYSHIFT_FLEET_DATABASE", database)
        with broker:
            one = Worker("one", here, database, secrets)
            two = None
            try:
                wait_until(lambda: one.runs(1, "one"), "the shop to be judged", 90)
                wait_until(lambda: "Shop a has no account yet" in one.said(), "its first link", 30)
                first = LINK.search(one.said().partition("Shop a has no account yet")[2])
                assert first is not None
                ann = Browser(page_of(one))
                assert ann.fill(f"/join/{first[1]}", person="ann", password=WORDS).status_code == 303
                two = Worker("two", there, database, secrets)
                with sensor(broker, password) as sent:
                    phone.wait_for(1)
                    link = urlsplit(phone.messages[-1]["data"]["links"]["Answer"]).path
                    one.switch_off()
                    began = time.monotonic()
                    shutil.rmtree(tmp_path / "a")  # nothing of that machine is left
                    wait_until(lambda: two.runs(1, "two"), "the other machine to take over", 90)
                    assert time.monotonic() - began < 30.0
                    after = len(sent)
                    wait_until(lambda: len(sent) > after + 4, "the sensor to be let in as before", 30)
                    _, refused = answered(f"{two.url}/shop/a{link}")
                    assert refused == (200, 409)
                known_people(ann, page_of(two), there)
                wait_until(
                    lambda: stored(tmp_path / "b" / "shops", "") >= set(sent[after:]),
                    "all since then to be stored",
                    60,
                )
            finally:
                if one.process.poll() is None:
                    one.switch_off()
                if two is not None:
                    two.stop()
    left = {file.name for file in (there / "data").iterdir()}
    assert not {name for name in left if name.startswith(("accounts", "ledger.sqlite", "link", "phones"))}
    book = FleetBook(database)
    ledger = open_ledger(book.ledger_url("a"))
    commands = ledger.events(kinds=[EventKind.ALARM_COMMAND])
    assert {event.who for event in commands} == {"Ann"}
    assert ledger.verify().broken_at is None
    ledger.close()
    book.close()


def answered(address: str) -> tuple[str, tuple[int, int]]:
    """The status of answering by a link, and of doing so once more."""
    with requests.Session() as browser:
        shown = browser.get(address, timeout=20)
        assert "Acknowledge as Ann" in shown.text, shown.text
        token = re.search(r'name="form_token" value="([^"]+)"', shown.text)
        assert token is not None
        listed = re.findall(r'name="alarms" value="([^"]+)"', shown.text.partition("<details")[0])
        form = {"form_token": token.group(1), "who": "Ann", "alarms": listed}
        done = browser.post(shown.url, data=form, timeout=20)
        again = browser.post(shown.url, data=form, timeout=20)
    return shown.url, (done.status_code, again.status_code)


def known_people(ann: Browser, pages: str, shops: Path) -> None:
    """The session of before holds, the old password opens, and a command lets in where the shop is judged."""
    ann.url = pages
    assert ann.see("/alarms").status_code == 200
    assert Browser(pages).log_in("Ann", WORDS).status_code == 303
    assert Browser(pages).log_in("Ann", OTHER).status_code == 422
    secrets = str(shops.parents[1] / "secrets")
    invited = LINK.search(said("invite", str(shops / "a.toml"), "ben", "--secrets", secrets))
    assert invited is not None
    ben = Browser(pages)
    assert ben.fill(f"/join/{invited[1]}", password=OTHER).status_code == 303
    listed = said("accounts", str(shops / "a.toml"), "--secrets", secrets)
    assert "ann, Ann: logged in on" in listed
    assert "ben, Ben: logged in on" in listed
