"""Whoever edits, takes out, puts in or moves an event behind the ledger's back is found out."""

from collections.abc import Callable

import pytest
import rfc8785
import sqlalchemy as sa
from hypothesis import example, given, settings
from hypothesis import strategies as st
from sqlalchemy import Connection

from monitor.model.event import Event, EventKind, NewEvent
from monitor.store.contract import Witness
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.ledger.tables import CHAIN_HEAD, EVENT
from monitor.store.ledger_chain import canonical, chained, with_hash

COUNT = 12


def row_of(event: Event) -> dict[str, object]:
    fields = {name: getattr(event, name) for name in Event.__slots__}
    return {**fields, "kind": event.kind.value, "body": canonical(event.body)}


def forged(number: int, after: Event) -> Event:
    """An event that is whole in itself and follows `after`."""
    new = NewEvent(EventKind.PACKAGE, "forged", 5.0, "nobody", {"did": "dried"})
    event = chained(new, 5.0, Witness(after.number, after.hash))
    assert event.number == number
    return event


def tampered(url: str, change: Callable[[Connection, list[Event]], None]) -> tuple[int | None, str]:
    """A ledger of twelve events, changed by one who may do anything to the database; what verify says."""
    ledger = open_ledger(url)
    new = [
        NewEvent(EventKind.BEAD, f"bead-{n}", n + 0.5, "lead", {"n": n}, key=f"k{n}") for n in range(COUNT)
    ]
    events = ledger.commit(new, entered_s=50.0)
    witness = ledger.head()
    ledger.close()
    engine = sa.create_engine(url)
    with engine.begin() as db:
        if engine.dialect.name == "sqlite":
            db.exec_driver_sql("DROP TRIGGER event_no_update")
            db.exec_driver_sql("DROP TRIGGER event_no_delete")
        else:
            db.exec_driver_sql("DROP TRIGGER event_no_change ON event")
        change(db, events)
    engine.dispose()
    ledger = open_ledger(url)
    plain, witnessed = ledger.verify(), ledger.verify([witness])
    ledger.close()
    if plain.broken_at is not None:
        assert witnessed.broken_at is not None
        return plain.broken_at, plain.reason
    return witnessed.broken_at, f"only by the witness: {witnessed.reason}"


def test_the_untouched_chain_holds(ledger_url):
    assert tampered(ledger_url, lambda db, events: None) == (None, "only by the witness: ")


EDITS = {
    "kind": "steel",
    "subject": "bead-99",
    "time_s": 3.25,
    "entered_s": 49.0,
    "who": "other",
    "why": "because",
    "body": '{"n":77}',
    "key": "other-key",
    "previous_hash": "f" * 64,
    "hash": "f" * 64,
}


@pytest.mark.parametrize("field", EDITS)
def test_an_edited_field_is_found_at_its_event(ledger_url, field):
    where = EVENT.c.number == 5
    broken, reason = tampered(
        ledger_url, lambda db, _: db.execute(EVENT.update().where(where).values({field: EDITS[field]}))
    )
    assert broken == 5
    assert "event 5" in reason


@pytest.mark.parametrize("body", ['{"n": 4}', "{}", "[]", "not json", '{"n":4,"n":4}', '{"n":4.0}'])
def test_a_body_written_differently_is_found_even_where_it_means_the_same(tmp_path, body):
    broken, reason = tampered(
        f"sqlite:///{tmp_path}/l.sqlite",
        lambda db, _: db.execute(EVENT.update().where(EVENT.c.number == 5).values(body=body)),
    )
    assert (broken, "was changed" in reason) == (5, True)


def test_an_edit_with_its_hash_made_anew_is_found_at_the_next_event(ledger_url):
    def change(db, events):
        fields = {name: getattr(events[4], name) for name in Event.__slots__}
        event = with_hash(Event(**{**fields, "who": "other"}))
        db.execute(EVENT.update().where(EVENT.c.number == 5).values(row_of(event)))

    broken, reason = tampered(ledger_url, change)
    assert broken == 6
    assert "does not follow event 5" in reason


@pytest.mark.parametrize("number", [1, 6, COUNT])
def test_a_deleted_event_is_named(ledger_url, number):
    broken, reason = tampered(
        ledger_url, lambda db, _: db.execute(EVENT.delete().where(EVENT.c.number == number))
    )
    assert broken == number
    assert f"event {number} is missing" in reason


