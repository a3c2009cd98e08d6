"""Keeps, beside the live numbers, which of them lie in which month's file; both change in one transaction.

A stretch of a series lies as rows, packed, or in a month's file. One that was opened again stays in the file
as well, where it counts no more: `month_opened` names it.
"""

import sqlite3
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import NamedTuple

from monitor.store.contract import MonthFile
from monitor.store.series.series_schema import STRETCH_MS

_COLUMNS = (
    "file_id, row_group, first_row, n, series_id, start_ms, end_ms, arrived_ms, first_order, last_order"
)
_PARTS = f"SELECT {_COLUMNS} FROM month_part"
# Most orders between the first and the last of a part.
_WIDEST = "coalesce((SELECT value FROM number WHERE name = 'filed_widest'), 0)"
_NOTE_WIDTH = """
INSERT INTO number (name, value) VALUES ('filed_widest', ?)
ON CONFLICT (name) DO UPDATE SET value = max(value, excluded.value)"""
_FILES = "SELECT id, name, month, derived, sha256, size_bytes, n FROM month_file"
_PUT = f"INSERT INTO month_part ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"


class MonthPart(NamedTuple):
    """Numbers of one series that lie one after another in a row group of a file."""

    file: int
    row_group: int
    first_row: int
    n: int
    series: int
    start_ms: int
    end_ms: int  # the last number's own time
    arrived_ms: int  # of the number that arrived last
    first_order: int | None  # None for derived points
    last_order: int | None


def month_of(time_ms: int) -> str:
    """The UTC month of a time."""
    return f"{datetime.fromtimestamp(time_ms / 1000.0, UTC):%Y-%m}"


def span_of(month: str) -> tuple[int, int]:
    """Where a month begins, and where the next one does; ValueError where it is none."""
    first = datetime.strptime(month, "%Y-%m").replace(tzinfo=UTC)
    return round(first.timestamp() * 1000.0), round(_next(first).timestamp() * 1000.0)


def months_back(now_ms: int, count: int) -> int:
    """Where the month begins that is so many before the present one."""
    first = datetime.fromtimestamp(now_ms / 1000.0, UTC)
    year, month = divmod(first.year * 12 + first.month - 1 - count, 12)
    return round(datetime(max(year, 1970), month + 1, 1, tzinfo=UTC).timestamp() * 1000.0)


def _next(first: datetime) -> datetime:
    year, month = divmod(first.year * 12 + first.month, 12)
    return datetime(year, month + 1, 1, tzinfo=UTC)


def files(db: sqlite3.Connection, folder: Path) -> list[MonthFile]:
    """Every file that anything lies in, the oldest month first."""
    return [_file(folder, row) for row in db.execute(f"{_FILES} ORDER BY month, id")]


def file_of(db: sqlite3.Connection, folder: Path, number: int) -> MonthFile:
    """One of them."""
    return _file(folder, db.execute(f"{_FILES} WHERE id = ?", (number,)).fetchone())


def _file(folder: Path, row: tuple[int, str, str, int, str, int, int]) -> MonthFile:
    number, name, month, derived, sha256, size, n = row
    return MonthFile(number, folder / name, month, bool(derived), sha256, size, n)


def parts_of(db: sqlite3.Connection, series: int, start_ms: int, end_ms: int) -> list[MonthPart]:
    """What lies in files of a series with start ≤ time < end, in rising time."""
    rows = f"{_PARTS} WHERE series_id = ? AND start_ms < ? AND end_ms >= ? ORDER BY start_ms"
    return [MonthPart(*row) for row in db.execute(rows, (series, end_ms, start_ms))]


def parts_after(db: sqlite3.Connection, order: int) -> Iterator[MonthPart]:
    """What holds readings that arrived after an order, those that begin first coming first."""
    rows = f"{_PARTS} WHERE first_order >= ?1 - {_WIDEST} AND last_order > ?1 ORDER BY first_order, series_id"
    return (MonthPart(*row) for row in db.execute(rows, (order,)))


def part_with_order(db: sqlite3.Connection, order: int) -> list[MonthPart]:
    """Where the reading of this order may lie."""
    rows = f"{_PARTS} WHERE last_order >= ?1 AND first_order <= ?1"
    return [MonthPart(*row) for row in db.execute(rows, (order,))]


