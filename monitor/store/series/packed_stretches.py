"""Keeps closed stretches of a series as one block each, and makes rows of one again where it is written to.

A stretch of a series lies here or as rows, never both. What writes to a stretch opens it first, in the same
transaction; it is packed again later.
"""

import heapq
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from threading import Lock

import numpy as np

from monitor.store.contract import StoreUnavailableError
from monitor.store.months import month_book
from monitor.store.months.month_book import MonthPart
from monitor.store.months.shelf import MonthUnreadableError, Shelf, unopened
from monitor.store.series.catalog import Catalog, Series, read_number, write_number
from monitor.store.series.orders import FILED_AT
from monitor.store.series.packing import BLOCK, READING_COLUMNS, Block, pack, unpack
from monitor.store.series.series_schema import HOUR_MS, STRETCH_MS

_NONE = np.zeros(0, BLOCK)
_READINGS = """
SELECT time_ms, value, arrival_order, delay_ms, coalesce(sequence, 0), sequence IS NOT NULL,
  from_device, status
FROM reading WHERE series_id = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"""
_POINTS = """
SELECT time_ms, value, 0, 0, 0, 0, 0, 0
FROM point WHERE series_id = ? AND time_ms >= ? AND time_ms < ? ORDER BY time_ms"""
_PUT_READING = """
INSERT INTO reading (time_ms, value, arrival_order, delay_ms, sequence, from_device, status, series_id)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)"""
_KEEP = """
INSERT INTO packed (series_id, stretch, first_order, last_order, arrived_ms, n, block)
VALUES (?, ?, ?, ?, ?, ?, ?)"""
_OF_PACKED = 2  # numbers that say where a packed block lies; of a filed one there are four
_LOOK_AGAIN = 16  # blocks taken between two looks at whether enough is there
_WIDEST = "packed_widest"
_NEWEST = "packed_last_order"

Place = tuple[int, int]  # series, stretch
_Holder = tuple[
    int, int, tuple[int, ...]
]  # first order, series, and where: packed by two numbers, filed by four
Arrival = tuple[int, int, int, int, float, int | None, int]


