"""Keeps what came in last in the order in which it came, and files it by series, many rows at once.

A row that is written among those of its series changes a page of the file; one at the end of a table shares
its page with what came before. So readings and derived points are first added at the end of a table, durable
with the commit, and filed in one sweep when there are some dozens a series. A row lies here or is filed,
never both, and whatever is here came after all that is filed.
"""

import json
import sqlite3
from collections.abc import Callable
from threading import Lock

from monitor.store.series.catalog import (
    LAST_ORDER,
    LAST_TOLD,
    Catalog,
    add_number,
    read_number,
    write_number,
)
from monitor.store.series.series_schema import HOUR_MS

_A_SERIES = 32  # rows a series: a page of filed ones holds about as many again
_SPARE = 2_000  # in a small shop a sweep is worth its pages after some more

Fresh = tuple[int, float, int]  # time in ms, value, status
FreshOf = Callable[[sqlite3.Connection, int, bool], list[Fresh]]

# Table, its rising number, and what is asked of a row, of readings and of derived points.
_READINGS = ("fresh_reading", "arrival_order", "time_ms, value, status")
_POINTS = ("fresh_point", "told_order", "time_ms, value, 0")


def read_last_order(db: sqlite3.Connection) -> int:
    """The order of the newest reading, filed or not."""
    newest = db.execute("SELECT max(arrival_order) FROM fresh_reading").fetchone()[0]
    return max(newest or 0, read_number(db, LAST_ORDER))


def file_when_many(db: sqlite3.Connection, catalog: Catalog) -> bool:
    """File what is here when there is enough of it; returns whether that was so."""
    enough = _A_SERIES * len(catalog.ids) + _SPARE
    if catalog.fresh_readings + catalog.fresh_points < enough:
        return False
    file_all(db, catalog)
    return True


def file_all(db: sqlite3.Connection, catalog: Catalog) -> None:
    """Put every row in its place among those of its series, whose hours are then summed up anew."""
    if catalog.fresh_readings:
        _note_hours(db, catalog, "fresh_reading")
        db.execute("INSERT INTO filed_order SELECT arrival_order, series_id, time_ms FROM fresh_reading")
        db.execute("INSERT INTO reading SELECT * FROM fresh_reading ORDER BY series_id, time_ms")
        db.execute("DELETE FROM fresh_reading")
        add_number(db, "stored", catalog.last_order - read_number(db, LAST_ORDER))
        write_number(db, LAST_ORDER, catalog.last_order)
        catalog.fresh_readings = 0
    file_points(db, catalog)


def file_points(db: sqlite3.Connection, catalog: Catalog) -> None:
    """The same for derived points alone."""
    if not catalog.fresh_points:
        return
    _note_hours(db, catalog, "fresh_point")
    db.execute(
        "INSERT OR REPLACE INTO point "
        "SELECT series_id, time_ms, value FROM fresh_point ORDER BY series_id, time_ms"
    )
    db.execute("DELETE FROM fresh_point")
    write_number(db, LAST_TOLD, catalog.last_told)
    catalog.fresh_points = 0


def _note_hours(db: sqlite3.Connection, catalog: Catalog, table: str) -> None:
    hours = db.execute(f"SELECT DISTINCT series_id, time_ms / {HOUR_MS} FROM {table}")
    catalog.mark_stale(db, hours.fetchall())


def scanned(db: sqlite3.Connection, number: int, derived: bool) -> list[Fresh]:
    """What is here of a series, in rising time, by looking at every row."""
    table, _, asked = _POINTS if derived else _READINGS
    found = db.execute(f"SELECT {asked} FROM {table} WHERE series_id = ? ORDER BY time_ms", (number,))
    return found.fetchall()


class FreshRows:
    """Remembers by series where rows lie, so that nobody looks at all of them for one series' sake.

    Only what is committed is remembered, and where a committed row lies never changes; what it says is
    read anew each time, from the view of whoever asks.
    """

    def __init__(self) -> None:
        self._lock = Lock()
        self._opened = 0
        self._known = {_READINGS: _Places(*_READINGS[:2]), _POINTS: _Places(*_POINTS[:2])}

    def within(self, opened: int) -> FreshOf:
        """Asks in the file that was opened as this one in number."""
        return lambda db, number, derived: self._of(db, opened, number, derived=derived)

    def order_at(self, db: sqlite3.Connection, opened: int, number: int, time_ms: int) -> int | None:
        """The order of a series' reading of a time; None where none is here."""
        with self._lock:
            return self._places(opened, _READINGS).of(db, number).get(time_ms)

    def _of(self, db: sqlite3.Connection, opened: int, number: int, *, derived: bool) -> list[Fresh]:
        kind = _POINTS if derived else _READINGS
        with self._lock:
            orders = list(self._places(opened, kind).of(db, number).values())
        if not orders:
            return []
        table, column, asked = kind
        return db.execute(
            f"SELECT {asked} FROM {table} "
            f"WHERE {column} IN (SELECT value FROM json_each(?)) ORDER BY time_ms",
            (json.dumps(orders),),
        ).fetchall()

    def _places(self, opened: int, kind: tuple[str, str, str]) -> "_Places":
        if opened != self._opened:
            self._known = {_READINGS: _Places(*_READINGS[:2]), _POINTS: _Places(*_POINTS[:2])}
            self._opened = opened
        return self._known[kind]


class _Places:
    """By series, the number of the row of each time, as far as it was looked."""

    def __init__(self, table: str, column: str) -> None:
        self._ends = f"SELECT (SELECT min({column}) FROM {table}), (SELECT max({column}) FROM {table})"
        self._more = f"SELECT {column}, series_id, time_ms FROM {table} WHERE {column} > ?"
        self._all = f"SELECT time_ms, {column} FROM {table} WHERE series_id = ?"
        self._first = self._last = -1
        self._rows: dict[int, dict[int, int]] = {}

    def of(self, db: sqlite3.Connection, number: int) -> dict[int, int]:
        """Of one series, as seen by `db`; the caller holds the lock and changes nothing."""
        first, last = db.execute(self._ends).fetchone()
        if first is None:
            return {}
        if first < self._first:  # a view from before the last filing
            return dict(db.execute(self._all, (number,)).fetchall())
        if first > self._first:
            self._rows = {}
            self._first, self._last = first, first - 1
        if last > self._last:
            for row, series, time_ms in db.execute(self._more, (self._last,)):
                self._rows.setdefault(series, {})[time_ms] = row
            self._last = last
        return self._rows.get(number, {})