@pytest.mark.parametrize("count", [1, 3, COUNT])
def test_events_taken_off_the_end_are_missed(ledger_url, count):
    broken, reason = tampered(
        ledger_url, lambda db, _: db.execute(EVENT.delete().where(EVENT.c.number > COUNT - count))
    )
    assert broken == COUNT - count + 1
    assert "missing at the end" in reason


def test_events_taken_off_the_end_together_with_the_record_of_the_end_are_missed_by_the_witness(ledger_url):
    def change(db, events):
        db.execute(EVENT.delete().where(EVENT.c.number > 9))
        db.execute(CHAIN_HEAD.update().values(number=9, hash=events[8].hash))

    broken, reason = tampered(ledger_url, change)
    assert broken == 10
    assert reason == "only by the witness: event 10 is missing at the end"


def test_a_deletion_with_everything_after_it_made_anew_is_found_by_the_witness(ledger_url):
    def change(db, events):
        db.execute(EVENT.delete().where(EVENT.c.number >= 5))
        last = events[3]
        for old in events[5:]:
            fields = {name: getattr(old, name) for name in Event.__slots__}
            last = with_hash(Event(**{**fields, "number": last.number + 1, "previous_hash": last.hash}))
            db.execute(EVENT.insert().values(row_of(last)))
        db.execute(CHAIN_HEAD.update().values(number=last.number, hash=last.hash))

    broken, reason = tampered(ledger_url, change)
    assert broken == COUNT
    assert reason.startswith("only by the witness")


def test_a_missing_record_of_the_end_is_named(ledger_url):
    broken, reason = tampered(ledger_url, lambda db, _: db.execute(CHAIN_HEAD.delete()))
    assert broken == COUNT
    assert "record of the last event is missing" in reason


def test_two_events_that_changed_places_are_found(ledger_url):
    def change(db, _):
        for number, to in ((4, 100), (7, 4), (100, 7)):
            db.execute(EVENT.update().where(EVENT.c.number == number).values(number=to))

    assert tampered(ledger_url, change)[0] == 4


def test_an_event_put_in_between_is_found(ledger_url):
    def change(db, events):
        for number in range(COUNT, 5, -1):
            db.execute(EVENT.update().where(EVENT.c.number == number).values(number=number + 1))
        db.execute(EVENT.insert().values(row_of(forged(6, events[4]))))

    broken, reason = tampered(ledger_url, change)
    assert broken == 7
    assert "does not follow event 6" in reason


@pytest.mark.parametrize("number", [0, -3])
def test_an_event_put_in_before_the_first_is_found(ledger_url, number):
    def change(db, events):
        db.execute(EVENT.insert().values({**row_of(events[0]), "number": number, "key": None}))

    assert tampered(ledger_url, change) == (number, f"event {number} was put in")


def test_an_event_put_in_at_the_end_is_found(ledger_url):
    broken, reason = tampered(
        ledger_url, lambda db, events: db.execute(EVENT.insert().values(row_of(forged(13, events[-1]))))
    )
    assert broken == COUNT + 1
    assert "after the recorded end" in reason


@settings(max_examples=30, deadline=None)
@given(
    changes=st.lists(
        st.tuples(st.integers(1, COUNT), st.sampled_from([*EDITS, "delete"])), min_size=1, max_size=4
    )
)
def test_whatever_is_changed_the_first_broken_link_is_named(tmp_path_factory, changes):
    def change(db, _):
        for number, what in changes:
            where = EVENT.c.number == number
            if what == "delete":
                db.execute(EVENT.delete().where(where))
            else:
                value = f"{EDITS[what]}-{number}" if what == "key" else EDITS[what]
                db.execute(EVENT.update().where(where).values({what: value}))

    url = f"sqlite:///{tmp_path_factory.mktemp('tampered')}/ledger.sqlite"
    assert tampered(url, change)[0] == min(number for number, _ in changes)


_FINITE = st.floats(allow_nan=False, allow_infinity=False)
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53) + 1, 2**53 - 1) | st.text() | _FINITE,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
)


@given(VALUES)
@example({"b": -0.0, "a": 1e-5, "c": 1e15, "d": 999999999999999.9, "\x00": "\x7f\u2028\U0001f600"})
@example({"\ufb33": 1, "\U0001f600": 2, "z": [1e21, 5e-324, 0.1, 100.0]})
def test_the_quick_way_writes_what_the_library_writes(value: object) -> None:
    """RFC 8785 by the library rfc8785, which the hashes of every ledger so far were made with."""
    assert canonical(value) == rfc8785.dumps(value).decode()  # type: ignore[arg-type]
