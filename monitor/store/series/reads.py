"""Answers questions about stored series from one unchanging view of the file."""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from itertools import groupby, pairwise
from typing import NamedTuple

import numpy as np

from monitor.model.reading import Point, Quantity, Reading, SeriesKey, StoredReading
from monitor.store.contract import Bucket, SeriesSlice
from monitor.store.months.shelf import Shelf
from monitor.store.series.catalog import Series, read_floors, series_key
from monitor.store.series.cover import RAW_MS, Piece, cover
from monitor.store.series.fresh_rows import Fresh, FreshOf, scanned
from monitor.store.series.orders import FILED
from monitor.store.series.packed_stretches import Arrival, closed_part
from monitor.store.series.packing import Block
from monitor.store.series.series_schema import DAY_MS, HOUR_MS, MINUTE_MS, QUARTER_MS

_ROLLUPS = {
    MINUTE_MS: "rollup_minute",
    QUARTER_MS: "rollup_quarter",
    HOUR_MS: "rollup_hour",
    DAY_MS: "rollup_day",
}
_FROM_ROLLUP = """
SELECT (start_ms - ?) / ?, sum(n), sum(total), min(minimum), max(maximum)
FROM {table} WHERE series_id = ? AND start_ms >= ? AND start_ms < ? GROUP BY 1"""
_WHOLE = """
SELECT start_ms / 1000.0, n, minimum, max(minimum, min(maximum, total / n)), maximum
FROM {table} WHERE series_id = ? AND start_ms >= ? AND start_ms < ? ORDER BY start_ms"""
_FROM_RAW = """
SELECT (time_ms - ?) / ?, count(*), sum(value), min(value), max(value)
FROM {table} WHERE series_id = ? AND time_ms >= ? AND time_ms < ? {believed} GROUP BY 1"""
_AFTER = """
SELECT arrival_order, series_id, time_ms, delay_ms, value, sequence, from_device
FROM fresh_reading WHERE arrival_order > ? ORDER BY arrival_order LIMIT ?"""
_FILED_AFTER = f"""
SELECT place.arrival_order, place.series_id, place.time_ms, delay_ms, value, sequence, from_device
FROM {FILED} WHERE place.arrival_order > ? ORDER BY place.arrival_order LIMIT ?"""

_HOUR_BEFORE = f"""
SELECT max(start_ms) FROM (
  SELECT max(hour) * {HOUR_MS} AS start_ms FROM stale_hour
  WHERE series_id = ?1 AND hour < ?2 / {HOUR_MS} AND hour >= ?3 / {HOUR_MS}
  UNION ALL
  SELECT max(start_ms) FROM rollup_hour WHERE series_id = ?1 AND start_ms < ?2 AND start_ms >= ?3)"""
_ASKED = ("time_ms", "value", "status")
# Of a shop's thousands only those that are met: the loop asks for a few readings many times a second.
_NAMED = "SELECT id, zone, source, quantity FROM series WHERE id IN (SELECT value FROM json_each(?))"
_FAR_MS = 2**53 // HOUR_MS * HOUR_MS


class Total(NamedTuple):
    """Numbers summed up, before they become a mean."""

    n: int
    total: float
    minimum: float
    maximum: float

    def plus(self, other: "Total") -> "Total":
        """Both together."""
        return Total(
            self.n + other.n,
            self.total + other.total,
            min(self.minimum, other.minimum),
            max(self.maximum, other.maximum),
        )

    def bucket(self, start_s: float) -> Bucket:
        """As the bucket that begins at `start_s`."""
        mean = min(max(self.total / self.n, self.minimum), self.maximum)  # rounding stays inside
        return Bucket(start_s, self.n, self.minimum, mean, self.maximum)


def find(db: sqlite3.Connection, key: SeriesKey) -> Series | None:
    """The series of a key."""
    row = db.execute(
        "SELECT id, derived FROM series WHERE zone = ? AND source = ? AND quantity = ?",
        (key.zone, key.source, key.quantity.value),
    ).fetchone()
    return Series(row[0], bool(row[1])) if row else None


def keys(db: sqlite3.Connection) -> list[SeriesKey]:
    """Every series enrolled, in order of enrolment."""
    rows = db.execute("SELECT zone, source, quantity FROM series ORDER BY id")
    return [SeriesKey(zone, source, Quantity(quantity)) for zone, source, quantity in rows]


def readings_after(
    db: sqlite3.Connection, order: int, limit: int, packed: Sequence[Arrival] = ()
) -> list[StoredReading]:
    """Readings in order of arrival, with the first of those that are packed."""
    rows: list[Arrival] = db.execute(_FILED_AFTER, (order, limit)).fetchall()
    if len(rows) < limit:  # whatever is not filed yet came later
        rows += db.execute(_AFTER, (order, limit - len(rows))).fetchall()
    if packed:
        rows = sorted([*rows, *packed])[:limit]
    if not rows:
        return []
    named = db.execute(_NAMED, (json.dumps(list({row[1] for row in rows})),))
    by_id = {number: series_key(*names) for number, *names in named}
    return [
        StoredReading(
            place,
            Reading(by_id[series_id], ms / 1000.0, (ms + delay) / 1000.0, value, sequence, bool(device)),
        )
        for place, series_id, ms, delay, value, sequence, device in rows
    ]


