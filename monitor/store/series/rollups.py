"""Keeps quarters, hours and days summed up; a late reading makes its hour stale, to be redone.

Minutes follow from what is kept as fast as from sums: they are summed up when that goes (`retention.py`).
"""

import sqlite3
from collections.abc import Iterable

from monitor.store.series.catalog import Catalog
from monitor.store.series.series_schema import DAY_MS, HOUR_MS, MINUTE_MS, QUARTER_MS

# A sum depends only on what is stored, never on the order in which it came: minutes and quarters are added up
# from readings in rising time, hours from quarters, days from hours.
_RAW = """
INSERT INTO {upper}
SELECT series_id, time_ms / {width} * {width}, count(*), sum(value), min(value), max(value)
FROM {table} WHERE series_id = ? AND time_ms >= ? AND time_ms < ? {believed}
GROUP BY time_ms / {width}"""
_UPPER = """
INSERT INTO {upper}
SELECT series_id, ?, sum(n), sum(total), min(minimum), max(maximum)
FROM {lower} WHERE series_id = ? AND start_ms >= ? AND start_ms < ? GROUP BY series_id"""

_SOURCES = {
    False: {"table": "reading", "believed": "AND status = 0"},
    True: {"table": "point", "believed": ""},
}
_QUARTERS = {d: _RAW.format(upper="rollup_quarter", width=QUARTER_MS, **_SOURCES[d]) for d in _SOURCES}
_MINUTES = {d: _RAW.format(upper="rollup_minute", width=MINUTE_MS, **_SOURCES[d]) for d in _SOURCES}
_FORGET = "DELETE FROM {} WHERE series_id = ? AND start_ms >= ? AND start_ms < ?"
_SPARE_HOURS = 256


def refresh(db: sqlite3.Connection, catalog: Catalog, *, only_many: bool = False) -> int:
    """Sum up every stale hour inside the caller's transaction; returns how many there were.

    With `only_many`, wait until there are clearly more stale hours than series: the hour that is
    filling up is then summed up once when it is over instead of at every batch.
    """
    stale = catalog.stale
    if not stale or (only_many and len(stale) <= 2 * len(catalog.ids) + _SPARE_HOURS):
        return 0
    hours = sorted(stale)
    _hours(db, catalog.derived, hours)
    _days(db, sorted({(series_id, hour * HOUR_MS // DAY_MS * DAY_MS) for series_id, hour in hours}))
    db.execute("DELETE FROM stale_hour")
    stale.clear()
    return len(hours)


def _hours(db: sqlite3.Connection, derived: set[int], hours: Iterable[tuple[int, int]]) -> None:
    spans = [(number, hour * HOUR_MS, (hour + 1) * HOUR_MS) for number, hour in hours]
    db.executemany(_FORGET.format("rollup_quarter"), spans)
    for kind, query in _QUARTERS.items():
        db.executemany(query, [span for span in spans if (span[0] in derived) == kind])
    _upper(db, "rollup_hour", "rollup_quarter", spans)


def sum_minutes(db: sqlite3.Connection, number: int, span: tuple[int, int], *, derived: bool) -> None:
    """Sum up the minutes of a series with start ≤ time < end from its rows, which are to go."""
    db.execute(_FORGET.format("rollup_minute"), (number, *span))
    db.execute(_MINUTES[derived], (number, *span))


def _days(db: sqlite3.Connection, days: Iterable[tuple[int, int]]) -> None:
    _upper(db, "rollup_day", "rollup_hour", [(number, start, start + DAY_MS) for number, start in days])


def _upper(db: sqlite3.Connection, upper: str, lower: str, spans: list[tuple[int, int, int]]) -> None:
    db.executemany(f"DELETE FROM {upper} WHERE series_id = ? AND start_ms = ?", [span[:2] for span in spans])
    db.executemany(
        _UPPER.format(upper=upper, lower=lower),
        [(start, number, start, end) for number, start, end in spans],
    )
