"""The courier works the durable outbox: back-off, hand-over, expiry, and a record of each end."""

import sqlite3
from collections.abc import Iterator
from contextlib import closing
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
    AT_ONCE,
    FIRST_WAIT_S,
    HAND_OVER_AFTER,
    LEFT_OUT_TOLD_S,
    LONGEST_URGENT_S,
    LONGEST_WAIT_S,
    LONGEST_WISH_S,
    REFUSALS,
    REPLACES,
    Courier,
    refuse_for_gone,
    replaced,
    undeliverable,
    wait_s,
)
from monitor.notify.outbox_order import LEFT_OUT, MOST_WAITING
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry
from monitor.store.contract import OutboxItem, StoreUnavailableError
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from tests.notify.test_senders import NOTE, NOW_S


class Scripted:
    """A sender whose answers are written down beforehand; the last one lasts."""

    def __init__(self, *outcomes: Outcome) -> None:
        self.outcomes = list(outcomes)
        self.notes: list[Notification] = []

    @property
    def sent(self) -> list[str]:
        return [note.key for note in self.notes]

    def send(self, notification: Notification, now_s: float) -> Outcome:
        self.notes.append(notification)
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
    assert mail.sent == [NOTE.key]


def test_a_no_is_asked_again_for_some_minutes_and_then_believed_recorded_and_told(ledger: SqlLedger) -> None:
    post(ledger)
    phone = Scripted(Refused("answered 404"))
    courier = Courier(ledger, "phone", phone)
    tries = [second for second in range(3_600) if courier.run(NOW_S + second)]
    assert len(tries) == REFUSALS
    assert 120 < tries[-1] < 600
    assert state_of(ledger) == "refused"
    (event,) = ledger.events(kinds=[EventKind.DELIVERY])
    assert (event.body["state"], event.why) == ("refused", "answered 404")
    assert undeliverable({"phone": courier.state()}, NOW_S + tries[-1], 900) == ("phone",)
    restarted = Courier(ledger, "phone", phone)
    restarted.run(NOW_S + 4_000)
    assert undeliverable({"phone": restarted.state()}, NOW_S + 4_000, 900) == ("phone",)


def test_a_server_that_only_starts_is_no_refusal(ledger: SqlLedger) -> None:
    post(ledger)
    phone = Scripted(*[Refused("answered 404")] * 5, Delivered())
    courier = Courier(ledger, "phone", phone)
    for second in range(600):
        courier.run(NOW_S + second)
    assert state_of(ledger) == "delivered"
    assert courier.state().failing_since_s is None


@pytest.mark.parametrize("wish_s", [3_600.0, 86_400.0])
def test_a_receivers_wish_parks_no_high_warning_beyond_minutes_and_the_fallback_is_told(
    ledger: SqlLedger, wish_s: float
) -> None:
    post(ledger)
    mail = Scripted(Delivered())
    courier = Courier(ledger, "phone", Scripted(Retry("answered 429", wish_s)), "mail")
    tries = [second for second in range(1_800) if courier.run(NOW_S + second)]
    Courier(ledger, "mail", mail).run(NOW_S + 1)
    assert max(later - earlier for earlier, later in pairwise(tries)) <= LONGEST_WISH_S + 1
    assert mail.sent == [NOTE.key]


class Broken:
    """A sender with a defect that one message brings out."""

    def __init__(self) -> None:
        self.sent: list[str] = []

    def send(self, notification: Notification, now_s: float) -> Outcome:
        self.sent.append(notification.key)
        if notification.key == NOTE.key:
            raise ValueError("could not convert string to float: '²'")
        return Delivered()


def test_a_message_that_brings_out_a_defect_stops_none_behind_it_and_is_told_elsewhere(
    ledger: SqlLedger,
) -> None:
    post(ledger)
    for n in range(5):
        post(ledger, key=f"other/{n}")
    sender, mail = Broken(), Scripted(Delivered())
    couriers = [Courier(ledger, "phone", sender, "mail"), Courier(ledger, "mail", mail)]
    for second in range(160):
        for courier in couriers:
            courier.run(NOW_S + second)
    assert sender.sent.count(NOTE.key) < 10
    assert {f"other/{n}" for n in range(5)} <= set(sender.sent)
    assert mail.sent == [NOTE.key]
    (left,) = ledger.outbox(states=("waiting",))
    assert "defect" in left.last_error


