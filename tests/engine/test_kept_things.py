"""Every thing is folded once and then kept up with the ledger, whoever writes it."""

from pathlib import Path

import pytest

from monitor.engine.kept_things import KeptThings
from monitor.history import entries as made
from monitor.history.entries import Entry, body_of
from monitor.history.shop_history import TOLD, DeclaredThings, declared_things
from monitor.model.event import Event, EventKind, NewEvent
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from tests.bookkeeper.yard import yard_settings


@pytest.fixture
def declared(tmp_path: Path) -> DeclaredThings:
    return declared_things(yard_settings(tmp_path))


def opened(folder: Path) -> SqlLedger:
    return open_ledger(f"sqlite:///{folder}/things.sqlite")


def write(ledger: SqlLedger, subject: str, time_s: float, entry: Entry) -> Event:
    told = NewEvent(entry.kind, subject, time_s, "lead", body_of(entry))
    return ledger.commit([told], entered_s=time_s)[0]


def test_what_another_writer_enters_is_there_at_the_next_look(
    tmp_path: Path, declared: DeclaredThings
) -> None:
    ledger, other = opened(tmp_path), opened(tmp_path)
    kept = KeptThings(declared, ledger)
    assert kept.now() == declared.history(())
    for n in range(4):
        plate = write(other, f"plate-{n}", 10.0 + n, made.PlateBroughtIn("Plate", "slip-bay", 0.012))
        assert kept.now() == declared.history(ledger.events(kinds=TOLD))
        right = NewEvent(
            EventKind.CORRECTION, plate.subject, 11.0, "lead", {"of": plate.number, "void": True}
        )
        other.commit([right], entered_s=30.0)
        assert kept.now() == declared.history(ledger.events(kinds=TOLD))
    assert kept.now() is kept.now()
    ledger.close()
    other.close()


def test_only_what_was_entered_since_is_read(
    tmp_path: Path, declared: DeclaredThings, monkeypatch: pytest.MonkeyPatch
) -> None:
    ledger = opened(tmp_path)
    for n in range(50):
        write(ledger, f"plate-{n}", 10.0 + n, made.PlateBroughtIn("Plate", "slip-bay", 0.012))
    kept, read = KeptThings(declared, ledger), []
    events = ledger.events

    def counted(**asked: object) -> list[Event]:
        found = events(**asked)  # type: ignore[arg-type]
        read.append(len(found))
        return found

    monkeypatch.setattr(ledger, "events", counted)
    kept.now()
    kept.now()
    write(ledger, "plate-7", 99.0, made.PlateGone())
    kept.now()
    assert read == [50, 1, 2]
    ledger.close()


def test_a_ledger_that_holds_something_else_is_folded_afresh(
    tmp_path: Path, declared: DeclaredThings
) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    one, two = opened(first), opened(second)
    for ledger, zone in ((one, "slip-bay"), (two, "panel-hall")):
        write(ledger, "plate-1", 10.0, made.PlateBroughtIn("Plate", zone, 0.012))
    kept = KeptThings(declared, one)
    assert kept.now().bodies["plate-1"].history.zone == "slip-bay"  # type: ignore[union-attr]
    kept._ledger = two
    assert kept.now().bodies["plate-1"].history.zone == "panel-hall"  # type: ignore[union-attr]
    empty = opened(tmp_path / "third")
    kept._ledger = empty
    assert "plate-1" not in kept.now().bodies
    for ledger in (one, two, empty):
        ledger.close()