def places_from(db: sqlite3.Connection, since_ms: int) -> list[tuple[int, int]]:
    """Series and stretches that hold anything measured since a time, or lie beside what came in since."""
    found: set[tuple[int, int]] = set()
    rows = f"{_PARTS} WHERE end_ms >= ?1 OR arrived_ms >= ?1"
    for part in map(MonthPart._make, db.execute(rows, (since_ms,))):
        first = part.start_ms // STRETCH_MS
        found |= {(part.series, stretch) for stretch in range(first, part.end_ms // STRETCH_MS + 1)}
    return sorted(found)


def first_from(db: sqlite3.Connection, after_ms: int) -> int | None:
    """From when on, after a time, anything may lie in a file."""
    found = db.execute("SELECT min(max(start_ms, ?1)) FROM month_part WHERE end_ms >= ?1", (after_ms,))
    first: int | None = found.fetchone()[0]
    return first


def places_before(db: sqlite3.Connection, before_ms: int, most: int) -> list[tuple[int, int]]:
    """The oldest series and stretches that are read from a file and end before or at a time."""
    found: list[tuple[int, int]] = []
    for part in map(MonthPart._make, db.execute(f"{_PARTS} WHERE start_ms < ?", (before_ms,))):
        last = min(part.end_ms, before_ms - 1) // STRETCH_MS
        opened = opened_of(db, part.series)
        stretches = range(part.start_ms // STRETCH_MS, last + 1)
        found += [(part.series, stretch) for stretch in stretches if stretch not in opened]
    return sorted(found, key=lambda place: place[1])[:most]


def drop_parts_before(db: sqlite3.Connection, before_ms: int) -> None:
    """Forget files, but for their names on the disk, of which all is older than is kept."""
    db.execute("DELETE FROM month_part WHERE end_ms < ?", (before_ms,))
    db.execute(
        "DELETE FROM month_opened WHERE stretch < ? AND NOT EXISTS (SELECT 1 FROM month_part "
        "WHERE month_part.series_id = month_opened.series_id AND start_ms < ?)",
        (before_ms // STRETCH_MS, before_ms),
    )
    db.execute("DELETE FROM month_file WHERE id NOT IN (SELECT file_id FROM month_part)")


def opened_of(db: sqlite3.Connection, series: int) -> set[int]:
    """Stretches of a series that lie in a file and are read elsewhere."""
    return {row[0] for row in db.execute("SELECT stretch FROM month_opened WHERE series_id = ?", (series,))}


def note_opened(db: sqlite3.Connection, series: int, stretch: int) -> None:
    """Say that a stretch is no longer read from its file."""
    db.execute("INSERT OR IGNORE INTO month_opened (series_id, stretch) VALUES (?, ?)", (series, stretch))


def put_file(db: sqlite3.Connection, file: MonthFile) -> int:
    """Enter a file whose parts follow; returns its number, also where it is there already."""
    row = (file.path.name, file.month, file.derived, file.sha256, file.size_bytes, file.n)
    db.execute(
        "INSERT OR IGNORE INTO month_file (name, month, derived, sha256, size_bytes, n) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        row,
    )
    found = db.execute("SELECT id FROM month_file WHERE name = ?", (file.path.name,)).fetchone()
    return int(found[0])


def replace_parts(
    db: sqlite3.Connection, series: int, span_ms: tuple[int, int], parts: Sequence[MonthPart]
) -> None:
    """From now on a series' month is read from these parts, and from them alone."""
    drop_parts(db, series, span_ms)
    db.executemany(_PUT, parts)
    wide = [
        (one.last_order - one.first_order,)
        for one in parts
        if one.first_order is not None and one.last_order is not None
    ]
    db.executemany(_NOTE_WIDTH, wide)


def drop_parts(db: sqlite3.Connection, series: int, span_ms: tuple[int, int]) -> None:
    """Nothing of a series' month is read from a file any more."""
    db.execute(
        "DELETE FROM month_part WHERE series_id = ? AND start_ms >= ? AND start_ms < ?", (series, *span_ms)
    )
    db.execute(
        "DELETE FROM month_opened WHERE series_id = ? AND stretch >= ? AND stretch < ?",
        (series, *(edge // STRETCH_MS for edge in span_ms)),
    )


def forget_empty(db: sqlite3.Connection, folder: Path) -> list[MonthFile]:
    """Take files of which nothing is read any more out of the book; returns them."""
    used = {row[0] for row in db.execute("SELECT DISTINCT file_id FROM month_part")}
    gone = [one for one in files(db, folder) if one.number not in used]
    db.executemany("DELETE FROM month_file WHERE id = ?", [(one.number,) for one in gone])
    return gone


def filed_count(db: sqlite3.Connection) -> int:
    """About how many numbers are read from files: what was opened is counted as it lies in the live file."""
    opened = (
        "SELECT count(*) FROM {table} JOIN month_opened USING (series_id) "
        f"WHERE time_ms / {STRETCH_MS} = month_opened.stretch"
    )
    filed = db.execute("SELECT coalesce(sum(n), 0) FROM month_part").fetchone()[0]
    live = sum(db.execute(opened.format(table=table)).fetchone()[0] for table in ("reading", "point"))
    packed = "SELECT coalesce(sum(n), 0) FROM packed JOIN month_opened USING (series_id, stretch)"
    return int(filed - live - db.execute(packed).fetchone()[0])
