"""Moves a closed month out of the live file into one of its own, and back; a kill loses nothing.

The month is written beside, read back whole and compared, and brought to the disk under its name before the
first number leaves the live file. Then series after series changes over, each in one transaction: what is in
the book of months is read from the file, and what is not lies where it lay.
"""

import hashlib
import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from monitor.model.reading import SeriesKey
from monitor.store.contract import MonthFile, StoreUnavailableError
from monitor.store.months import month_book
from monitor.store.months.folder_notes import note_folder
from monitor.store.months.month_book import MonthPart, span_of
from monitor.store.months.month_file import (
    HOW_TO_READ,
    MonthRows,
    MonthWriter,
    SeriesDigest,
    block_of,
    in_groups,
    read_group,
    read_metadata,
    reasons_of,
)
from monitor.store.months.shelf import digest_of
from monitor.store.private import private_file, private_folder
from monitor.store.series import reads
from monitor.store.series.catalog import Series, read_floors, read_number, write_number
from monitor.store.series.fresh_rows import file_all
from monitor.store.series.orders import sweep
from monitor.store.series.packed_stretches import in_rising_time, open_stretches, pack_stretch, packed_part
from monitor.store.series.rollups import refresh
from monitor.store.series.series_schema import STRETCH_MS
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.store.sqlite_file import explain, to_disk

LAYOUT = 1
_STRETCHES_AT_ONCE = 16
_PACKED = "SELECT id FROM packed WHERE series_id = ? AND stretch >= ? AND stretch < ? ORDER BY id"
_PARTS = "SELECT file_id, row_group, n FROM month_part WHERE series_id = ? AND start_ms >= ? AND start_ms < ?"

About = Mapping[str, object]
Tell = Callable[[int], object]


class MonthBusyError(StoreUnavailableError):
    """Numbers of a month are still coming in; it is archived another time."""


class _Written(NamedTuple):
    """A series in a file that is ready, and where its numbers lay when it was written."""

    series: Series
    held: tuple[object, ...]
    parts: list[MonthPart]


