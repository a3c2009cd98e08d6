"""Drops what is older than the settings keep, level by level, in short transactions."""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass

from monitor.store.months import month_book
from monitor.store.series.catalog import Catalog, write_floors
from monitor.store.series.cover import Floors
from monitor.store.series.fresh_rows import file_all
from monitor.store.series.orders import sweep
from monitor.store.series.packed_stretches import (
    lone_orders_before,
    open_stretches,
    pack_stretch,
    packed_until_order,
    places_before,
    rows_left,
)
from monitor.store.series.rollups import refresh, sum_minutes
from monitor.store.series.series_schema import DAY_MS, HOUR_MS, STRETCH_MS

_AT_ONCE = 20_000
_OPENED_AT_ONCE = 50
_PACKED_AT_ONCE = 4_000  # about half a minute; the rest follows at the next
_PACKED_IN_ONE = 16  # in one transaction: a write waits for some hundredths of a second
HOT_DAYS = 1  # what came late, and what is marked, mostly falls into it
_DROPS = (
    ("raw_ms", "reading", "time_ms"),
    ("raw_ms", "point", "time_ms"),
    ("minute_ms", "rollup_minute", "start_ms"),
    ("minute_ms", "rollup_quarter", "start_ms"),
    ("hour_ms", "rollup_hour", "start_ms"),
)


@dataclass(frozen=True, slots=True)
class Retention:
    """How long each level is kept, in whole days; day rollups are kept for good."""

    readings_days: int = 400
    minutes_days: int = 800
    hours_days: int = 3_650

    def floors(self, now_s: float) -> Floors:
        """The oldest times kept, on whole days, so that no sum is cut in two."""
        today_ms = int(now_s * 1000.0) // DAY_MS * DAY_MS
        days = (self.readings_days, self.minutes_days, self.hours_days)
        return Floors(*(max(0, today_ms - count * DAY_MS) for count in days))


def apply(
    write: Callable[[], AbstractContextManager[sqlite3.Connection]], catalog: Catalog, floors: Floors
) -> int:
    """Raise the floors, then drop what lies below them; returns rows dropped.

    What cannot be read holds the floor where it is: nothing goes of which the sums were not made.
    """
    opened_ms = open_before(write, catalog, floors.raw_ms) // DAY_MS * DAY_MS
    floors = floors._replace(raw_ms=min(floors.raw_ms, opened_ms))
    floors = _raise_over_minutes(write, catalog, floors)
    numbers = sorted(catalog.ids.values())
    dropped = 0
    for level, table, column in _DROPS:
        for number in numbers:
            dropped += _drop(write, table, column, number, getattr(floors, level))
    if dropped:
        sweep(write)
    with write() as db:
        drop_lone_marks(db)
        month_book.drop_parts_before(db, floors.raw_ms)
    return dropped


def _raise_over_minutes(
    write: Callable[[], AbstractContextManager[sqlite3.Connection]], catalog: Catalog, floors: Floors
) -> Floors:
    """Raise the floors once the minutes of all that is to go are summed up: they outlive it."""
    with write() as db:
        file_all(db, catalog)
        numbers = sorted(catalog.ids.values())
    span = catalog.floors.raw_ms, max(floors.raw_ms, catalog.floors.raw_ms)
    for number in numbers if span[0] < span[1] else ():
        with write() as db:
            sum_minutes(db, number, span, derived=number in catalog.derived)
    with write() as db:
        file_all(db, catalog)
        late = {number for number, hour in catalog.stale if hour * HOUR_MS < span[1]}
        refresh(db, catalog)
        for number in late:
            sum_minutes(db, number, span, derived=number in catalog.derived)
        return raise_floors(db, catalog, floors)


def open_before(
    write: Callable[[], AbstractContextManager[sqlite3.Connection]], catalog: Catalog, before_ms: int
) -> int:
    """Make rows of what is packed and no longer kept: its minutes outlive it and are summed up from rows.

    Returns up to when this was done.
    """
    while True:
        with write() as db:
            places = list(places_before(db, before_ms, _OPENED_AT_ONCE))
            places += month_book.places_before(db, before_ms, _OPENED_AT_ONCE)
            shut = open_stretches(db, catalog, places)
            refresh(db, catalog)
        if shut:
            return min(stretch for _, stretch in shut) * STRETCH_MS
        if len(places) < _OPENED_AT_ONCE:
            return before_ms


def pack_before(
    write: Callable[[], AbstractContextManager[sqlite3.Connection]], catalog: Catalog, now_s: float
) -> int:
    """Pack what is a day old, a bounded part of it, a few stretches at a time; returns how many numbers."""
    before_ms = int(now_s * 1000.0) - HOT_DAYS * DAY_MS
    places: list[tuple[int, int]] = []
    with write() as db:
        file_all(db, catalog)
        refresh(db, catalog)
        for number in sorted(catalog.ids.values()):
            most, derived = _PACKED_AT_ONCE - len(places), number in catalog.derived
            stretches = rows_left(db, number, derived=derived, before_ms=before_ms, most=most)
            places += [(number, stretch) for stretch in stretches]
    packed = 0
    for first in range(0, len(places), _PACKED_IN_ONE):
        with write() as db:
            file_all(db, catalog)  # what came late meanwhile must not be left beside a block
            for place in places[first : first + _PACKED_IN_ONE]:
                packed += pack_stretch(db, catalog, place)
            until = packed_until_order(db)
    if packed:
        sweep(write, until)
    return packed


def raise_floors(db: sqlite3.Connection, catalog: Catalog, floors: Floors) -> Floors:
    """Record floors, none of them lower than before, inside the caller's transaction."""
    floors = Floors(*(max(old, new) for old, new in zip(catalog.floors, floors, strict=True)))
    write_floors(db, floors)
    catalog.floors = floors
    return floors


def drop_lone_marks(db: sqlite3.Connection) -> None:
    """Forget the reasons of marks whose readings are gone."""
    before = lone_orders_before(db)
    if before is not None:  # a mark among what is packed stays until all of its time is gone
        db.execute("DELETE FROM mark WHERE arrival_order < ?", (before,))
        return
    there = "EXISTS (SELECT 1 FROM {0} WHERE {0}.arrival_order = mark.arrival_order)"
    db.execute(
        f"DELETE FROM mark WHERE NOT {there.format('filed_order')} AND NOT {there.format('fresh_reading')}"
    )


def _drop(
    write: Callable[[], AbstractContextManager[sqlite3.Connection]],
    table: str,
    column: str,
    series_id: int,
    floor_ms: int,
) -> int:
    dropped = 0
    while True:
        with write() as db:
            last = db.execute(
                f"SELECT {column} FROM {table} WHERE series_id = ? AND {column} < ? "
                f"ORDER BY {column} LIMIT 1 OFFSET ?",
                (series_id, floor_ms, _AT_ONCE),
            ).fetchone()
            until_ms = last[0] if last else floor_ms
            dropped += db.execute(
                f"DELETE FROM {table} WHERE series_id = ? AND {column} < ?", (series_id, until_ms)
            ).rowcount
        if not last:
            return dropped
