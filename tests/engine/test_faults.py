"""What goes wrong around the service: each fault shows on the page, loses nothing, and heals by itself."""

import sqlite3
from pathlib import Path

import pytest
import requests

from monitor.alarms.states import Command, CommandKind
from monitor.model.actor import ANYBODY, Actor, KnownBy
from monitor.model.event import EventKind
from monitor.notify.courier import HAND_OVER_AFTER
from monitor.store.contract import OutboxItem
from monitor.web.frame.deps import Answering
from tests.brokers import MOSQUITTO
from tests.engine.live import LiveYard
from tests.ports import free_port
from tests.receivers import web_receiver

pytestmark = pytest.mark.skipif(MOSQUITTO is None, reason="the mosquitto package is not installed")

MAIL = """
[[channels]]
id = "mail"
kind = "webhook"
url = "{url}"
"""
NOWHERE = "http://127.0.0.1:1/"


def items(yard: LiveYard, channel: str) -> list[OutboxItem]:
    return [item for item in yard.service.ledger.outbox() if item.channel == channel]


def test_a_receiver_that_is_down_for_an_hour_gets_the_last_word_on_every_warning(tmp_path: Path) -> None:
    port = free_port()
    with LiveYard(tmp_path, f"http://127.0.0.1:{port}/phone") as yard:
        yard.until(lambda: bool(items(yard, "phone")), "a warning")
        warned_s = items(yard, "phone")[-1].notification.created_s
        yard.until(lambda: yard.alarm("warnings_undeliverable.service") is not None, "the page to say so")
        alarm = yard.alarm("warnings_undeliverable.service")
        assert alarm is not None
        assert alarm.priority == "high"
        assert yard.part("channel phone").ok is False
        assert "no answer from the receiver" in yard.part("channel phone").text
        yard.until(lambda: yard.clock.now_s() > warned_s + 3600.0, "an hour to pass")
        waiting = [item for item in items(yard, "phone") if item.state == "waiting"]
        assert all(item.attempts >= HAND_OVER_AFTER for item in waiting[-1:])
        with web_receiver(port) as phone:
            yard.until(lambda: yard.part("channel phone").ok, "the channel to work again")
            yard.until(
                lambda: yard.alarm("warnings_undeliverable.service") is None or _returned(yard), "the end"
            )

            def newest() -> dict[str, OutboxItem]:
                return {item.notification.subject: item for item in reversed(items(yard, "phone"))}

            # of every warning the last that was said of it arrived; what came before it may be left out
            yard.until(lambda: {item.state for item in newest().values()} == {"delivered"}, "the last words")
            assert {item.state for item in items(yard, "phone")} <= {"delivered", "cancelled", "waiting"}
            got = {message["key"] for message in phone.messages}
            delivered = {i.notification.key for i in items(yard, "phone") if i.state == "delivered"}
            assert delivered <= got
        yard.all_stored()


def _returned(yard: LiveYard) -> bool:
    alarm = yard.alarm("warnings_undeliverable.service")
    return alarm is None or alarm.state == "returned_unacknowledged"


def test_a_slow_receiver_holds_up_neither_ingest_nor_another_channel(tmp_path: Path) -> None:
    with web_receiver() as phone, web_receiver() as mail:
        phone.delay.clear()  # takes a message and says nothing
        changes = {"[[channels]]": "[[channels]]\ntimeout_s = 4"}
        with LiveYard(tmp_path, phone.url, extra=MAIL.format(url=mail.url), changes=changes) as yard:
            mail.wait_for(1)
            assert phone.requests == []  # it has not answered yet
            yard.judged_up_to_now()
            yard.all_stored()
            yard.until(lambda: not yard.part("channel phone").ok, "the slow channel to show")
            assert yard.part("channel mail").ok
            phone.delay.set()
            yard.until(lambda: yard.part("channel phone").ok, "the slow channel to work", 60)


def test_a_broker_that_restarts_is_said_to_be_away_and_nothing_it_took_is_lost(tmp_path: Path) -> None:
    with web_receiver() as phone, LiveYard(tmp_path, phone.url) as yard:
        yard.until(lambda: len(yard.sensor.sent) > 30, "some readings")
        yard.broker.stop()
        yard.until(lambda: not yard.part("broker").ok, "the page to say so")
        assert "broker away" in yard.part("broker").text
        yard.until(lambda: yard.alarm("broker_away.service") is not None, "the alarm")
        yard.broker.start()
        yard.until(lambda: yard.part("broker").ok, "the connection to come back", 60)
        yard.until(lambda: yard.alarm("broker_away.service") is None or _back(yard), "the alarm to pass", 60)
        yard.all_stored(patience_s=60)
        phone.wait_for(1)


