"""A day's readings are sealed in the ledger: what comes late is sealed anew, what is changed is found."""

import math
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from monitor.model.event import Event, EventKind
from monitor.model.reading import Mark, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.day_sealer import MOST_DAYS, DaySealer
from monitor.store.day_seals import broken_seals
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore

from .conftest import Rig, archive_all

DAY_S = 86_400.0
MONDAY_S = 1_700_006_400.0 // DAY_S * DAY_S
AIR = SeriesKey("bay", "bay-1", Quantity.AIR_TEMPERATURE)
DAMP = SeriesKey("bay", "bay-1", Quantity.RELATIVE_HUMIDITY)
OTHER = SeriesKey("hall", "hall-1", Quantity.AIR_TEMPERATURE)


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[SqlLedger]:
    opened = open_ledger(f"sqlite:///{tmp_path}/ledger.sqlite")
    yield opened
    opened.close()


@pytest.fixture
def series(tmp_path: Path) -> Iterator[SqliteSeriesStore]:
    opened = SqliteSeriesStore(tmp_path / "series.sqlite")
    yield opened
    opened.close()


def readings(key: SeriesKey, from_s: float, count: int, step_s: float = 600.0) -> list[Reading]:
    return [
        Reading(key, from_s + n * step_s, from_s + n * step_s + 1.0, 10.0 + 0.1 * n, n, True)
        for n in range(count)
    ]


def seals(ledger: SqlLedger) -> list[Event]:
    return ledger.events(kinds=[EventKind.SEAL])


def broken(series: SqliteSeriesStore, ledger: SqlLedger) -> list[str]:
    return broken_seals(series, ledger, 0.0)[1]


def test_a_day_of_a_month_that_cannot_be_read_is_not_called_changed_and_is_not_sealed_anew(
    series: SqliteSeriesStore, ledger: SqlLedger
) -> None:
    series.append(readings(AIR, MONDAY_S, 100))
    sealer = DaySealer(series, ledger)
    while sealer.seal(MONDAY_S + 1.5 * DAY_S):
        pass
    archive_all(series)
    assert broken(series, ledger) == []
    paths = [file.path for file in series.archived()]
    for path in paths:
        path.rename(path.with_suffix(".away"))
    line = broken(series, ledger)[-1]
    assert "cannot be compared" in line
    assert "is missing" in line
    series.append([Reading(OTHER, MONDAY_S + 5.0, MONDAY_S + 3 * DAY_S, 1.0)])
    before = len(seals(ledger))
    sealer.seal(MONDAY_S + 1.6 * DAY_S)
    assert len(seals(ledger)) == before
    for path in paths:
        path.with_suffix(".away").rename(path)
    series.look_at_archive()
    assert sealer.seal(MONDAY_S + 1.7 * DAY_S) == 1
    assert seals(ledger)[-1].body["old_holds"] is True
    assert broken(series, ledger) == []


def changed(path: Path, statement: str) -> None:
    """What somebody with the file does."""
    with closing(sqlite3.connect(path)) as db:
        assert db.execute(statement).rowcount == 1
        db.commit()


def test_every_closed_day_is_sealed_once_and_holds_in_every_store(rig: Rig, ledger: SqlLedger) -> None:
    for key in (AIR, DAMP, OTHER):
        rig.store.append(readings(key, MONDAY_S, 400))
    rig.settle()
    sealer = DaySealer(rig.store, ledger)
    now_s = MONDAY_S + 2 * DAY_S + 7_200.0
    while sealer.seal(now_s):
        pass
    days = {event.subject for event in seals(ledger)}
    assert {"readings/2023-11-15", "readings/2023-11-16"} <= days
    assert "readings/2023-11-17" not in days
    assert len(days) == len(seals(ledger))
    assert DaySealer(rig.store, ledger).seal(now_s) == 0
    looked_at, wrong = broken_seals(rig.store, ledger, MONDAY_S)
    assert (looked_at, wrong) == (2, [])


def sealed(series: SqliteSeriesStore, ledger: SqlLedger) -> DaySealer:
    series.append(readings(AIR, MONDAY_S, 144))
    series.append(readings(OTHER, MONDAY_S, 144))
    sealer = DaySealer(series, ledger)
    while sealer.seal(MONDAY_S + DAY_S + 7_200.0):
        pass
    return sealer


