"""A PostgreSQL that takes questions and answers none holds nobody up for longer than a bound."""

import os
import signal
from collections.abc import Iterator

import psycopg
import pytest

from monitor.model.event import EventKind, NewEvent
from monitor.store.contract import StoreUnavailableError
from monitor.store.fleet_book import FleetBook
from monitor.store.ledger.answer_time import AnswersInTime
from monitor.store.ledger.sql_ledger import open_ledger
from tests.store import servers


@pytest.fixture
def database() -> Iterator[str]:
    with servers.postgresql_or_skip() as server:
        yield f"postgresql+psycopg://{server}/postgres"


def pids(database: str) -> list[int]:
    """The server's processes that serve somebody."""
    with psycopg.connect(database.replace("+psycopg", ""), autocommit=True) as db:
        rows = db.execute("SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend'")
        return [pid for (pid,) in rows if pid != db.info.backend_pid]


def told(number: int) -> NewEvent:
    return NewEvent(EventKind.PACKAGE, "spool-1", 1_700_000_000.0, "", {"number": number}, key=f"k{number}")


def test_connections_that_answer_nothing_are_left_for_new_ones(database, monkeypatch):
    monkeypatch.setattr(AnswersInTime, "silent_s", 1.0)
    ledger, book = open_ledger(database), FleetBook(database)
    try:
        ledger.commit([told(1)], entered_s=1.0)
        stopped = pids(database)
        assert stopped
        for pid in stopped:
            os.kill(pid, signal.SIGSTOP)
        try:
            ledger.commit([told(2)], entered_s=2.0)
            assert book.workers(8.0) == []
        finally:
            for pid in stopped:
                os.kill(pid, signal.SIGCONT)
        assert [event.key for event in ledger.events()] == ["k1", "k2"]
    finally:
        ledger.close()
        book.close()


def test_a_lock_that_somebody_never_lets_go_of_is_waited_for_no_longer(database, monkeypatch):
    monkeypatch.setattr(AnswersInTime, "silent_s", 1.0)
    ledger = open_ledger(database)
    with psycopg.connect(database.replace("+psycopg", "")) as other:
        other.execute("LOCK TABLE event IN ACCESS EXCLUSIVE MODE")
        with pytest.raises(StoreUnavailableError, match="no answer"):
            ledger.commit([told(1)], entered_s=1.0)
    ledger.commit([told(1)], entered_s=1.0)
    assert len(ledger.events()) == 1
    ledger.close()
