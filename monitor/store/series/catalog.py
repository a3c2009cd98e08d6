"""Remembers what the writer asks for on every reading: series numbers, stale hours, floors, last order."""

import sqlite3
from collections.abc import Iterable
from functools import lru_cache
from typing import NamedTuple

from monitor.model.errors import Fault, InputError
from monitor.model.reading import Quantity, SeriesKey
from monitor.store.months.shelf import Shelf
from monitor.store.series.cover import Floors
from monitor.store.series.series_schema import STRETCH_MS

LAST_ORDER = "last_order"  # of what is filed: what came later is fresh (`fresh_rows.py`)
LAST_TOLD = "last_told"
_PACKED_BEFORE = "packed_before_ms"
# `id` alone would be that of the table asked, where it has one.
_NEWEST = f"""
SELECT id,
  max(coalesce((SELECT max(time_ms) FROM reading WHERE series_id = series.id), -1),
      coalesce((SELECT max(time_ms) FROM point WHERE series_id = series.id), -1)),
  max(coalesce((SELECT max(stretch) FROM packed WHERE series_id = series.id), -1),
      coalesce((SELECT max(end_ms) FROM month_part WHERE series_id = series.id), -1) / {STRETCH_MS})
FROM series"""
_FLOOR_NAMES = ("raw_floor_ms", "minute_floor_ms", "hour_floor_ms")


@lru_cache(maxsize=10_000)
def series_key(zone: str, source: str, quantity: str) -> SeriesKey:
    """The key of a series by its names; there are few, and they come back with every row."""
    return SeriesKey(zone, source, Quantity(quantity))


class Series(NamedTuple):
    """A series as the file knows it."""

    id: int
    derived: bool

    @property
    def table(self) -> str:
        """Where its numbers lie."""
        return "point" if self.derived else "reading"

    @property
    def believed(self) -> str:
        """The condition that leaves doubtful numbers out."""
        return "" if self.derived else "AND status = 0"


class Catalog:
    """A mirror of small tables; filled anew after a failed write or another program's write."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self._seen_version: int | None = None
        self._failed = True
        self.ids: dict[SeriesKey, int] = {}
        self.derived: set[int] = set()
        self.stale: set[tuple[int, int]] = set()
        self.floors = Floors()
        self.last_order = 0
        self.last_told = 0
        self.fresh_readings = 0  # not filed yet
        self.fresh_points = 0
        self.newest_ms: dict[int, int] = {}  # by series: nothing later than this is stored
        self.packed_before_ms = 0  # nothing from this time on is packed

    def forget(self) -> None:
        """Say that another file may lie there."""
        self._failed = True

    def enter(self, db: sqlite3.Connection) -> None:
        """Bring the mirror up to date at the start of a write; a write that fails spoils it again."""
        version = db.execute("PRAGMA data_version").fetchone()[0]
        if self._failed or version != self._seen_version:
            rows = db.execute("SELECT id, zone, source, quantity, derived FROM series").fetchall()
            self.ids = {SeriesKey(zone, source, Quantity(q)): number for number, zone, source, q, _ in rows}
            self.derived = {row[0] for row in rows if row[4]}
            self.stale = set(db.execute("SELECT series_id, hour FROM stale_hour"))
            self.floors = read_floors(db)
            self._enter_fresh(db)
            self.packed_before_ms = read_number(db, _PACKED_BEFORE)
            self._seen_version = version
        self._failed = True

    def _enter_fresh(self, db: sqlite3.Connection) -> None:
        self.newest_ms = {
            number: max(filed, (stretch + 1) * STRETCH_MS - 1)
            for number, filed, stretch in db.execute(_NEWEST)
        }
        for table in ("fresh_reading", "fresh_point"):
            for number, newest in db.execute(f"SELECT series_id, max(time_ms) FROM {table} GROUP BY 1"):
                self.newest_ms[number] = max(newest, self.newest_ms.get(number, -1))
        count, newest = db.execute("SELECT count(*), max(arrival_order) FROM fresh_reading").fetchone()
        self.fresh_readings = count
        self.last_order = max(newest or 0, read_number(db, LAST_ORDER))
        count, newest = db.execute("SELECT count(*), max(told_order) FROM fresh_point").fetchone()
        self.fresh_points = count
        self.last_told = max(newest or 0, read_number(db, LAST_TOLD))

    def leave(self) -> None:
        """Say that the write was committed."""
        self._failed = False

    def series_id(self, db: sqlite3.Connection, key: SeriesKey, *, derived: bool) -> int:
        """The number of a series, enrolled on first sight."""
        number = self.ids.get(key)
        if number is None:
            number = int(
                db.execute(
                    "INSERT INTO series (zone, source, quantity, derived) VALUES (?, ?, ?, ?) RETURNING id",
                    (key.zone, key.source, key.quantity.value, int(derived)),
                ).fetchone()[0]
            )
            self.ids[key] = number
            self.newest_ms[number] = -1
            if derived:
                self.derived.add(number)
        if (number in self.derived) != derived:
            has, not_ = ("derived points", "readings") if not derived else ("readings", "derived points")
            name = "/".join(key)
            raise InputError([Fault("series", name, f"holds {has}; store {not_} under another source")])
        return number

    def packed_until(self, db: sqlite3.Connection, end_ms: int) -> None:
        """Note that something up to this time is packed."""
        if end_ms > self.packed_before_ms:
            write_number(db, _PACKED_BEFORE, end_ms)
            self.packed_before_ms = end_ms

    def mark_stale(self, db: sqlite3.Connection, hours: Iterable[tuple[int, int]]) -> None:
        """Note hours whose rollups lag behind from now on."""
        fresh = set(hours) - self.stale
        if fresh:
            db.executemany("INSERT INTO stale_hour (series_id, hour) VALUES (?, ?)", sorted(fresh))
            self.stale |= fresh


def read_floors(db: sqlite3.Connection) -> Floors:
    """Before which time each level holds nothing any more."""
    return Floors(*(read_number(db, name) for name in _FLOOR_NAMES))


def write_floors(db: sqlite3.Connection, floors: Floors) -> None:
    """Record the floors after dropping rows."""
    for name, value in zip(_FLOOR_NAMES, floors, strict=True):
        write_number(db, name, value)


def read_number(db: sqlite3.Connection, name: str) -> int:
    """A named whole number; 0 where none was written."""
    row = db.execute("SELECT value FROM number WHERE name = ?", (name,)).fetchone()
    return int(row[0]) if row else 0


def write_number(db: sqlite3.Connection, name: str, value: int) -> None:
    """Set a named whole number."""
    db.execute("INSERT OR REPLACE INTO number (name, value) VALUES (?, ?)", (name, value))


def add_number(db: sqlite3.Connection, name: str, more: int) -> None:
    """Raise a named whole number."""
    if more:
        db.execute(
            "INSERT INTO number (name, value) VALUES (?, ?) "
            "ON CONFLICT (name) DO UPDATE SET value = value + excluded.value",
            (name, more),
        )
