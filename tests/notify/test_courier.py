"""The courier works the durable outbox: back-off, hand-over, expiry, and a record of each end."""

from collections.abc import Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.event import EventKind
from monitor.model.notification import Notification
from monitor.notify.courier import (
    FIRST_WAIT_S,
    HAND_OVER_AFTER,
    LONGEST_URGENT_S,
    LONGEST_WAIT_S,
    REPLACES,
    Courier,
    refuse_for_gone,
    replaced,
    undeliverable,
    wait_s,
)
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry
from monitor.store.contract import OutboxItem
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from tests.notify.test_senders import NOTE, NOW_S


class Scripted:
    """A sender whose answers are written down beforehand; the last one lasts."""

    def __init__(self, *outcomes: Outcome) -> None:
        self.outcomes = list(outcomes)
        self.sent: list[str] = []

    def send(self, notification: Notification, now_s: float) -> Outcome:
        self.sent.append(notification.key)
        return self.outcomes.pop(0) if len(self.outcomes) > 1 else self.outcomes[0]


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    opened = open_ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}")
    yield opened
    opened.close()


def post(ledger: SqlLedger, channel: str = "phone", key: str = NOTE.key, **changes: Any) -> None:
    ledger.commit([], entered_s=NOW_S, outbox=[(channel, replace(NOTE, key=key, **changes))])


def state_of(ledger: SqlLedger, channel: str = "phone") -> str:
    return next(item.state for item in ledger.outbox() if item.channel == channel)


def test_what_is_delivered_is_sent_once_and_recorded(ledger: SqlLedger) -> None:
    post(ledger)
    sender = Scripted(Delivered())
    courier = Courier(ledger, "phone", sender)
    assert [courier.run(NOW_S), courier.run(NOW_S + 60)] == [1, 0]
    assert sender.sent == [NOTE.key]
    assert state_of(ledger) == "delivered"
    (event,) = ledger.events(kinds=[EventKind.DELIVERY])
    assert event.body["state"] == "delivered"


def test_a_dead_receiver_is_tried_ever_more_slowly_and_never_given_up_before_the_message_is_old(
    ledger: SqlLedger,
) -> None:
    post(ledger, priority="medium")
    sender = Scripted(Retry("no answer"))
    courier = Courier(ledger, "phone", sender)
    tries = [second for second in range(3600) if courier.run(NOW_S + second)]
    waits = [later - earlier for earlier, later in pairwise(tries)]
    assert waits[0] >= FIRST_WAIT_S
    assert max(waits) <= 1.25 * LONGEST_WAIT_S + 1
    assert sorted(waits[:6]) == waits[:6]
    assert state_of(ledger) == "waiting"
    courier.run(NOTE.expires_s)
    courier.run(NOTE.expires_s + LONGEST_WAIT_S * 2)
    assert state_of(ledger) == "expired"


def test_an_hour_late_message_that_is_still_useful_arrives_when_the_receiver_is_back(
    ledger: SqlLedger,
) -> None:
    post(ledger)
    sender = Scripted(*[Retry("no answer")] * 8, Delivered())
    courier = Courier(ledger, "phone", sender)
    for second in range(3600):
        courier.run(NOW_S + second)
    assert state_of(ledger) == "delivered"


def test_a_receivers_own_wish_to_be_left_alone_is_kept(ledger: SqlLedger) -> None:
    post(ledger)
    courier = Courier(ledger, "phone", Scripted(Retry("answered 503", 120.0)))
    assert [second for second in range(121) if courier.run(NOW_S + second)] == [0, 120]


def test_a_channel_that_stays_dead_hands_over_and_goes_on_trying(ledger: SqlLedger) -> None:
    post(ledger)
    phone, mail = Scripted(Retry("no answer")), Scripted(Delivered())
    couriers = [Courier(ledger, "phone", phone, "mail"), Courier(ledger, "mail", mail)]
    for second in range(1200):
        for courier in couriers:
            courier.run(NOW_S + second)
    assert len(phone.sent) > HAND_OVER_AFTER
    assert mail.sent == [NOTE.key]  # once, however often it was handed over


