"""A window's status events are read once, and what comes, comes late or was changed is still seen."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.event import EventKind, NewEvent
from monitor.report.chart import Window
from monitor.report.sensor_troubles import status_events
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from monitor.web.pages.status_events import StatusEvents

HOUR_S = 3_600.0
WINDOW = Window(100 * HOUR_S, 200 * HOUR_S, 900.0)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    """An empty record."""
    ledger = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")
    yield ledger
    ledger.close()


def say(ledger: SqlLedger, sensor: str, hour: float, status: str) -> None:
    """A sensor's status changed."""
    body: dict[str, object] = {"status": status, "reason": ""}
    ledger.commit(
        [NewEvent(EventKind.SENSOR_STATUS, sensor, hour * HOUR_S, "", body)], entered_s=hour * HOUR_S
    )


def straight(ledger: SqlLedger) -> list[int]:
    """The numbers as one reading of the whole record gives them."""
    return [event.number for event in status_events(ledger, WINDOW)]


def kept(told: StatusEvents) -> list[int]:
    """The numbers as the one that remembers gives them."""
    return [event.number for event in told.within(WINDOW)]


@pytest.mark.parametrize("hour", [50.0, 150.0, 250.0], ids=["before it", "in it", "after it"])
def test_what_comes_after_a_reading_is_seen_by_the_next(ledger: SqlLedger, hour: float) -> None:
    say(ledger, "north-1", 90.0, "failure")
    say(ledger, "north-1", 110.0, "good")
    told = StatusEvents(ledger)
    assert kept(told) == straight(ledger) == [1, 2]
    say(ledger, "north-2", hour, "failure")
    assert kept(told) == straight(ledger)
    assert kept(told) == straight(ledger)


def test_a_record_that_was_put_back_is_read_anew(tmp_path: Path, ledger: SqlLedger) -> None:
    say(ledger, "north-1", 110.0, "failure")
    other = open_ledger(f"sqlite:///{tmp_path / 'other.db'}")
    say(other, "north-1", 120.0, "failure")
    say(other, "north-1", 130.0, "good")
    told = StatusEvents(ledger)
    assert kept(told) == [1]
    told._ledger = other
    assert kept(told) == straight(other) == [1, 2]
    other.close()