def test_a_session_that_the_broker_forgot_is_in_the_record_once_and_on_the_sensors_page(
    tmp_path: Path,
) -> None:
    with web_receiver() as phone, LiveYard(tmp_path, phone.url) as yard:
        yard.until(lambda: len(yard.sensor.sent) > 30, "some readings")
        yard.broker.kill()
        (tmp_path / "mosquitto.db").unlink(missing_ok=True)
        yard.until(lambda: not yard.part("broker").ok, "the page to say so")
        yard.broker.start()
        kinds = [EventKind.BROKER_SESSION]
        yard.until(lambda: len(yard.service.ledger.events(kinds=kinds)) == 1, "the record to say so", 60)
        sent = len(yard.sensor.sent)
        yard.until(lambda: len(yard.sensor.sent) > sent + 20, "more readings")
        (event,) = yard.service.ledger.events(kinds=kinds)
        assert event.why.startswith("the broker forgot the session: readings between 2026-09-")
        assert event.why.endswith("may be missing")
        assert yard.service.server is not None
        page = requests.get(f"{yard.service.server.url}/sensors", timeout=10).text
        assert "The broker forgot the session" in page


def _back(yard: LiveYard) -> bool:
    alarm = yard.alarm("broker_away.service")
    return alarm is None or alarm.state == "returned_unacknowledged"


@pytest.mark.parametrize("database", ["ledger.sqlite", "series.sqlite"])
def test_a_locked_database_is_named_and_what_came_meanwhile_is_judged_afterwards(
    tmp_path: Path, database: str
) -> None:
    with web_receiver() as phone, LiveYard(tmp_path, phone.url, first_minute=26.0) as yard:
        yard.judged_up_to_now()
        other = sqlite3.connect(tmp_path / "data" / database, isolation_level=None)
        try:
            other.execute("BEGIN IMMEDIATE")
            yard.until(lambda: not yard.part("series").ok, "the page to say so", 30)
            assert "locked" in yard.part("series").text
            other.execute("ROLLBACK")
        finally:
            other.close()
        yard.until(lambda: yard.part("series").ok, "it to heal", 60)
        yard.all_stored(patience_s=60)
        yard.judged_up_to_now(60)
        phone.wait_for(1)  # the warning of what happened meanwhile


def test_a_full_disk_is_named_and_heals_when_there_is_room(tmp_path: Path, small_disk: Path) -> None:
    changes = {'data_dir = "data"': f'data_dir = "{small_disk}"'}
    with web_receiver() as phone, LiveYard(tmp_path, phone.url, changes=changes) as yard:
        yard.judged_up_to_now()
        filler = small_disk / "filler"
        with filler.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(bytes(4096))
            except OSError:
                pass
        yard.until(lambda: not yard.part("series").ok, "the page to say so", 60)
        assert "full" in yard.part("series").text
        filler.unlink()
        yard.until(lambda: yard.part("series").ok, "it to heal", 60)
        yard.all_stored(patience_s=60)
        yard.judged_up_to_now(60)
        phone.wait_for(1)
        assert yard.service.ledger.verify().broken_at is None


def test_an_answer_from_the_page_reaches_the_record_and_the_warning(tmp_path: Path) -> None:
    with web_receiver() as phone, LiveYard(tmp_path, phone.url) as yard:
        phone.wait_for(1)
        name = phone.messages[-1]["subject"]
        ann = Actor("Ann", KnownBy.TYPED, (ANYBODY,))
        asked = Answering(Command(CommandKind.ACKNOWLEDGE, name, "Ann"), ann, "test-answer-1")
        assert yard.service.operate(asked).done
        twice = yard.service.operate(asked)
        assert (twice.done, "already acknowledged by Ann" in twice.text) == (False, True)
        (warning,) = [w for w in yard.service.snapshot().warnings if w.id == name]
        assert warning.answered_by == "Ann"
        commands = yard.service.ledger.events(kinds=[EventKind.ALARM_COMMAND])
        assert [(event.subject, event.body["known_by"]) for event in commands] == [(name, "name_typed")]
