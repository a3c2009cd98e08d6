"""Takes whole rows over from another store, with their order of arrival, marks and sums."""

import sqlite3
from collections.abc import Iterable, Sequence
from typing import Any

from monitor.model.reading import Quantity, SeriesKey
from monitor.store.influx.layout import ReadingRow
from monitor.store.series.catalog import (
    LAST_ORDER,
    Catalog,
    read_floors,
    read_number,
    series_key,
    write_number,
)
from monitor.store.series.fresh_rows import file_all
from monitor.store.series.orders import FILED_AT
from monitor.store.series.retention import raise_floors
from monitor.store.series.rollups import refresh
from monitor.store.series.series_schema import HOUR_MS

COUNTERS = ("stored", "repeated", "contradicting", "set_aside", "doubtful")
_ROLLUPS = ("rollup_minute", "rollup_quarter", "rollup_hour", "rollup_day")
_UNKNOWN_REASON = "marked before the move; the reason stayed behind"

OrderedRow = tuple[int, ReadingRow]
PointRow = tuple[SeriesKey, int, float]


def reading_row(row: Sequence[Any]) -> ReadingRow:
    """From zone, source, quantity, time, value, status, delay, sequence, whether the device's clock."""
    zone, source, quantity, time_ms, value, status, delay_ms, sequence, from_device = row
    key = series_key(zone, source, quantity)
    return ReadingRow(key, time_ms, value, status, delay_ms, sequence, from_device != 0)


def adopt_readings(db: sqlite3.Connection, catalog: Catalog, rows: Iterable[OrderedRow]) -> None:
    """Write readings with the orders they had; one that is already there stays as it is."""
    file_all(db, catalog)
    hours: set[tuple[int, int]] = set()
    for order, row in rows:
        number = catalog.series_id(db, row.key, derived=False)
        written = db.execute(
            "INSERT INTO reading VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (series_id, time_ms) DO NOTHING",
            (order, number, row.time_ms, row.delay_ms, row.value, row.sequence, row.from_device, row.status),
        ).rowcount
        db.execute(FILED_AT, (order, number, row.time_ms))
        if written and row.status:
            db.execute("INSERT OR IGNORE INTO mark VALUES (?, ?)", (order, _UNKNOWN_REASON))
        hours.add((number, row.time_ms // HOUR_MS))
        catalog.newest_ms[number] = max(row.time_ms, catalog.newest_ms[number])
    catalog.mark_stale(db, hours)
    refresh(db, catalog, only_many=True)


def adopt_points(db: sqlite3.Connection, catalog: Catalog, rows: Iterable[PointRow]) -> None:
    """Write derived points."""
    file_all(db, catalog)
    hours: set[tuple[int, int]] = set()
    for key, time_ms, value in rows:
        number = catalog.series_id(db, key, derived=True)
        db.execute("INSERT OR REPLACE INTO point VALUES (?, ?, ?)", (number, time_ms, value))
        hours.add((number, time_ms // HOUR_MS))
        catalog.newest_ms[number] = max(time_ms, catalog.newest_ms[number])
    catalog.mark_stale(db, hours)
    refresh(db, catalog, only_many=True)


def adopt_book(source: sqlite3.Connection, db: sqlite3.Connection, catalog: Catalog) -> None:
    """Take over counters, the last order, messages set aside, and the reasons of marks."""
    file_all(db, catalog)
    for name in COUNTERS:
        write_number(db, name, read_number(source, name))
    catalog.last_order = max(catalog.last_order, read_number(source, LAST_ORDER))
    write_number(db, LAST_ORDER, catalog.last_order)
    columns = "topic, payload, arrived_ms, reason, detail"
    for row in source.execute(f"SELECT {columns} FROM set_aside ORDER BY id"):
        db.execute(f"INSERT INTO set_aside ({columns}) VALUES (?, ?, ?, ?, ?)", row)
    for row in source.execute("SELECT * FROM mark"):
        db.execute("UPDATE mark SET reason = ?2 WHERE arrival_order = ?1", row)


def adopt_sums(source: sqlite3.Connection, db: sqlite3.Connection, catalog: Catalog) -> None:
    """Take over what is left of the time of which the readings are no longer kept."""
    floors = read_floors(source)
    spooled = read_number(source, "local_floor_ms") > 0  # then the server has readings below the floor
    until_ms = read_number(source, "sums_until_ms") if spooled else floors.raw_ms
    raise_floors(db, catalog, floors)
    write_number(db, "sums_until_ms", until_ms)
    named = {
        number: (SeriesKey(zone, place, Quantity(quantity)), bool(derived))
        for number, zone, place, quantity, derived in source.execute("SELECT * FROM series")
    }
    for table in _ROLLUPS:
        for row in source.execute(f"SELECT * FROM {table} WHERE start_ms < ?", (until_ms,)):
            key, derived = named[row[0]]
            number = catalog.series_id(db, key, derived=derived)
            db.execute(f"INSERT OR REPLACE INTO {table} VALUES (?, ?, ?, ?, ?, ?)", (number, *row[1:]))
