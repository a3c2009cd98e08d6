"""Marks readings as doubtful, with the reason, and makes their hours stale."""

import sqlite3
from collections.abc import Sequence

from monitor.model.reading import Mark
from monitor.model.sensor import SensorStatus
from monitor.store.series.catalog import Catalog
from monitor.store.series.orders import FILED
from monitor.store.series.packed_stretches import open_order
from monitor.store.series.series_schema import HOUR_MS, STATUS_CODES

_FRESH, _FILED = "fresh_reading", "reading"
_FIND = {
    _FRESH: "SELECT series_id, time_ms, status FROM fresh_reading WHERE arrival_order = ?",
    _FILED: f"SELECT place.series_id, place.time_ms, status FROM {FILED} WHERE place.arrival_order = ?",
}
_MARK = {
    _FRESH: "UPDATE fresh_reading SET status = ? WHERE arrival_order = ?",
    _FILED: "UPDATE reading SET status = ? WHERE arrival_order = ? AND series_id = ? AND time_ms = ?",
}


def write_marks(db: sqlite3.Connection, catalog: Catalog, marks: Sequence[Mark]) -> int:
    """Write marks inside the caller's transaction; returns by how much the doubtful readings grew.

    Orders that no longer exist are passed over: what was dropped cannot be doubted.
    """
    grown = 0
    stale: set[tuple[int, int]] = set()
    for order, status, reason in marks:
        table, row = _found(db, catalog, order)
        if row is None:
            continue
        series_id, time_ms, before = row
        code = STATUS_CODES[status]
        place = (order, series_id, time_ms)
        db.execute(_MARK[table], (code, *(place if table == _FILED else place[:1])))
        if status is SensorStatus.GOOD:
            db.execute("DELETE FROM mark WHERE arrival_order = ?", (order,))
        else:
            db.execute("INSERT OR REPLACE INTO mark (arrival_order, reason) VALUES (?, ?)", (order, reason))
        if bool(before) != bool(code):
            grown += 1 if code else -1
        if bool(before) != bool(code) and table == _FILED:  # of what is not filed nothing is summed up yet
            stale.add((series_id, time_ms // HOUR_MS))
    catalog.mark_stale(db, stale)
    return grown


def _found(db: sqlite3.Connection, catalog: Catalog, order: int) -> tuple[str, tuple[int, int, int] | None]:
    """In which table a reading lies, opened where it was packed, with its series, time and status."""
    for table in (_FRESH, _FILED):
        if row := db.execute(_FIND[table], (order,)).fetchone():
            return table, row
    open_order(db, catalog, order)
    return _FILED, db.execute(_FIND[_FILED], (order,)).fetchone()