def pack_stretch(db: sqlite3.Connection, catalog: Catalog, place: Place) -> int:
    """Pack the rows of one stretch, if all its sums are up to date; returns how many there were."""
    number, stretch = place
    derived = number in catalog.derived
    span = (number, stretch * STRETCH_MS, (stretch + 1) * STRETCH_MS)
    hours = range(span[1] // HOUR_MS, span[2] // HOUR_MS)
    rows = db.execute(_POINTS if derived else _READINGS, span).fetchall()
    if not rows or any((number, hour) in catalog.stale for hour in hours):
        return 0
    block = np.zeros(len(rows), BLOCK)
    for name, column in zip(READING_COLUMNS, zip(*rows, strict=True), strict=True):
        block[name] = column
    packed = pack(block, derived=derived)
    if unpack(packed, derived=derived).tobytes() != block.tobytes():
        raise StoreUnavailableError(f"series {number}, stretch {stretch}: packed, it would not be the same")
    orders = (
        (None, None) if derived else (int(block["arrival_order"].min()), int(block["arrival_order"].max()))
    )
    arrived_ms = int((block["time_ms"] + block["delay_ms"]).max())
    table = "point" if derived else "reading"
    db.execute(f"DELETE FROM {table} WHERE series_id = ? AND time_ms >= ? AND time_ms < ?", span)
    db.execute(_KEEP, (number, stretch, *orders, arrived_ms, block.size, packed))
    if orders[0] is not None and orders[1] is not None:
        write_number(db, _WIDEST, max(read_number(db, _WIDEST), orders[1] - orders[0]))
        write_number(db, _NEWEST, max(read_number(db, _NEWEST), orders[1]))
    catalog.packed_until(db, span[2])
    return block.size


def open_stretches(db: sqlite3.Connection, catalog: Catalog, places: Iterable[Place]) -> set[Place]:
    """Make rows again of what is packed, or lies in a month's file, of these; its hours are summed up anew.

    Returns those that stay shut, since their month's file cannot be read now.
    """
    shut: set[Place] = set()
    for place in sorted(set(places)):
        number, stretch = place
        row = db.execute(
            "DELETE FROM packed WHERE series_id = ? AND stretch = ? RETURNING block", place
        ).fetchone()
        derived = number in catalog.derived
        try:
            found = _of_month(db, catalog, place) if row is None else None
        except MonthUnreadableError:
            shut.add(place)
            continue
        block = _unpacked(row[0], number, stretch, derived=derived) if found is None else found
        if block.size:
            _put_rows(db, catalog, number, block)
    return shut


def _of_month(db: sqlite3.Connection, catalog: Catalog, place: Place) -> Block:
    """Take a stretch out of what is read from its month's file."""
    number, stretch = place
    if stretch in month_book.opened_of(db, number):
        return _NONE
    span = stretch * STRETCH_MS, (stretch + 1) * STRETCH_MS
    block, reasons = catalog.shelf.stretch(db, number, *span)
    if block.size:
        month_book.note_opened(db, number, stretch)
        db.executemany("INSERT OR IGNORE INTO mark (arrival_order, reason) VALUES (?, ?)", reasons.items())
    return block


def _put_rows(db: sqlite3.Connection, catalog: Catalog, number: int, block: Block) -> None:
    columns = [block[name].tolist() for name in ("time_ms", "value")]
    if number in catalog.derived:
        put = "INSERT INTO point (time_ms, value, series_id) VALUES (?, ?, ?)"
    else:
        put = _PUT_READING
        columns += [block["arrival_order"].tolist(), block["delay_ms"].tolist(), _sequences(block)]
        columns += [block["from_device"].tolist(), block["status"].tolist()]
    db.executemany(put, ((*row, number) for row in zip(*columns, strict=True)))
    if number not in catalog.derived:
        db.executemany(FILED_AT, ((order, number, ms) for ms, _, order, *_ in zip(*columns, strict=True)))
    catalog.mark_stale(db, {(number, ms // HOUR_MS) for ms in columns[0]})


def open_for(db: sqlite3.Connection, catalog: Catalog, written: Iterable[tuple[int, int]]) -> set[Place]:
    """Open what these series and times (ms) are written into; returns what stays shut."""
    before_ms = catalog.packed_before_ms
    places = {(number, ms // STRETCH_MS) for number, ms in written if ms < before_ms}
    return open_stretches(db, catalog, places)


def open_from(db: sqlite3.Connection, catalog: Catalog, since_ms: int) -> None:
    """Open all that holds anything measured, or come in, since a time."""
    rows = "SELECT series_id, stretch FROM packed WHERE stretch >= ? OR arrived_ms >= ?"
    places = db.execute(rows, (since_ms // STRETCH_MS, since_ms)).fetchall()
    shut = open_stretches(db, catalog, [*places, *month_book.places_from(db, since_ms)])
    if shut:
        raise catalog.shelf.why()


def open_order(db: sqlite3.Connection, catalog: Catalog, order: int) -> None:
    """Open the stretch in which the reading of this order lies, if it is packed or in a month's file."""
    rows = "SELECT series_id, stretch, block FROM packed WHERE first_order <= ?1 AND last_order >= ?1"
    for number, stretch, packed in db.execute(rows, (order,)).fetchall():
        if order in _unpacked(packed, number, stretch, derived=False)["arrival_order"]:
            open_stretches(db, catalog, [(number, stretch)])
            return
    for part in month_book.part_with_order(db, order):
        block = catalog.shelf.rows(db, part, whole=True)
        times = block["time_ms"][block["arrival_order"] == order]
        if times.size:
            open_stretches(db, catalog, [(part.series, int(times[0]) // STRETCH_MS)])
            return


def rows_left(db: sqlite3.Connection, number: int, *, derived: bool, before_ms: int, most: int) -> list[int]:
    """The first stretches of a series that lie as rows, up to a time."""
    found: list[int] = []
    at = 0
    query = (
        f"SELECT min(time_ms) FROM {'point' if derived else 'reading'} WHERE series_id = ? AND time_ms >= ?"
    )
    while len(found) < most:
        first = db.execute(query, (number, at)).fetchone()[0]
        if first is None or (first // STRETCH_MS + 1) * STRETCH_MS > before_ms:
            break
        found.append(first // STRETCH_MS)
        at = (found[-1] + 1) * STRETCH_MS
    return found


def closed_part(
    db: sqlite3.Connection,
    shelf: Shelf,
    series: Series,
    stretch: tuple[int, int],
    only: Collection[str] = READING_COLUMNS,
) -> Block:
    """What is packed or in months' files of a series in a stretch (ms), in rising time, as asked for."""
    start_ms, end_ms = stretch
    packed = packed_part(db, series.id, derived=series.derived, start_ms=start_ms, end_ms=end_ms, only=only)
    return in_rising_time(shelf.block(db, series.id, start_ms, end_ms), packed)


def in_rising_time(filed: Block, packed: Block) -> Block:
    """What lies in two places as one; no stretch lies in both."""
    if not filed.size or not packed.size:
        return filed if filed.size else packed
    both = np.concatenate([filed, packed])
    return both[np.argsort(both["time_ms"], kind="stable")]


def packed_part(
    db: sqlite3.Connection,
    number: int,
    *,
    derived: bool,
    start_ms: int,
    end_ms: int,
    only: Collection[str] = READING_COLUMNS,
) -> Block:
    """What is packed of a series with start ≤ time < end, in rising time, as far as it is asked for."""
    rows = db.execute(
        "SELECT stretch, block FROM packed "
        "WHERE series_id = ? AND stretch >= ? AND stretch < ? ORDER BY stretch",
        (number, start_ms // STRETCH_MS, -(-end_ms // STRETCH_MS)),
    )
    blocks = [_unpacked(packed, number, stretch, derived=derived, only=only) for stretch, packed in rows]
    if not blocks:
        return _NONE
    whole = np.concatenate(blocks)
    first, last = np.searchsorted(whole["time_ms"], (start_ms, end_ms))
    return whole[first:last]


class PackedArrivals:
    """What is packed or filed in the order in which it arrived; blocks just opened are remembered."""

    def __init__(self, shelf: Shelf) -> None:
        self._shelf = shelf
        self._lock = Lock()
        self._known: dict[tuple[int, ...], Block] = {}

    def after(self, db: sqlite3.Connection, opened: int, order: int, limit: int) -> list[Arrival]:
        """The first such readings after an order; `opened` tells files apart that lay in one place."""
        if order >= read_number(db, _NEWEST):  # as the core asks each second: nothing is looked through
            self._known = {}
            return []
        with self._lock:
            known, taken, series = dict[tuple[int, ...], Block](), list[Block](), list[int]()
            until = np.iinfo(np.int64).max
            for first, number, where in heapq.merge(self._packed(db, order), self._filed(db, order)):
                if first > until:
                    break
                block = self._known.get((opened, *where))
                if block is None:
                    try:
                        block = self._opened(db, number, where)
                    except MonthUnreadableError:  # it is in the shelf's faults, for who needs everything
                        continue
                known[opened, *where] = block
                if len(where) > _OF_PACKED:
                    block = unopened(db, number, block)
                taken.append(block[block["arrival_order"] > order])
                series.append(number)
                if len(taken) % _LOOK_AGAIN == 0:
                    until = _order_number(taken, limit)
            self._known = known
        return _first_arrivals(taken, series, limit)

    def _packed(self, db: sqlite3.Connection, order: int) -> Iterator[_Holder]:
        rows = (
            "SELECT first_order, series_id, id, stretch FROM packed "
            "WHERE first_order >= ? AND last_order > ? ORDER BY first_order"
        )
        for first, number, *where in db.execute(rows, (order - read_number(db, _WIDEST), order)):
            yield first, number, tuple(where)

    def _filed(self, db: sqlite3.Connection, order: int) -> Iterator[_Holder]:
        for part in month_book.parts_after(db, order):
            assert part.first_order is not None
            yield part.first_order, part.series, tuple(part[:4])

    def _opened(self, db: sqlite3.Connection, number: int, where: tuple[int, ...]) -> Block:
        if len(where) == _OF_PACKED:
            row, stretch = where
            packed = db.execute("SELECT block FROM packed WHERE id = ?", (row,)).fetchone()[0]
            return _unpacked(packed, number, stretch, derived=False)
        part = MonthPart(where[0], where[1], where[2], where[3], number, 0, 0, 0, None, None)
        return self._shelf.filed(db, part, whole=True)


def _order_number(taken: Sequence[Block], limit: int) -> int:
    """The order up to which these are `limit` readings; the greatest number while there are fewer."""
    orders = np.concatenate([block["arrival_order"] for block in taken])
    if orders.size < limit or limit < 1:
        return int(np.iinfo(np.int64).max)
    return int(np.partition(orders, limit - 1)[limit - 1])


def _first_arrivals(taken: Sequence[Block], series: Sequence[int], limit: int) -> list[Arrival]:
    if not taken:
        return []
    whole = np.concatenate(taken)
    numbers = np.repeat(np.array(series, np.int64), [block.size for block in taken])
    first = np.argsort(whole["arrival_order"], kind="stable")[: max(limit, 0)]
    whole = whole[first]
    columns = (whole[name].tolist() for name in ("time_ms", "delay_ms", "value"))
    orders, devices = whole["arrival_order"].tolist(), whole["from_device"].tolist()
    times, delays, values = columns
    return list(
        zip(orders, numbers[first].tolist(), times, delays, values, _sequences(whole), devices, strict=True)
    )


def lone_orders_before(db: sqlite3.Connection) -> int | None:
    """Orders before this one belong to no reading any more; None where nothing is packed."""
    packed = db.execute("SELECT min(first_order) FROM packed").fetchone()[0]
    if packed is None:
        return None
    rows = db.execute("SELECT min(arrival_order) FROM filed_order").fetchone()[0]
    return int(packed if rows is None else min(packed, rows))


def packed_until_order(db: sqlite3.Connection) -> int:
    """The newest order of what was ever packed."""
    return read_number(db, _NEWEST)


def packed_count(db: sqlite3.Connection) -> int:
    """How many numbers are packed."""
    return int(db.execute("SELECT coalesce(sum(n), 0) FROM packed").fetchone()[0])


def places_before(db: sqlite3.Connection, before_ms: int, most: int) -> Iterator[Place]:
    """Packed stretches that end before or at a time, the oldest first."""
    rows = "SELECT series_id, stretch FROM packed WHERE stretch < ? ORDER BY stretch LIMIT ?"
    yield from db.execute(rows, (before_ms // STRETCH_MS, most)).fetchall()


def _sequences(block: Block) -> list[int | None]:
    sent = zip(block["sequence"].tolist(), block["sequenced"].tolist(), strict=True)
    return [number if there else None for number, there in sent]


def _unpacked(
    packed: bytes, number: int, stretch: int, *, derived: bool, only: Collection[str] = READING_COLUMNS
) -> Block:
    try:
        return unpack(packed, derived=derived, only=only)
    except ValueError as error:
        raise StoreUnavailableError(
            f"series {number}, stretch {stretch}: {error}; the file is damaged; restore the last backup"
        ) from error
