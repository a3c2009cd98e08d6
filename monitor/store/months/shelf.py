"""The folder of months' files: what lies in it is read within a total time, or is a named fault.

The folder may be another disk or a share, which may be away, slow or changed. So everything that touches it
runs beside the caller, who waits no longer than a bound; a file counts only while its hash is the one in the
book; and what cannot be read is left out of answers, and said (`faults`).
"""

import hashlib
import logging
import sqlite3
from collections import OrderedDict
from collections.abc import Callable, Sequence
from contextlib import closing
from functools import partial
from pathlib import Path
from threading import Event, Lock
from typing import Any, TypeVar

import numpy as np

from monitor.clock import monotonic_s
from monitor.store.contract import MonthFile, ParquetUnavailableError, StoreUnavailableError
from monitor.store.months import month_book
from monitor.store.months.month_book import MonthPart
from monitor.store.months.month_file import block_of, read_group, read_metadata, reasons_of
from monitor.store.series.packing import BLOCK, Block
from monitor.store.series.series_schema import STRETCH_MS
from monitor.store.sqlite_file import explain
from monitor.wire.ration import OutOfTimeError, Ration, in_time

log = logging.getLogger(__name__)

TOTAL_S = 5.0
SLOWEST_BYTES_S = 10_000_000  # so fast the slowest share is taken to be, for the look at a whole file
LOOKED_AT_FOR_S = 86_400.0  # after a day a file that nobody touched is hashed again
MOST_STUCK = 4  # calls that a folder holds up; then it is asked nothing until one comes back
_KEPT_GROUPS = 4
_AT_ONCE = 1 << 20
_PUT_BACK = "put it back, or take it from a backup"
T = TypeVar("T")
_Stamp = tuple[int, int, int]


class MonthUnreadableError(StoreUnavailableError):
    """A month's file cannot be read now; says which and why."""


class FolderMuteError(MonthUnreadableError):
    """The folder gives no answer; what else it holds is not asked for now."""