def due_months(store: SqliteSeriesStore, before_ms: int, *, unfinished: bool) -> list[str]:
    """Months that ended by `before_ms` of which anything lies in the live file.

    With `unfinished`, only those of which a series has nothing in a file yet and all is packed; a stretch
    that was opened again waits for somebody to ask, and so does a month that somebody took back.
    """
    with store.file.read() as db:
        rows = "SELECT DISTINCT series_id, stretch FROM packed WHERE stretch < ? ORDER BY stretch"
        places = db.execute(rows, (before_ms // STRETCH_MS,)).fetchall()
        found: dict[str, set[int]] = {}
        for number, stretch in places:
            found.setdefault(month_book.month_of(stretch * STRETCH_MS), set()).add(number)
        if unfinished:
            filed = db.execute("SELECT series_id, start_ms FROM month_part").fetchall()
            done = {(number, month_book.month_of(start_ms)) for number, start_ms in filed}
            found = {
                month: numbers
                for month, numbers in found.items()
                if any((number, month) not in done for number in numbers)
                and not read_number(db, _kept(month))
                and not any(_has_rows(db, month, derived=derived) for derived in (False, True))
            }
    return sorted(found)


def archive_month(store: SqliteSeriesStore, month: str, about: About, tell: Tell = lambda _: None) -> int:
    """Move what the live file holds of a month into a file; returns how many numbers lie there now."""
    moved = 0
    store.look_at_archive()
    if any(store.archived().values()):  # a share that is away has an empty folder in its place
        raise StoreUnavailableError(f"no month is moved while another cannot be read: {store.shelf.why()}")
    try:
        private_folder(store.shelf.folder)
        for derived in (False, True):
            moved += _archive(store, month, {**about, "derived": derived}, tell)
        note_folder(store.shelf.folder, store.archived())
    except OSError as error:
        raise explain(error, store.shelf.folder) from error
    except ValueError as error:  # as the library says what it cannot do
        raise StoreUnavailableError(f"{month}: cannot be written: {error}") from error
    return moved


def _archive(store: SqliteSeriesStore, month: str, about: About, tell: Tell) -> int:
    derived = bool(about["derived"])
    span = span_of(month)
    name = _free_name(store.shelf.folder, month, "derived" if derived else "readings")
    part_file = store.shelf.folder / f"{name}.part"
    with store.file.read() as db:
        if _has_rows(db, month, derived=derived):
            raise MonthBusyError(f"{month}: is not packed yet; it is archived next time")
        series = _series_of(db, span, derived=derived)
        if not any(db.execute(_PACKED, (one.id, *_stretches(span))).fetchone() for _, one in series):
            return 0
        try:
            written, seals = _write(store, db, part_file, (month, series), about)
            file = _checked(part_file, store.shelf.folder / name, (month, derived), seals)
        except BaseException:
            part_file.unlink(missing_ok=True)
            raise
    _change_over(store, file, written, tell)
    return file.n


def _write(
    store: SqliteSeriesStore,
    db: sqlite3.Connection,
    target: Path,
    what: tuple[str, Sequence[tuple[SeriesKey, Series]]],
    about: About,
) -> tuple[list[_Written], list[str]]:
    month, series = what
    target.unlink(missing_ok=True)
    private_file(target)
    writer = MonthWriter(target, derived=bool(about["derived"]))
    held = {one.id: _held(db, one.id, span_of(month)) for _, one in series}
    parts: dict[int, list[MonthPart]] = {one.id: [] for _, one in series}
    numbers = {key: one.id for key, one in series}
    said: list[dict[str, object]] = []
    seals: list[str] = []
    try:
        for _, source in groupby(series, key=lambda one: one[0][:2]):
            rows = list(_rows(store, db, list(source), span_of(month)))
            digests: dict[SeriesKey, SeriesDigest] = {}
            for group in in_groups(rows) if rows else ():
                row_group, first_row = writer.write(group), 0
                for one in group:
                    parts[numbers[one.key]].append(_part(row_group, first_row, numbers[one.key], one))
                    digests.setdefault(one.key, SeriesDigest()).add(one.block)
                    first_row += one.block.size
                seals.append(_seal(group))
            said += [digest.said(key) for key, digest in digests.items()]
        writer.close(_whole_about(about, month, said))
    except BaseException:
        writer.abandon()
        raise
    return [_Written(one, held[one.id], parts[one.id]) for _, one in series], seals


def _rows(
    store: SqliteSeriesStore,
    db: sqlite3.Connection,
    series: Sequence[tuple[SeriesKey, Series]],
    span: tuple[int, int],
) -> Iterator[MonthRows]:
    """All of a source's month: what is packed, and what lies in a file already."""
    for key, one in series:
        filed, reasons = store.shelf.stretch(db, one.id, *span)  # raises where a file cannot be read
        packed = packed_part(db, one.id, derived=one.derived, start_ms=span[0], end_ms=span[1])
        block = in_rising_time(filed, packed)
        doubted = block["arrival_order"][block["status"] != 0].tolist()
        for order in doubted:
            found = db.execute("SELECT reason FROM mark WHERE arrival_order = ?", (order,)).fetchone()
            if found is not None:
                reasons[order] = found[0]
        if block.size:
            yield MonthRows(key, block, reasons)


def _checked(part_file: Path, target: Path, what: tuple[str, bool], seals: Sequence[str]) -> MonthFile:
    """Read all of it back from the disk, compare, and give it its name."""
    to_disk(part_file)
    metadata = read_metadata(part_file)
    file = MonthFile(0, target, *what, digest_of(part_file), part_file.stat().st_size, metadata.num_rows)
    reading = file._replace(path=part_file)
    found = []
    for number in range(metadata.num_row_groups):
        table = read_group(reading, metadata, number, whole=True)
        block = block_of(table, 0, table.num_rows)
        found.append(_seal_of(block.tobytes(), reasons_of(table, 0, table.num_rows)))
    if found != list(seals):
        raise StoreUnavailableError(
            f"{part_file}: read back it is not the same; the month stays where it was"
        )
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600))  # never over another file
    os.replace(part_file, target)
    to_disk(target.parent)
    return file


def _change_over(store: SqliteSeriesStore, file: MonthFile, written: Sequence[_Written], tell: Tell) -> None:
    """From now on the month is read from its file, one series after another."""
    span = span_of(file.month)
    done = False
    try:
        for one in written:
            with store.writing() as db:
                if _held(db, one.series.id, span) != one.held or _has_filed(db, one.series, span):
                    raise MonthBusyError(
                        f"{file.month}: numbers came in while it was written; it is archived next time"
                    )
                number = month_book.put_file(db, file)
                parts = [part._replace(file=number) for part in one.parts]
                month_book.replace_parts(db, one.series.id, span, parts)
                db.execute(
                    "DELETE FROM packed WHERE series_id = ? AND stretch >= ? AND stretch < ?",
                    (one.series.id, *_stretches(span)),
                )
                kept_ms = max(span[0], read_floors(db).raw_ms)  # of what went before, sums are all there is
                db.execute(
                    "DELETE FROM rollup_quarter WHERE series_id = ? AND start_ms >= ? AND start_ms < ?",
                    (one.series.id, kept_ms, span[1]),
                )
            done = True
            tell(sum(part.n for part in one.parts))
    finally:
        if not done and not _is_known(store, file):  # stopped after a commit, it holds the only copy
            file.path.unlink(missing_ok=True)
    with store.writing() as db:
        db.execute("DELETE FROM number WHERE name = ?", (_kept(file.month),))
        gone = month_book.forget_empty(db, store.shelf.folder)
    for old in gone:
        old.path.unlink(missing_ok=True)