def test_a_defect_is_shown_as_not_delivering(ledger: SqlLedger) -> None:
    post(ledger)
    courier = Courier(ledger, "phone", Broken())
    assert not courier.state().delivered
    courier.run(NOW_S)
    state = courier.state()
    assert (state.failing_since_s, state.delivered) == (NOW_S, False)
    assert "defect: ValueError" in state.last_error


A, B = "ann@ferrymoor.example", "bob@ferrymoor.example"


def test_whoever_was_missed_is_tried_alone_and_nobody_gets_it_twice(ledger: SqlLedger) -> None:
    post(ledger, "mail")
    mail = Scripted(Partly((A,), {B: "450 later"}), Retry("450 later"), Retry("450 later"), Delivered())
    courier = Courier(ledger, "mail", mail)
    courier.run(NOW_S)
    assert "bob@ferrymoor.example: 450 later" in courier.state().last_error
    for second in range(1, 120):
        courier.run(NOW_S + second)
    assert [note.data.get("to") for note in mail.notes] == [None, [B], [B], [B]]
    assert courier.state().failing_since_s is None
    first, second = ledger.events(kinds=[EventKind.DELIVERY])
    assert (first.body["state"], second.body["state"], second.body["to"]) == ("delivered", "delivered", [B])
    assert first.body["key"] == second.body["key"] == NOTE.key


def test_what_one_recipient_is_refused_for_good_is_handed_over_whole_and_stays_a_fault(
    ledger: SqlLedger,
) -> None:
    post(ledger, "mail")
    phone = Scripted(Delivered())
    mail = Scripted(Partly((A,), {B: "550 no such user"}), Refused("550 no such user"))
    couriers = [Courier(ledger, "mail", mail, "phone"), Courier(ledger, "phone", phone)]
    for second in range(900):
        for courier in couriers:
            courier.run(NOW_S + second)
    assert phone.notes == [NOTE]  # once, and for everybody there
    post(ledger, "mail", key="later")
    mail.outcomes = [Partly((A,), {B: "550 no such user"}), Refused("550 no such user")]
    couriers[0].run(NOW_S + 900)
    assert undeliverable({"mail": couriers[0].state()}, NOW_S + 901, 900) == ("mail",)


def test_a_word_to_one_recipient_replaces_nothing_for_the_others(ledger: SqlLedger) -> None:
    data: dict[str, object] = {"of": "w1", "why": "worsened"}
    post(ledger, "mail", data=data)
    mail = Scripted(Partly((A,), {B: "450 later"}), Retry("450 later"))
    courier = Courier(ledger, "mail", mail)
    courier.run(NOW_S)
    post(ledger, "mail", key="newer", data=data)
    mail.outcomes = [Delivered()]
    for second in range(1, 30):
        courier.run(NOW_S + second)
    assert mail.sent[-1] == "newer"
    ends = {event.key: event.body["state"] for event in ledger.events(kinds=[EventKind.DELIVERY])}
    assert ends["delivery/mail/newer/delivered"] == "delivered"
    assert ends[f"delivery/mail/{NOTE.key}/to/{B}/cancelled"] == "cancelled"  # the newer one says it all


def test_what_a_receiver_says_is_recorded_as_a_page_can_show_it(ledger: SqlLedger) -> None:
    post(ledger)
    Courier(ledger, "phone", Scripted(Delivered("took\0 it\x1b[2J" + "x" * 5_000))).run(NOW_S)
    (event,) = ledger.events(kinds=[EventKind.DELIVERY])
    assert event.why.startswith("took  it [2Jx")
    assert len(event.why) == 300


def test_what_was_delivered_before_it_was_old_is_recorded_as_delivered(
    ledger: SqlLedger, tmp_path: Path
) -> None:
    post(ledger)
    impatient = open_ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}", busy_timeout_s=0.01)
    courier = Courier(impatient, "phone", Scripted(Delivered()))
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailableError):
            courier.run(NOTE.expires_s - 1.0)
        other.execute("ROLLBACK")
    courier.run(NOTE.expires_s + 1.0)
    assert state_of(ledger) == "delivered"
    impatient.close()