def test_a_day_is_not_sealed_before_it_is_over(series: SqliteSeriesStore, ledger: SqlLedger) -> None:
    series.append(readings(AIR, MONDAY_S, 144))
    sealer = DaySealer(series, ledger)
    while sealer.seal(MONDAY_S + DAY_S - 1.0):
        pass
    assert "readings/2023-11-15" not in {event.subject for event in seals(ledger)}


@pytest.mark.parametrize("restarted", [False, True])
def test_readings_that_come_late_lead_to_a_new_seal_that_names_the_old(
    series: SqliteSeriesStore, ledger: SqlLedger, restarted: bool
) -> None:
    sealer = sealed(series, ledger)
    (old,) = ledger.events(kinds=[EventKind.SEAL], subject="readings/2023-11-15")
    series.append(readings(DAMP, MONDAY_S, 30))
    assert broken(series, ledger) == []  # what came late and is not sealed yet is no fault
    if restarted:
        sealer = DaySealer(series, ledger)
    assert sealer.seal(MONDAY_S + DAY_S + 9_000.0) == 1
    new = ledger.events(kinds=[EventKind.SEAL], subject="readings/2023-11-15")[-1]
    assert new.body["replaces"] == {"number": old.number, "sha256": old.body["sha256"]}
    assert new.body["old_holds"] is True
    assert "30 readings came late" in new.why
    assert (broken(series, ledger), sealer.contradictions()) == ([], [])


COLUMNS = "series_id, time_ms + 1, delay_ms, value, sequence, from_device, status"
TAMPERINGS = {
    "a value": "UPDATE {table} SET value = 9.9 WHERE arrival_order = 7",
    "a time": "UPDATE {table} SET time_ms = time_ms + 1 WHERE arrival_order = 7",
    "one taken out": "DELETE FROM {table} WHERE arrival_order = 7",
    "one put in": f"INSERT INTO {{table}} SELECT -1, {COLUMNS} FROM {{table}} WHERE arrival_order = 7",
}
A_VALUE = TAMPERINGS["a value"].format(table="fresh_reading")


@pytest.mark.parametrize("table", ["fresh_reading", "reading"])
@pytest.mark.parametrize("what", TAMPERINGS)
def test_a_reading_changed_after_its_day_was_sealed_is_found_and_its_series_named(
    series: SqliteSeriesStore, ledger: SqlLedger, what: str, table: str
) -> None:
    sealed(series, ledger)
    if table == "reading":
        series.refresh_rollups()  # files them
    changed(series.file.path, TAMPERINGS[what].format(table=table))
    (said,) = broken(series, ledger)
    assert said.startswith("2023-11-15, sealed in event")
    assert "bay/bay-1/air_temperature_c (144 readings sealed, " in said
    assert "hall-1" not in said


def test_late_readings_do_not_wash_away_a_change(series: SqliteSeriesStore, ledger: SqlLedger) -> None:
    sealer = sealed(series, ledger)
    changed(series.file.path, A_VALUE)
    series.append(readings(DAMP, MONDAY_S, 3))
    sealer.seal(MONDAY_S + DAY_S + 9_000.0)
    new = ledger.events(kinds=[EventKind.SEAL], subject="readings/2023-11-15")[-1]
    assert new.body["old_holds"] is False
    assert "NOT AS SEALED BEFORE: bay/bay-1/air_temperature_c" in new.why
    for one in (sealer, DaySealer(series, ledger)):
        assert [seal.number for seal in one.contradictions()] == [new.number]


def test_doubting_a_reading_changes_no_seal(series: SqliteSeriesStore, ledger: SqlLedger) -> None:
    sealed(series, ledger)
    series.mark([Mark(7, SensorStatus.OUT_OF_SPECIFICATION, "stuck")])
    assert broken(series, ledger) == []


def test_a_long_absence_is_sealed_bit_by_bit_and_goes_back_a_month_at_most(
    series: SqliteSeriesStore, ledger: SqlLedger
) -> None:
    series.append(readings(AIR, MONDAY_S, 90 * 4, step_s=DAY_S / 4))
    sealer, counts = DaySealer(series, ledger), []
    while count := sealer.seal(MONDAY_S + 90 * DAY_S + 7_200.0):
        counts.append(count)
    assert max(counts) == MOST_DAYS
    assert 28 <= len(seals(ledger)) <= 31


def test_days_whose_readings_are_no_longer_kept_are_left_out(
    series: SqliteSeriesStore, ledger: SqlLedger
) -> None:
    sealed(series, ledger)
    changed(series.file.path, A_VALUE)
    assert broken_seals(series, ledger, math.inf) == (0, [])