class Shelf:
    """Reads the months' files of one store."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.faults: dict[int, str] = {}  # by number of the file
        self._verified: dict[int, tuple[_Stamp, float]] = {}
        self._metadata: OrderedDict[int, Any] = OrderedDict()
        self._groups: OrderedDict[tuple[int, int, bool], Any] = OrderedDict()
        self._lock = Lock()
        self._stuck = 0

    def block(self, db: sqlite3.Connection, series: int, start_ms: int, end_ms: int) -> Block:
        """Numbers of a series with start ≤ time < end, in rising time, without what cannot be read now."""
        parts = month_book.parts_of(db, series, start_ms, end_ms)
        if not parts:
            return np.zeros(0, BLOCK)
        found = []
        for part in parts:
            try:
                found.append(self.rows(db, part, whole=False))
            except MonthUnreadableError:  # it is in `faults`, for all who need everything
                continue
        return _between(found, start_ms, end_ms)

    def rows(self, db: sqlite3.Connection, part: MonthPart, *, whole: bool) -> Block:
        """What is read of a part; MonthUnreadableError where it cannot be."""
        return unopened(db, part.series, self.filed(db, part, whole=whole))

    def filed(self, db: sqlite3.Connection, part: MonthPart, *, whole: bool) -> Block:
        """What lies in the file, also of stretches that were opened since."""
        return block_of(self._group(db, part, whole=whole), part.first_row, part.n)

    def stretch(
        self, db: sqlite3.Connection, series: int, start_ms: int, end_ms: int
    ) -> tuple[Block, dict[int, str]]:
        """All of a stretch and why its numbers are doubted; MonthUnreadableError where it cannot be read."""
        parts = month_book.parts_of(db, series, start_ms, end_ms)
        reasons: dict[int, str] = {}
        blocks = []
        for part in parts:
            blocks.append(self.rows(db, part, whole=True))
            reasons |= reasons_of(self._group(db, part, whole=True), part.first_row, part.n)
        return _between(blocks, start_ms, end_ms), reasons

    def why(self) -> MonthUnreadableError:
        """What cannot be read now, as an error to raise."""
        return MonthUnreadableError("; ".join(sorted(set(self.faults.values()))))

    def look(self, files: Sequence[MonthFile]) -> None:
        """Learn anew which of these can be read; one that was not hashed for a day is, the oldest first."""
        due_s = monotonic_s() - LOOKED_AT_FOR_S
        seen = sorted(files, key=lambda one: self._verified.get(one.number, ((0, 0, 0), 0.0))[1])
        for number in set(self.faults) - {one.number for one in files}:
            self.faults.pop(number, None)
        for n, file in enumerate(seen):
            if n == 0 and self._verified.get(file.number, ((0, 0, 0), due_s))[1] < due_s:
                self._verified.pop(file.number, None)
            try:
                self._bounded(file, partial(self._verify, file))
            except FolderMuteError as error:
                self.faults |= {one.number: str(error) for one in seen[n:]}
                return
            except MonthUnreadableError:  # it is in the faults
                continue
            else:
                self.faults.pop(file.number, None)

    def _group(self, db: sqlite3.Connection, part: MonthPart, *, whole: bool) -> Any:
        if part.file in self.faults:
            raise MonthUnreadableError(self.faults[part.file])
        file = month_book.file_of(db, self.folder, part.file)
        return self._bounded(file, lambda: self._read(file, part.row_group, whole=whole))

    def _bounded(self, file: MonthFile, work: Callable[[], T]) -> T:
        """What `work` gives within its time; every way in which it can fail is a fault of the file."""
        total_s = TOTAL_S + file.size_bytes / SLOWEST_BYTES_S
        raised: type[MonthUnreadableError] = MonthUnreadableError
        try:
            return self._in_time(work, total_s)
        except FileNotFoundError:
            why = f"is missing; {_PUT_BACK}"
        except ParquetUnavailableError as error:
            why = f"cannot be read: {error}"
        except OutOfTimeError as error:
            why, raised = f"cannot be read: its folder {error}", FolderMuteError
        except (OSError, ValueError, KeyError, IndexError) as error:
            why = f"cannot be read: {getattr(error, 'strerror', None) or error}; {_PUT_BACK}"
        said = f"{file.month}: {file.path} {why}"
        if self.faults.get(file.number) != said:
            log.error("a month of readings is not known now: %s", said)
        self.faults[file.number] = said
        raise raised(said)

    def _in_time(self, work: Callable[[], T], total_s: float) -> T:
        """What `work` gives; where it takes too long it is left behind, at most so many at once."""
        if self._stuck >= MOST_STUCK:
            raise OutOfTimeError(f"took longer than {total_s:g} s")  # as the last ones did
        over, left = Event(), Event()

        def run() -> T:
            try:
                return work()
            finally:
                with self._lock:
                    over.set()
                    self._stuck -= left.is_set()

        try:
            with Ration(total_s, 0):
                return in_time(run, "month's file")
        except OutOfTimeError:
            with self._lock:
                if not over.is_set():
                    left.set()
                    self._stuck += 1
            raise

    def _read(self, file: MonthFile, row_group: int, *, whole: bool) -> Any:
        self._verify(file)
        key = (file.number, row_group, whole)
        with self._lock:
            known = self._groups.get(key)
            metadata = self._metadata.get(file.number)
        if known is None:
            metadata = metadata or read_metadata(file.path)
            known = read_group(file, metadata, row_group, whole=whole)
            with self._lock:
                self._metadata[file.number] = metadata
                self._groups[key] = known
                while len(self._metadata) > _KEPT_GROUPS:
                    self._metadata.popitem(last=False)
                while len(self._groups) > _KEPT_GROUPS:
                    self._groups.popitem(last=False)
        return known

    def _verify(self, file: MonthFile) -> None:
        """Raise unless the file is the one of the book; it is hashed where it may have changed since."""
        there = file.path.stat()
        stamp = (there.st_size, there.st_mtime_ns, there.st_ino)
        known = self._verified.get(file.number)
        if known is not None and known[0] == stamp:
            return
        with self._lock:
            self._metadata.pop(file.number, None)
            for key in [key for key in self._groups if key[0] == file.number]:
                del self._groups[key]
        if there.st_size != file.size_bytes or digest_of(file.path) != file.sha256:
            self._verified.pop(file.number, None)
            raise ValueError("it is not the file that was written (its SHA-256 is another one)")
        read_metadata(file.path)  # says whether the library is here
        self._verified[file.number] = (stamp, monotonic_s())


def unreadable_months(series_file: Path, folder: Path) -> list[str]:
    """Which months' files of a store cannot be read, in words; the store is looked at and not touched."""
    if not series_file.exists():
        return []
    try:
        with closing(sqlite3.connect(f"file:{series_file}?mode=ro", uri=True)) as db:
            there = db.execute("SELECT 1 FROM sqlite_master WHERE name = 'month_file'").fetchone()
            files = month_book.files(db, folder) if there else []
    except sqlite3.Error as error:
        return [str(explain(error, series_file))]
    shelf = Shelf(folder)
    shelf.look(files)
    return [shelf.faults[one.number] for one in files if one.number in shelf.faults]


def unopened(db: sqlite3.Connection, series: int, block: Block) -> Block:
    """What of it was not opened since, and is read from the file."""
    opened = month_book.opened_of(db, series)
    if not opened:
        return block
    return block[~np.isin(block["time_ms"] // STRETCH_MS, list(opened))]


def digest_of(file: Path) -> str:
    """The SHA-256 of a file."""
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _between(blocks: Sequence[Block], start_ms: int, end_ms: int) -> Block:
    whole = np.concatenate(blocks) if blocks else np.zeros(0, BLOCK)
    first, last = np.searchsorted(whole["time_ms"], (start_ms, end_ms))
    return whole[first:last]