def restore_month(store: SqliteSeriesStore, month: str, tell: Tell = lambda _: None) -> int:
    """Take a month back into the live file; its files stay where they are. Returns how many numbers came."""
    span = span_of(month)
    came = 0
    with store.file.read() as db:
        numbers = [
            row[0]
            for row in db.execute(
                "SELECT DISTINCT series_id FROM month_part WHERE start_ms >= ? AND start_ms < ?", span
            )
        ]
    with store.writing() as db:
        write_number(db, _kept(month), 1)
    for number in numbers:
        first, last = _stretches(span)
        for at in range(first, last, _STRETCHES_AT_ONCE):
            places = [(number, one) for one in range(at, min(at + _STRETCHES_AT_ONCE, last))]
            with store.writing() as db:
                file_all(db, store.catalog)  # nothing must be left beside a block
                shut = open_stretches(db, store.catalog, places)
                if shut:
                    raise store.shelf.why()
                refresh(db, store.catalog)
                packed = sum(pack_stretch(db, store.catalog, place) for place in places)
            came += packed
            tell(packed)
        with store.writing() as db:
            month_book.drop_parts(db, number, span)
    with store.writing() as db:
        month_book.forget_empty(db, store.shelf.folder)
    sweep(store.writing)
    return came


def _has_rows(db: sqlite3.Connection, month: str, *, derived: bool) -> bool:
    """Whether anything of a month is not packed: only what is, is archived."""
    fresh = (
        f"SELECT 1 FROM fresh_{'point' if derived else 'reading'} WHERE time_ms >= ? AND time_ms < ? LIMIT 1"
    )
    numbers = [row[0] for row in db.execute("SELECT id FROM series WHERE derived = ?", (derived,))]
    left = any(_has_filed(db, Series(number, derived), span_of(month)) for number in numbers)
    return left or db.execute(fresh, span_of(month)).fetchone() is not None


def _has_filed(db: sqlite3.Connection, series: Series, span: tuple[int, int]) -> bool:
    filed = f"SELECT 1 FROM {series.table} WHERE series_id = ? AND time_ms >= ? AND time_ms < ? LIMIT 1"
    return db.execute(filed, (series.id, *span)).fetchone() is not None


def _is_known(store: SqliteSeriesStore, file: MonthFile) -> bool:
    return any(one.path == file.path for one in store.archived())


def _series_of(
    db: sqlite3.Connection, span: tuple[int, int], *, derived: bool
) -> list[tuple[SeriesKey, Series]]:
    """Series that hold anything of the month, sources together."""
    rows = (
        "SELECT series_id FROM packed WHERE stretch >= ? AND stretch < ? "
        "UNION SELECT series_id FROM month_part WHERE start_ms >= ? AND start_ms < ?"
    )
    there = {row[0] for row in db.execute(rows, (*_stretches(span), *span))}
    found = [(key, series) for key in reads.keys(db) if (series := reads.find(db, key)) is not None]
    return sorted((key, one) for key, one in found if one.id in there and one.derived == derived)


def _held(db: sqlite3.Connection, series: int, span: tuple[int, int]) -> tuple[object, ...]:
    """Where a series' month lies: as long as this is the same, so are its numbers."""
    packed = db.execute(_PACKED, (series, *_stretches(span))).fetchall()
    opened = sorted(month_book.opened_of(db, series) & set(range(*_stretches(span))))
    return packed, db.execute(_PARTS, (series, *span)).fetchall(), opened


def _stretches(span: tuple[int, int]) -> tuple[int, int]:
    return span[0] // STRETCH_MS, span[1] // STRETCH_MS


def _part(row_group: int, first_row: int, series: int, rows: MonthRows) -> MonthPart:
    block = rows.block
    orders = block["arrival_order"]
    ends: tuple[int | None, int | None] = (None, None)
    if orders.any():
        ends = int(orders.min()), int(orders.max())
    times = int(block["time_ms"][0]), int(block["time_ms"][-1])
    arrived_ms = int((block["time_ms"] + block["delay_ms"]).max())
    return MonthPart(0, row_group, first_row, block.size, series, *times, arrived_ms, *ends)


def _seal(group: Sequence[MonthRows]) -> str:
    whole = b"".join(one.block.tobytes() for one in group)
    reasons: dict[int, str] = {}
    for one in group:
        reasons |= {
            order: one.reasons[order]
            for order in one.block["arrival_order"][one.block["status"] != 0].tolist()
            if order in one.reasons
        }
    return _seal_of(whole, reasons)


def _seal_of(rows: bytes, reasons: Mapping[int, str]) -> str:
    return hashlib.sha256(rows + repr(sorted(reasons.items())).encode()).hexdigest()


def _whole_about(about: About, month: str, series: Sequence[Mapping[str, object]]) -> dict[str, object]:
    first_ms, next_ms = span_of(month)
    return {
        "what": "a closed month of a Dryshift series store",
        "layout": LAYOUT,
        "how_to_read": HOW_TO_READ,
        "month": month,
        "from_ms": first_ms,
        "before_ms": next_ms,
        **about,
        "series": list(series),
    }


def _free_name(folder: Path, month: str, kind: str) -> str:
    number = 1
    while (folder / (name := f"{month}-{kind}{'' if number == 1 else f'-{number}'}.parquet")).exists():
        number += 1
    return name


def _kept(month: str) -> str:
    return f"taken_back_{month}"