def test_a_refused_message_is_handed_over_at_once(ledger: SqlLedger) -> None:
    post(ledger)
    mail = Scripted(Delivered())
    Courier(ledger, "phone", Scripted(Refused("answered 404")), "mail").run(NOW_S)
    Courier(ledger, "mail", mail).run(NOW_S)
    assert state_of(ledger) == "refused"
    assert mail.sent == [NOTE.key]


def test_a_slow_or_dead_channel_holds_up_no_other(ledger: SqlLedger) -> None:
    for n in range(150):
        post(ledger, "phone", f"note/{n}")
    post(ledger, "mail")
    mail = Scripted(Delivered())
    Courier(ledger, "mail", mail).run(NOW_S)
    assert mail.sent == [NOTE.key]


def test_what_is_urgent_is_tried_every_minute(ledger: SqlLedger) -> None:
    post(ledger)
    courier = Courier(ledger, "phone", Scripted(Retry("no answer")))
    tries = [second for second in range(3600) if courier.run(NOW_S + second)]
    waits = [later - earlier for earlier, later in pairwise(tries)]
    assert max(waits) <= 1.25 * LONGEST_URGENT_S + 1


def test_a_dead_receiver_is_asked_once_a_run_however_much_waits(ledger: SqlLedger) -> None:
    for n in range(150):
        post(ledger, key=f"note/{n}")
    courier = Courier(ledger, "phone", Scripted(Retry("no answer")))
    assert courier.run(NOW_S) == 1
    assert courier.state().waiting == 150


def test_after_an_outage_the_last_word_on_a_warning_is_sent_and_not_the_story_of_it(
    ledger: SqlLedger,
) -> None:
    def said(key: str, why: str, subject: str = "warning:damp") -> None:
        data: dict[str, object] = {"why": why, "of": key}
        note = replace(NOTE, key=key, subject=subject, data=data)
        ledger.commit([], entered_s=NOW_S, outbox=[("phone", note)])

    said("a", "raised")
    said("a.1", "raised")
    said("b", "grown")
    said("other", "raised", "warning:oven")
    said("c", "worsened")
    said("d", "grown")
    sender = Scripted(Delivered())
    courier = Courier(ledger, "phone", sender)
    for second in range(5):
        courier.run(NOW_S + second)
    assert sender.sent == ["other", "c", "d"]
    ends = {event.body["key"]: event for event in ledger.events(kinds=[EventKind.DELIVERY])}
    assert ends["a"].body["state"] == "cancelled"
    assert ends["a"].why == "replaced by a later message on the same warning: c"


def test_the_same_word_said_again_replaces_itself(ledger: SqlLedger) -> None:
    for mark in ("", ".1", ".answered"):
        note = replace(NOTE, key=f"a{mark}", data={"why": "raised", "of": "a"})
        ledger.commit([], entered_s=NOW_S, outbox=[("phone", note)])
    sender = Scripted(Delivered())
    Courier(ledger, "phone", sender).run(NOW_S)
    assert sender.sent == ["a.answered"]


def test_a_channel_that_was_failing_is_known_to_be_after_a_restart(ledger: SqlLedger) -> None:
    post(ledger)
    Courier(ledger, "phone", Scripted(Retry("no answer"))).run(NOW_S)
    again = Courier(ledger, "phone", Scripted(Retry("still none")))
    again.run(NOW_S + 1)
    assert again.state().failing_since_s == NOW_S
    assert again.state().last_error == "no answer"


def test_the_record_says_to_whom_and_why(ledger: SqlLedger) -> None:
    data: dict[str, object] = {"telling": "first", "person": "Ann"}
    ledger.commit([], entered_s=NOW_S, outbox=[("phone", replace(NOTE, data=data))])
    Courier(ledger, "phone", Scripted(Delivered("answered 200"))).run(NOW_S)
    (event,) = ledger.events(kinds=[EventKind.DELIVERY])
    assert event.body == {
        "channel": "phone",
        "key": NOTE.key,
        "state": "delivered",
        "attempts": 1,
        "priority": "high",
        "telling": "first",
        "person": "Ann",
    }


