"""Says where filed readings lie by their order of arrival, and forgets the places of those that went.

Whoever deletes rows of `reading` leaves their entries here: they point nowhere then, and nobody who asks
minds, until they are swept out a stretch of orders at a time.
"""

import sqlite3
from collections.abc import Callable
from contextlib import AbstractContextManager

FILED_AT = "INSERT OR IGNORE INTO filed_order (arrival_order, series_id, time_ms) VALUES (?, ?, ?)"
FILED = """
filed_order AS place CROSS JOIN reading AS filed ON filed.series_id = place.series_id
  AND filed.time_ms = place.time_ms AND filed.arrival_order = place.arrival_order"""
_SWEEP = """
DELETE FROM filed_order WHERE arrival_order > ? AND arrival_order <= ? AND NOT EXISTS (
  SELECT 1 FROM reading AS filed WHERE filed.series_id = filed_order.series_id
    AND filed.time_ms = filed_order.time_ms AND filed.arrival_order = filed_order.arrival_order)"""
_AT_ONCE = 20_000


def sweep(write: Callable[[], AbstractContextManager[sqlite3.Connection]], until: int | None = None) -> None:
    """Forget the places of what is no longer a row, up to an order (None: all), in short transactions."""
    at = -(2**63)
    while True:
        with write() as db:
            last = db.execute(
                "SELECT max(arrival_order) FROM (SELECT arrival_order FROM filed_order "
                "WHERE arrival_order > ? AND arrival_order <= ? ORDER BY arrival_order LIMIT ?)",
                (at, 2**63 - 1 if until is None else until, _AT_ONCE),
            ).fetchone()[0]
            if last is None:
                return
            db.execute(_SWEEP, (at, last))
            at = last
