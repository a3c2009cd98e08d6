"""Marks readings as doubtful, with the reason, and makes their hours stale."""

import sqlite3
from collections.abc import Sequence

from monitor.model.reading import Mark
from monitor.model.sensor import SensorStatus
from monitor.store.series.catalog import Catalog
from monitor.store.series.packed_stretches import open_order
from monitor.store.series.series_schema import HOUR_MS, STATUS_CODES

_FIND = "SELECT series_id, time_ms, status FROM reading WHERE arrival_order = ?"


def write_marks(db: sqlite3.Connection, catalog: Catalog, marks: Sequence[Mark]) -> int:
    """Write marks inside the caller's transaction; returns by how much the doubtful readings grew.

    Orders that no longer exist are passed over: what was dropped cannot be doubted.
    """
    grown = 0
    stale: set[tuple[int, int]] = set()
    for order, status, reason in marks:
        row = db.execute(_FIND, (order,)).fetchone()
        if row is None:
            open_order(db, catalog, order)
            row = db.execute(_FIND, (order,)).fetchone()
        if row is None:
            continue
        series_id, time_ms, before = row
        code = STATUS_CODES[status]
        db.execute(
            "UPDATE reading SET status = ? WHERE series_id = ? AND time_ms = ?", (code, series_id, time_ms)
        )
        if status is SensorStatus.GOOD:
            db.execute("DELETE FROM mark WHERE arrival_order = ?", (order,))
        else:
            db.execute("INSERT OR REPLACE INTO mark (arrival_order, reason) VALUES (?, ?)", (order, reason))
        if bool(before) != bool(code):
            grown += 1 if code else -1
            stale.add((series_id, time_ms // HOUR_MS))
    catalog.mark_stale(db, stale)
    return grown
