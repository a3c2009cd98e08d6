"""Whoever writes the whole record anew, or takes it away, is found out by what was kept elsewhere."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.store.backup import back_up, verify_against
from monitor.store.contract import StoreUnavailableError, Witness
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from monitor.store.ledger.tables import CHAIN_HEAD, EVENT
from monitor.store.ledger_chain import GENESIS, canonical, chained
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.store.witness_book import WITNESS_FILE, WitnessBook, contradicting
from monitor.store.witnesses import read_witness, short_witness

COUNT = 12
CHANGED = 5
DAY_S = 86_400.0
NOW_S = 1_788_000_000.0


def filled(ledger: SqlLedger, count: int = COUNT) -> list[Event]:
    new = [
        NewEvent(EventKind.BEAD, f"bead-{n}", n + 0.5, "lead", {"n": n}, key=f"k{n}") for n in range(count)
    ]
    return ledger.commit(new, entered_s=50.0)


def rewritten(url: str, from_number: int = CHANGED) -> None:
    """Write one event otherwise, and every hash after it and the recorded end anew, as files allow."""
    engine = sa.create_engine(url)
    with engine.begin() as db:
        if engine.dialect.name == "sqlite":
            db.exec_driver_sql("DROP TRIGGER event_no_update")
        else:
            db.exec_driver_sql("DROP TRIGGER event_no_change ON event")
        last = GENESIS
        rows = [dict(row) for row in db.execute(sa.select(EVENT).order_by(EVENT.c.number)).mappings()]
        for row in rows:
            body = {"n": 99} if row["number"] == from_number else {"n": row["number"] - 1}
            kind = EventKind(row["kind"])
            new = NewEvent(kind, row["subject"], row["time_s"], row["who"], body, row["why"], row["key"])
            event = chained(new, row["entered_s"], last)
            values = {"body": canonical(event.body), "previous_hash": event.previous_hash, "hash": event.hash}
            db.execute(EVENT.update().where(EVENT.c.number == event.number).values(values))
            last = Witness(event.number, event.hash)
        db.execute(CHAIN_HEAD.update().values(number=last.number, hash=last.hash))
    engine.dispose()


@pytest.fixture
def ledger(ledger_url: str) -> Iterator[SqlLedger]:
    opened = open_ledger(ledger_url)
    yield opened
    opened.close()


@pytest.fixture
def series(tmp_path: Path) -> Iterator[SqliteSeriesStore]:
    opened = SqliteSeriesStore(tmp_path / "series.sqlite")
    yield opened
    opened.close()


def test_a_chain_written_anew_as_a_whole_holds_by_itself_and_breaks_at_a_daily_words_witness(
    ledger: SqlLedger, ledger_url: str
) -> None:
    events = filled(ledger)
    on_phones = [read_witness(short_witness(Witness(one.number, one.hash))) for one in events[3::4]]
    assert ledger.verify(on_phones).broken_at is None
    rewritten(ledger_url)
    assert ledger.verify().broken_at is None
    found = ledger.verify(on_phones)
    assert found.broken_at == 8
    assert "written anew, or one before it was, after event 4" in found.reason


def test_a_backups_chain_names_the_very_event(
    ledger: SqlLedger, ledger_url: str, series: SqliteSeriesStore, tmp_path: Path
) -> None:
    filled(ledger)
    try:
        folder = back_up(series, ledger, tmp_path / "backups", NOW_S)
    except StoreUnavailableError as error:
        pytest.skip(f"the backup cannot be made here: {error}")
    ledger.commit([NewEvent(EventKind.BEAD, "later", 60.0, "lead", {"n": COUNT})], entered_s=60.0)
    assert verify_against(ledger, folder).broken_at is None
    rewritten(ledger_url)
    found = verify_against(ledger, folder)
    copied_event_by_event = (folder / "ledger.sqlite").is_file()
    assert found.broken_at == (CHANGED if copied_event_by_event else COUNT)
    assert "not the one that was witnessed" in found.reason


@pytest.mark.parametrize("number", [1, CHANGED, COUNT])
def test_what_is_kept_beside_the_ledger_is_contradicted_wherever_it_was_written_anew(
    ledger: SqlLedger, ledger_url: str, series: SqliteSeriesStore, tmp_path: Path, number: int
) -> None:
    book = WitnessBook(tmp_path, series)
    filled(ledger)
    book.keep(NOW_S, ledger.head())
    assert contradicting(ledger, book.kept()) == []
    rewritten(ledger_url, number)
    assert [one.witness.number for one in contradicting(ledger, book.kept())] == [COUNT]


def test_either_of_the_two_places_is_enough(
    ledger: SqlLedger, series: SqliteSeriesStore, tmp_path: Path
) -> None:
    book = WitnessBook(tmp_path, series)
    filled(ledger)
    book.keep(NOW_S, ledger.head())
    (tmp_path / WITNESS_FILE).write_text("not json")
    assert [one.witness for one in book.kept()] == [ledger.head()]
    book.keep(NOW_S + DAY_S, ledger.head())
    other = SqliteSeriesStore(tmp_path / "other.sqlite")
    assert len(WitnessBook(tmp_path, other).kept()) == 2
    other.close()


def test_of_each_day_the_last_end_is_kept(
    ledger: SqlLedger, series: SqliteSeriesStore, tmp_path: Path
) -> None:
    book = WitnessBook(tmp_path, series)
    for hour in range(0, 72, 6):
        filled(ledger, 1 + hour)
        book.keep(NOW_S + 3_600.0 * hour, ledger.head())
    assert 3 <= len(book.kept()) <= 4
    assert book.kept()[-1].witness == ledger.head()
    assert len(series.witnesses()) == len(book.kept())


def test_a_shorter_ledger_is_contradicted_and_a_longer_one_is_not(
    ledger: SqlLedger, series: SqliteSeriesStore, tmp_path: Path
) -> None:
    book = WitnessBook(tmp_path, series)
    filled(ledger)
    book.keep(NOW_S, ledger.head())
    filled(ledger, COUNT + 3)
    assert contradicting(ledger, book.kept()) == []
    empty = open_ledger(f"sqlite:///{tmp_path}/empty.sqlite")
    assert [one.witness.number for one in contradicting(empty, book.kept())] == [COUNT]
    found = empty.verify([one.witness for one in book.kept()])
    assert (found.broken_at, found.reason) == (1, "event 1 is missing at the end")
    empty.close()


def test_a_witness_is_read_as_people_copy_it() -> None:
    full = Witness(48_213, "a3f19c2e77b041de" + "0" * 48)
    for text in ("48213:a3f19c2e77b041de", " 48213 : A3F1 9C2E 77B0 41DE.", "48213:a3f1-9c2e-77b0-41de"):
        assert read_witness(text) == Witness(48_213, "a3f19c2e77b041de")
    assert read_witness(f"48213:{full.hash}") == full
    assert short_witness(full) == "48213:a3f19c2e77b041de"


@pytest.mark.parametrize(
    "text", ["", "48213", "48213:a3f1", "a3f19c2e77b041de", "1:zzzz9c2e77b041de", "9" * 40]
)
def test_what_is_no_witness_is_refused_with_the_form_it_has(text: str) -> None:
    with pytest.raises(InputError, match="48213:a3f19c2e77b041de"):
        read_witness(text)