def test_what_was_delivered_is_not_sent_again_while_the_ledger_cannot_be_written(
    ledger: SqlLedger, tmp_path: Path
) -> None:
    for n in range(8):
        post(ledger, key=f"note/{n}")
    impatient = open_ledger(f"sqlite:///{tmp_path / 'ledger.sqlite'}", busy_timeout_s=0.01)
    sender = Scripted(Delivered())
    courier = Courier(impatient, "phone", sender)
    with closing(sqlite3.connect(tmp_path / "ledger.sqlite", isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")  # as a full disk: it can be read and not written
        for second in range(5):
            with pytest.raises(StoreUnavailableError):
                courier.run(NOW_S + second)
            assert "the outbox" in courier.state().last_error
        other.execute("ROLLBACK")
    assert sorted(sender.sent) == [f"note/{n}" for n in range(8)]
    courier.run(NOW_S + 10)
    courier.run(NOW_S + 11)
    assert len(sender.sent) == 8
    assert {item.state for item in ledger.outbox()} == {"delivered"}
    assert courier.state().failing_since_s is None
    impatient.close()


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
    assert sorted(sender.sent) == ["c", "d", "other"]
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


def test_a_fresh_high_warning_goes_before_ten_thousand_that_wait(ledger: SqlLedger) -> None:
    """An hour's worth of older ones, at four a second; what there is no room for is closed in the record."""
    old = [
        (
            "phone",
            replace(NOTE, key=f"old/{n}", subject=f"warning:{n}", priority=("high", "medium", "low")[n % 3]),
        )
        for n in range(10_000)
    ]
    ledger.commit([], entered_s=NOW_S, outbox=old)
    post(ledger, key="fresh", subject="warning:fresh", created_s=NOW_S + 60.0)
    sender = Scripted(Delivered())
    courier = Courier(ledger, "phone", sender)
    for second in range(20):
        assert courier.run(NOW_S + 60.0 + second) == AT_ONCE
    assert sender.sent[0] == "fresh"
    assert all(int(key.split("/")[1]) % 3 == 0 for key in sender.sent[1:])  # the high ones before all others
    ended = ledger.events(kinds=[EventKind.DELIVERY])
    left_out = [event for event in ended if event.body["state"] == "cancelled"]
    waiting = ledger.outbox(states=("waiting",))
    assert len(waiting) + len(ended) == 10_001
    assert len(waiting) <= MOST_WAITING
    assert {event.why for event in left_out} == {LEFT_OUT.why}
    assert undeliverable({"phone": courier.state()}, NOW_S + 80.0, 900) == ("phone",)  # somebody is told
    courier.run(NOW_S + 80.0 + LEFT_OUT_TOLD_S)


def test_on_a_dead_channel_many_urgent_ones_keep_no_other_from_being_handed_over(ledger: SqlLedger) -> None:
    post(ledger, key="medium", subject="warning:m", priority="medium")
    for n in range(90):
        post(ledger, key=f"high/{n}", subject=f"warning:{n}")
    courier = Courier(ledger, "phone", Scripted(Retry("no answer")), "mail")
    for second in range(1200):
        courier.run(NOW_S + second)
    assert "medium" in {item.notification.key for item in ledger.outbox(channel="mail")}


def test_no_more_than_four_a_second_however_often_it_is_woken(ledger: SqlLedger) -> None:
    for n in range(20):
        post(ledger, key=f"note/{n}", subject=f"warning:{n}")
    courier = Courier(ledger, "phone", Scripted(Delivered()))
    tries = [courier.run(NOW_S + 0.1 * n) for n in range(30)]
    assert sum(tries[:10]) == sum(tries[10:20]) == AT_ONCE


def test_what_is_too_old_or_over_is_closed_as_such_and_not_sent(ledger: SqlLedger) -> None:
    post(ledger, key="old", subject="warning:a", expires_s=NOW_S + 10.0)
    post(ledger, key="over", subject="warning:b")
    post(ledger, key="good", subject="warning:c")
    sender = Scripted(Delivered())
    Courier(ledger, "phone", sender, is_over=lambda note: note.key == "over").run(NOW_S + 20.0)
    assert sender.sent == ["good"]
    ends = {str(e.body["key"]): (e.body["state"], e.why) for e in ledger.events(kinds=[EventKind.DELIVERY])}
    assert ends["old"] == ("expired", "no longer useful; it is on the page and in the record")
    assert ends["over"] == ("cancelled", "the situation was over before it could be sent")
    assert {item.notification.key: item.state for item in ledger.outbox()} == {
        "old": "expired",
        "over": "cancelled",
        "good": "delivered",
    }