def test_a_channel_that_fails_for_long_is_undeliverable_and_recovers(ledger: SqlLedger) -> None:
    post(ledger)
    courier = Courier(ledger, "phone", Scripted(Retry("no answer"), Retry("no answer"), Delivered()))
    courier.run(NOW_S)
    assert undeliverable({"phone": courier.state()}, NOW_S + 899, 900) == ()
    assert undeliverable({"phone": courier.state()}, NOW_S + 901, 900) == ("phone",)
    courier.run(NOW_S + 10)
    courier.run(NOW_S + 100)
    assert undeliverable({"phone": courier.state()}, NOW_S + 2000, 900) == ()


def test_waits_are_spread_but_the_same_in_every_replay() -> None:
    waits = {wait_s(3, f"note/{n}") for n in range(50)}
    assert len(waits) > 10
    assert wait_s(3, "note/1") == wait_s(3, "note/1")


def test_what_waits_for_a_channel_that_the_settings_no_longer_name_is_closed_and_recorded(
    ledger: SqlLedger,
) -> None:
    for n in range(60):
        post(ledger, "old-phone", key=f"warning/{n}")
    post(ledger, "phone")
    assert refuse_for_gone(ledger, {"phone"}, NOW_S + 60.0) == {"old-phone": 60}
    assert [item.channel for item in ledger.outbox(states=("waiting",))] == ["phone"]
    ends = ledger.events(kinds=[EventKind.DELIVERY])
    assert len(ends) == 60
    assert ends[0].body["state"] == "refused"
    assert "no longer name" in ends[0].why
    assert refuse_for_gone(ledger, {"phone"}, NOW_S + 120.0) == {}


def test_thousands_that_wait_for_another_channel_hide_none_of_our_own(ledger: SqlLedger) -> None:
    post(ledger, key="ours", subject="warning:a", data={"of": "w1"})
    post(ledger, key="ours-later", subject="warning:a", data={"of": "w1"})
    others = [("mail", replace(NOTE, key=f"mail-{n}", subject=f"warning:{n}")) for n in range(2_000)]
    ledger.commit([], entered_s=NOW_S, outbox=others)
    sender = Scripted(Delivered())
    courier = Courier(ledger, "phone", sender)
    courier.run(NOW_S)
    assert sender.sent == ["ours-later"]
    assert courier.state().waiting == 2
    courier.run(NOW_S + 60.0)
    mail = Courier(ledger, "mail", Scripted(Retry("no answer")))
    mail.run(NOW_S)
    assert mail.state().waiting == 2_000


def plainly_replaced(waiting: list[OutboxItem]) -> dict[int, str]:
    """By definition: the nearest later message that says all there is to say of the same warning."""
    found: dict[int, str] = {}
    for n, item in enumerate(waiting):
        of = item.notification.data.get("of")
        for later in (one.notification for one in waiting[n + 1 :]):
            same = of is not None and later.data.get("of") == of
            if later.subject == item.notification.subject and (same or later.data.get("why") in REPLACES):
                found[item.id] = later.key
                break
    return found


@given(
    st.lists(
        st.tuples(
            st.sampled_from("ab"),
            st.sampled_from([None, "w1", "w2"]),
            st.sampled_from(["", "worsened", "cleared", "escalated"]),
        ),
        max_size=12,
    )
)
def test_what_is_replaced_is_what_the_definition_says(rows: list[tuple[str, str | None, str]]) -> None:
    waiting = [
        OutboxItem(
            n, "phone", replace(NOTE, key=f"k{n}", subject=subject, data={"of": of, "why": why}), 0, 0.0,
            "waiting", "", None,
        )
        for n, (subject, of, why) in enumerate(rows)
    ]  # fmt: skip
    found = {n: text.rsplit(" ", 1)[1] for n, text in replaced(waiting).items()}
    assert found == plainly_replaced(waiting)