def latest(db: sqlite3.Connection, shelf: Shelf, key: SeriesKey, fresh: FreshOf = scanned) -> Point | None:
    """The newest believed point."""
    series = find(db, key)
    if series is None:
        return None
    rows = [row for row in fresh(db, series.id, series.derived) if row[2] == 0]
    filed = _latest_filed(db, shelf, series, rows[-1][0] if rows else 0)
    if filed is None and not rows:
        return None
    time_ms, value = filed or rows[-1][:2]
    return Point(key, time_ms / 1000.0, value)


def _latest_filed(
    db: sqlite3.Connection, shelf: Shelf, series: Series, after_ms: int
) -> tuple[int, float] | None:
    """The newest after a time: hours that may hold one are looked into, the newest first."""
    floor_ms = max(read_floors(db).raw_ms, after_ms // HOUR_MS * HOUR_MS)
    before_ms: int | None = _FAR_MS
    while before_ms := db.execute(_HOUR_BEFORE, (series.id, before_ms, floor_ms)).fetchone()[0]:
        row = db.execute(
            f"SELECT time_ms, value FROM {series.table} WHERE series_id = ? "
            f"AND time_ms >= ? AND time_ms < ? {series.believed} ORDER BY time_ms DESC LIMIT 1",
            (series.id, before_ms, before_ms + HOUR_MS),
        ).fetchone() or _latest_closed(db, shelf, series, before_ms)
        if row:
            return row if row[0] > after_ms else None
    return None


def _latest_closed(
    db: sqlite3.Connection, shelf: Shelf, series: Series, hour_ms: int
) -> tuple[int, float] | None:
    """The newest believed number of an hour that is packed or in a month's file."""
    block = closed_part(db, shelf, series, (hour_ms, hour_ms + HOUR_MS), _ASKED)
    block = block[block["status"] == 0]
    return (int(block["time_ms"][-1]), float(block["value"][-1])) if block.size else None


def slice_(
    db: sqlite3.Connection,
    shelf: Shelf,
    key: SeriesKey,
    stretch: tuple[int, int],
    limit: int | None,
    fresh: FreshOf = scanned,
) -> SeriesSlice:
    """Points in rising time, of a stretch in milliseconds."""
    series = find(db, key)
    if series is None:
        nothing = np.zeros(0, np.float64)
        return SeriesSlice(nothing, nothing, nothing != 0.0)
    columns = "time_ms, value, 0" if series.derived else "time_ms, value, status"
    rows: list[Fresh] = db.execute(
        f"SELECT {columns} FROM {series.table} WHERE series_id = ? "
        "AND time_ms >= ? AND time_ms < ? ORDER BY time_ms LIMIT ?",
        (series.id, *stretch, -1 if limit is None else limit),
    ).fetchall()
    rows += _within(fresh(db, series.id, series.derived), stretch)
    packed = closed_part(db, shelf, series, stretch, _ASKED)
    parts = zip(_ASKED, zip(*rows, strict=True) if rows else [()] * 3, strict=True)
    time_ms, value, status = (np.concatenate([packed[name], np.array(part)]) for name, part in parts)
    order = np.argsort(time_ms, kind="stable")[:limit]
    return SeriesSlice(time_ms[order] / 1000.0, value[order], status[order] != 0)


def _within(rows: list[Fresh], stretch: tuple[int, int]) -> list[Fresh]:
    return [row for row in rows if stretch[0] <= row[0] < stretch[1]]


def buckets(
    db: sqlite3.Connection,
    shelf: Shelf,
    key: SeriesKey,
    stretch: tuple[int, int],
    width_ms: int,
    fresh: FreshOf = scanned,
) -> list[Bucket]:
    """Aligned buckets over a stretch in milliseconds; those that are kept summed up come as they lie."""
    series = find(db, key)
    if series is None:
        return []
    whole: list[Bucket] = []
    found: dict[int, Total] = {}
    rows = _within(fresh(db, series.id, series.derived), stretch)
    for piece in _pieces(db, series, rows, stretch, width_ms):
        if piece.level_ms == width_ms and width_ms in _ROLLUPS:
            query = _WHOLE.format(table=_ROLLUPS[width_ms])
            whole += map(Bucket._make, db.execute(query, (series.id, piece.start_ms, piece.end_ms)))
            if width_ms == QUARTER_MS:
                add_totals(found, _filed_quarters(db, shelf, series, piece, (0, width_ms)))
        else:
            add_totals(found, _totals(db, shelf, series, rows, piece, (0, width_ms)))
    parts = [found[number].bucket(number * width_ms / 1000.0) for number in sorted(found)]
    return sorted(whole + parts) if parts and whole else whole or parts


def totals(
    db: sqlite3.Connection,
    shelf: Shelf,
    key: SeriesKey,
    stretch: tuple[int, int],
    width_ms: int,
    fresh: FreshOf = scanned,
) -> dict[int, Total]:
    """Sums by bucket number (time // width) over a stretch in milliseconds."""
    found: dict[int, Total] = {}
    series = find(db, key)
    if series is not None:
        rows = _within(fresh(db, series.id, series.derived), stretch)
        for piece in _pieces(db, series, rows, stretch, width_ms):
            add_totals(found, _totals(db, shelf, series, rows, piece, (0, width_ms)))
    return found


def spans(
    db: sqlite3.Connection,
    shelf: Shelf,
    key: SeriesKey,
    edges_ms: Sequence[int],
    fresh: FreshOf = scanned,
) -> dict[int, Total]:
    """Sums by number of the interval between neighbouring edges; empty ones left out."""
    found: dict[int, Total] = {}
    series = find(db, key)
    if series is not None:
        rows = fresh(db, series.id, series.derived)
        for number, (start, end) in enumerate(pairwise(edges_ms)):
            inside = _within(rows, (start, end))
            for piece in _pieces(db, series, inside, (start, end), 0):
                parts = _totals(db, shelf, series, inside, piece, (start, end - start))
                add_totals(found, ((number, total) for _, total in parts))
    return found


def _pieces(
    db: sqlite3.Connection, series: Series, fresh: list[Fresh], stretch: tuple[int, int], align_ms: int
) -> list[Piece]:
    """Which level answers which part; the hours of what is not filed lag behind like stale ones."""
    start_ms, end_ms = stretch
    stale = db.execute(
        "SELECT hour FROM stale_hour WHERE series_id = ? AND hour >= ? AND hour <= ?",
        (series.id, start_ms // HOUR_MS, end_ms // HOUR_MS),
    )
    hours = {row[0] for row in stale} | {row[0] // HOUR_MS for row in fresh}
    return cover(start_ms, end_ms, align_ms, sorted(hours), read_floors(db))


def _totals(
    db: sqlite3.Connection,
    shelf: Shelf,
    series: Series,
    fresh: list[Fresh],
    piece: Piece,
    group: tuple[int, int],
) -> Iterable[tuple[int, Total]]:
    level_ms, first, last = piece
    if level_ms == RAW_MS:
        query = _FROM_RAW.format(table=series.table, believed=series.believed)
    else:
        query = _FROM_ROLLUP.format(table=_ROLLUPS[level_ms])
    for row in db.execute(query, (*group, series.id, first, last)):
        yield row[0], Total(*row[1:])
    if level_ms == RAW_MS:
        yield from _block_totals(closed_part(db, shelf, series, (first, last), _ASKED), group)
        yield from _fresh_totals(_within(fresh, (first, last)), group)
    elif level_ms == QUARTER_MS:
        yield from _filed_quarters(db, shelf, series, piece, group)


def _filed_quarters(
    db: sqlite3.Connection, shelf: Shelf, series: Series, piece: Piece, group: tuple[int, int]
) -> Iterable[tuple[int, Total]]:
    """Of what lies in a month's file no quarters are kept beside it."""
    return _block_totals(shelf.block(db, series.id, piece.start_ms, piece.end_ms), group)


def _fresh_totals(rows: list[Fresh], group: tuple[int, int]) -> Iterable[tuple[int, Total]]:
    believed = [row for row in rows if row[2] == 0]
    for number, part in groupby(believed, lambda row: (row[0] - group[0]) // group[1]):
        values = [row[1] for row in part]
        yield number, Total(len(values), sum(values), min(values), max(values))


def _block_totals(block: Block, group: tuple[int, int]) -> Iterable[tuple[int, Total]]:
    block = block[block["status"] == 0]
    if not block.size:
        return
    numbers = (block["time_ms"] - group[0]) // group[1]
    first = np.flatnonzero(np.diff(numbers, prepend=numbers[0] - 1))
    value = block["value"]
    columns = (
        np.add.reduceat(value, first),
        np.minimum.reduceat(value, first),
        np.maximum.reduceat(value, first),
    )
    counts = np.diff(first, append=numbers.size)
    lists = (one.tolist() for one in (numbers[first], counts, *columns))
    for number, n, total, least, most in zip(*lists, strict=True):
        yield number, Total(n, total, least, most)


def add_totals(found: dict[int, Total], parts: Iterable[tuple[int, Total]]) -> None:
    for number, total in parts:
        known = found.get(number)
        found[number] = known.plus(total) if known else total
