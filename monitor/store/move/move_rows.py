"""Reads whole rows of one series and day from a store's file, and puts a seal on them."""

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator

import numpy as np

from monitor.model.reading import Quantity, SeriesKey
from monitor.store.influx.layout import ReadingRow
from monitor.store.months import month_book
from monitor.store.months.shelf import Shelf
from monitor.store.series.adopt import OrderedRow, PointRow, reading_row
from monitor.store.series.packed_stretches import in_rising_time, packed_part
from monitor.store.series.packing import BLOCK, Block
from monitor.store.series.reads import find
from monitor.store.series.series_schema import DAY_MS, STRETCH_MS

READINGS = """
SELECT arrival_order, zone, source, quantity, time_ms, value, status, delay_ms, sequence, from_device
FROM reading JOIN series ON series.id = series_id"""
POINTS = """
SELECT zone, source, quantity, time_ms, value FROM point JOIN series ON series.id = series_id"""
_ONE_DAY = "WHERE zone = ? AND source = ? AND quantity = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"


def series_of(db: sqlite3.Connection) -> dict[SeriesKey, bool]:
    """Every series in a file, and whether it is derived."""
    rows = db.execute("SELECT zone, source, quantity, derived FROM series ORDER BY id")
    return {SeriesKey(zone, source, Quantity(q)): bool(derived) for zone, source, q, derived in rows}


def next_day(db: sqlite3.Connection, after_ms: int) -> int | None:
    """The start of the first UTC day from `after_ms` on that holds anything."""
    found = [
        row[0]
        for number, derived in db.execute("SELECT id, derived FROM series").fetchall()
        for row in db.execute(
            f"SELECT min(time_ms) FROM {'point' if derived else 'reading'} "
            "WHERE series_id = ? AND time_ms >= ?",
            (number, after_ms),
        )
        if row[0] is not None
    ]
    packed = db.execute(
        "SELECT min(stretch) FROM packed WHERE stretch >= ?", (after_ms // STRETCH_MS,)
    ).fetchone()[0]
    if packed is not None:
        found.append(packed * STRETCH_MS)
    filed = month_book.first_from(db, after_ms)
    if filed is not None:
        found.append(filed)
    return min(found) // DAY_MS * DAY_MS if found else None


def readings_of_day(db: sqlite3.Connection, shelf: Shelf, key: SeriesKey, day_ms: int) -> list[OrderedRow]:
    """Readings of one series and day with their orders; MonthUnreadableError without its file."""
    rows = db.execute(f"{READINGS} {_ONE_DAY}", (*_texts(key), day_ms, day_ms + DAY_MS))
    found = [(row[0], reading_row(row[1:])) for row in rows]
    return sorted([*found, *_packed_readings(db, shelf, key, day_ms)], key=lambda one: one[1].time_ms)


def _packed_readings(
    db: sqlite3.Connection, shelf: Shelf, key: SeriesKey, day_ms: int
) -> Iterator[OrderedRow]:
    """Those of a day that are packed or in a month's file."""
    for row in _packed(db, shelf, key, day_ms).tolist():
        time_ms, value, order, delay_ms, sequence, sequenced, from_device, status = row
        sent = sequence if sequenced else None
        yield order, ReadingRow(key, time_ms, value, status, delay_ms, sent, from_device != 0)


def _packed(db: sqlite3.Connection, shelf: Shelf, key: SeriesKey, day_ms: int) -> Block:
    series = find(db, key)
    if series is None:
        return np.zeros(0, BLOCK)
    end_ms = day_ms + DAY_MS
    packed = packed_part(db, series.id, derived=series.derived, start_ms=day_ms, end_ms=end_ms)
    return in_rising_time(shelf.stretch(db, series.id, day_ms, end_ms)[0], packed)


def points_of_day(db: sqlite3.Connection, shelf: Shelf, key: SeriesKey, day_ms: int) -> list[PointRow]:
    """Derived points of one series and day."""
    rows = db.execute(f"{POINTS} {_ONE_DAY}", (*_texts(key), day_ms, day_ms + DAY_MS))
    packed = _packed(db, shelf, key, day_ms)
    times = zip(packed["time_ms"].tolist(), packed["value"].tolist(), strict=True)
    found = [(row[3], row[4]) for row in rows]
    return [(key, time_ms, value) for time_ms, value in sorted([*found, *times])]


def ordered_rows(db: sqlite3.Connection, condition: str, values: tuple[int, ...]) -> Iterator[OrderedRow]:
    """Readings in order of arrival."""
    for row in db.execute(f"{READINGS} WHERE {condition} ORDER BY arrival_order", values):
        yield row[0], reading_row(row[1:])


def point_rows(db: sqlite3.Connection, since_ms: int) -> Iterator[PointRow]:
    """Derived points from a time on."""
    for zone, source, quantity, time_ms, value in db.execute(f"{POINTS} WHERE time_ms >= ?", (since_ms,)):
        yield SeriesKey(zone, source, Quantity(quantity)), time_ms, value


def seal_of_readings(rows: Iterable[ReadingRow]) -> tuple[int, str]:
    """Count and SHA-256 of readings in rising time, over everything that travels."""
    return _sealed(
        (r.time_ms, r.value, r.status, r.delay_ms, r.sequence, r.from_device or r.delay_ms != 0) for r in rows
    )


def seal_of_points(rows: Iterable[PointRow]) -> tuple[int, str]:
    """Count and SHA-256 of derived points in rising time."""
    return _sealed(row[1:] for row in rows)


def _sealed(rows: Iterable[tuple[object, ...]]) -> tuple[int, str]:
    digest, count = hashlib.sha256(), 0
    for row in rows:
        digest.update(repr(row).encode())
        count += 1
    return count, digest.hexdigest()


def _texts(key: SeriesKey) -> tuple[str, str, str]:
    return key.zone, key.source, key.quantity.value
