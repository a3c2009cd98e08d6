"""The embedded series store: one SQLite file that holds readings, derived points and their rollups."""

import secrets
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from pathlib import Path
from threading import RLock

from monitor.model.errors import Fault, InputError, RangeError
from monitor.model.reading import Mark, Point, Reading, SeriesKey, StoredReading
from monitor.store.contract import (
    AppendResult,
    Bucket,
    KeptWitness,
    MonthFile,
    SeriesSlice,
    SetAside,
    Shipping,
)
from monitor.store.months import month_book
from monitor.store.months.shelf import Shelf
from monitor.store.series import reads, rollups
from monitor.store.series import retention as series_retention
from monitor.store.series.append import Appending, write_points
from monitor.store.series.catalog import LAST_ORDER, Catalog, add_number, read_number, write_number
from monitor.store.series.cover import Floors
from monitor.store.series.fresh_rows import (
    FreshOf,
    FreshRows,
    file_all,
    file_when_many,
    read_last_order,
)
from monitor.store.series.marks import write_marks
from monitor.store.series.packed_stretches import PackedArrivals, open_from
from monitor.store.series.retention import Retention
from monitor.store.series.series_schema import HOUR_MS, SERIES_SCHEMA
from monitor.store.series.set_aside_rows import LET_GO, MAX_TIME_S, AsideBound, read_aside
from monitor.store.series.witness_rows import keep_witness, read_witnesses
from monitor.store.sqlite_file import SqliteFile

_COUNTERS = ("stored", "repeated", "contradicting", "set_aside", LET_GO, "doubtful")
_IDENTITY = "identity"
MONTHS_FOLDER = "archive"  # beside the file, where no other folder is named


def whole_ms(name: str, time_s: float) -> int:
    """A time in whole milliseconds, kept inside what the store can hold."""
    if time_s != time_s:
        raise RangeError(name, time_s, "seconds since 1970")
    return round(min(max(time_s, 0.0), MAX_TIME_S) * 1000.0)


def whole_width_ms(width_s: float) -> int:
    """A bucket width in milliseconds."""
    width_ms = round(width_s * 1000.0) if 0.0 < width_s < MAX_TIME_S else 0
    if width_ms < 1 or abs(width_ms - width_s * 1000.0) > 1e-6 * width_ms:
        raise RangeError("width_s", width_s, "a whole number of milliseconds above zero")
    return width_ms


def rising_ms(edges_s: Sequence[float]) -> list[int]:
    """Edges of intervals in whole milliseconds."""
    edges = [whole_ms("edges_s", edge) for edge in edges_s]
    if any(late <= early for early, late in pairwise(edges)):
        raise RangeError("edges_s", list(edges_s), "times that rise")
    return edges


class SqliteSeriesStore:
    """Implements SeriesStore on one file; durable when a call returns, safe from several threads."""

    def __init__(
        self,
        path: Path,
        *,
        retention: Retention | None = None,
        set_aside: AsideBound | None = None,
        archive: Path | None = None,
        busy_timeout_s: float = 5.0,
        filed_at_once: bool = False,
    ) -> None:
        """`filed_at_once`: every row lies among those of its series from the start, where triggers see it."""
        self._retention = retention or Retention()
        self.aside_bound = set_aside or AsideBound()
        self.shelf = Shelf(path.parent / MONTHS_FOLDER if archive is None else archive)
        self.catalog = Catalog(self.shelf)
        self._lock = RLock()
        self._opened = 0
        self._arrivals = PackedArrivals(self.shelf)
        self._fresh = FreshRows()
        self._filed_at_once = filed_at_once
        self.file = SqliteFile(path, SERIES_SCHEMA, busy_timeout_s)

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """One transaction on the file, with what is remembered of it up to date."""
        with self._lock:
            with self.file.write() as db:
                if self.file.opened != self._opened:
                    self.catalog.forget()
                    self._opened = self.file.opened
                self.catalog.enter(db)
                yield db
            self.catalog.leave()

    def append(self, readings: Sequence[Reading], set_aside: Sequence[SetAside] = ()) -> AppendResult:
        """Store a batch in one transaction; the same (series, time) twice counts as repeated."""
        with self.writing() as db:
            batch = Appending(db, self.catalog, self._fresh, self.file.opened)
            result = batch.append(readings, set_aside, self.aside_bound, filed=self._filed_at_once)
            self._tidy(db)
        return result

    def readings_after(self, order: int, limit: int) -> list[StoredReading]:
        """Readings in order of arrival, for the core to work through."""
        with self.file.read() as db:
            packed = self._arrivals.after(db, self.file.opened, order, limit)
            return reads.readings_after(db, order, limit, packed)

    def last_order(self) -> int:
        """The order of the newest reading; 0 when empty."""
        with self.file.read() as db:
            return read_last_order(db)

    def write_points(self, points: Sequence[Point]) -> None:
        """Store derived numbers; the same (series, time) again replaces."""
        with self.writing() as db:
            rows = []
            for key, time_s, value in points:
                if value - value != 0.0 or not 0.0 <= time_s < MAX_TIME_S:
                    found = f"{value} at {time_s}"
                    raise InputError([Fault("/".join(key), found, "write a finite number at a sound time")])
                number = self.catalog.series_id(db, key, derived=True)
                rows.append((number, round(time_s * 1000.0), value))
            floor_ms = self.catalog.floors.raw_ms
            rows = [row for row in rows if row[1] >= floor_ms]
            write_points(db, self.catalog, rows, filed=self._filed_at_once)
            self._tidy(db)

    def forget_points_after(self, time_s: float) -> None:
        """Drop derived numbers of later times: they were written under a clock that was ahead."""
        after_ms = whole_ms("time_s", time_s)
        with self.writing() as db:
            file_all(db, self.catalog)
            if after_ms < self.catalog.packed_before_ms:
                open_from(db, self.catalog, after_ms)
            found = db.execute(
                "DELETE FROM point WHERE time_ms > ? RETURNING series_id, time_ms", (after_ms,)
            ).fetchall()
            self.catalog.mark_stale(db, {(series_id, time_ms // HOUR_MS) for series_id, time_ms in found})

    def _tidy(self, db: sqlite3.Connection) -> None:
        """File what is not yet filed and sum up what lags behind, where there is much of it."""
        if self._filed_at_once or file_when_many(db, self.catalog):
            rollups.refresh(db, self.catalog, only_many=True)

    def identity(self) -> int:
        """A number of chance made with the store, which its copies keep; never 0."""
        found = self._number(_IDENTITY)
        if found:
            return found
        with self.writing() as db:  # a file of an earlier version gets one now
            found = read_number(db, _IDENTITY) or 1 + secrets.randbelow(2**62)
            write_number(db, _IDENTITY, found)
        return found

    def mark(self, marks: Sequence[Mark]) -> None:
        """Mark readings as doubtful and take them out of the rollups; GOOD takes a mark back."""
        with self.writing() as db:
            add_number(db, "doubtful", write_marks(db, self.catalog, marks))

    def keys(self) -> list[SeriesKey]:
        """Every series that holds anything."""
        with self.file.read() as db:
            return reads.keys(db)

    def latest(self, key: SeriesKey) -> Point | None:
        """The newest believed point of a series."""
        with self.file.read() as db:
            return reads.latest(db, self.shelf, key, self._not_filed())

    def slice(self, key: SeriesKey, start_s: float, end_s: float, limit: int | None = None) -> SeriesSlice:
        """Points with start_s ≤ time < end_s."""
        stretch = whole_ms("start_s", start_s), whole_ms("end_s", end_s)
        with self.file.read() as db:
            return reads.slice_(db, self.shelf, key, stretch, limit, self._not_filed())

    def buckets(self, key: SeriesKey, start_s: float, end_s: float, width_s: float) -> list[Bucket]:
        """Aligned buckets (multiples of width_s since the epoch) of believed points; empty ones left out.

        Points older than the finest level kept are answered by the next coarser level.
        """
        width_ms = whole_width_ms(width_s)
        stretch = whole_ms("start_s", start_s), whole_ms("end_s", end_s)
        with self.file.read() as db:
            return reads.buckets(db, self.shelf, key, stretch, width_ms, self._not_filed())

    def spans(self, key: SeriesKey, edges_s: Sequence[float]) -> list[Bucket]:
        """Believed points summed up between neighbouring edges (midnights, shifts); empty ones left out."""
        edges = rising_ms(edges_s)
        with self.file.read() as db:
            found = reads.spans(db, self.shelf, key, edges, self._not_filed())
        return [found[number].bucket(edges[number] / 1000.0) for number in sorted(found)]

    def set_aside(self, limit: int = 100, skip: int = 0) -> list[SetAside]:
        """The newest unreadable messages, after so many newer ones."""
        with self.file.read() as db:
            return read_aside(db, limit, skip)

    def keep_witness(self, kept: KeptWitness) -> None:
        """Keep the ledger's end beside the readings: the last of each UTC day, for some years."""
        with self.writing() as db:
            keep_witness(db, kept)

    def witnesses(self) -> list[KeptWitness]:
        """The ledger's ends that were kept, the oldest first."""
        with self.file.read() as db:
            return read_witnesses(db)

    def shipping(self) -> Shipping | None:
        """None: nothing is sent anywhere."""
        return None

    def counts(self) -> dict[str, int]:
        """Counters since the store was made, by what became of a reading or message."""
        with self.file.read() as db:
            known = dict(db.execute("SELECT name, value FROM number"))
            not_filed = read_last_order(db) - known.get(LAST_ORDER, 0)
        return {name: int(known.get(name, 0)) + (not_filed if name == "stored" else 0) for name in _COUNTERS}

    def refresh_rollups(self) -> int:
        """Sum up every hour whose rollups lag behind; answers are right without it, only slower."""
        with self.writing() as db:
            file_all(db, self.catalog)
            return rollups.refresh(db, self.catalog)

    def archived(self) -> dict[MonthFile, str]:
        """The months that lie in files of their own, each with why it cannot be read now ("": it can)."""
        with self.file.read() as db:
            files = month_book.files(db, self.shelf.folder)
        return {one: self.shelf.faults.get(one.number, "") for one in files}

    def look_at_archive(self) -> None:
        """Learn anew which months' files can be read; bounded in time."""
        self.shelf.look(list(self.archived()))

    def unreadable(self, start_s: float, end_s: float) -> str:
        """Why numbers of this stretch that are stored cannot be read now, in words; "" where all can."""
        if not self.shelf.faults:
            return ""
        faults = dict(self.shelf.faults)
        for one in self.archived():
            span = month_book.span_of(one.month)
            if not (span[0] < end_s * 1000.0 and start_s * 1000.0 < span[1]):
                faults.pop(one.number, None)
        # one that was replaced while it was read is in the book no more, and may be of any time
        return "; ".join(faults[number] for number in sorted(faults))

    def apply_retention(self, now_s: float) -> int:
        """Drop what the settings say is too old, and pack what is a few days old; returns rows dropped."""
        dropped = series_retention.apply(self.writing, self.catalog, self._retention.floors(now_s))
        self.pack(now_s)
        return dropped

    def pack(self, now_s: float) -> int:
        """Pack what is a few days old into a small part of its place; returns how many numbers."""
        return series_retention.pack_before(self.writing, self.catalog, now_s)

    def open_from(self, time_s: float) -> None:
        """Make rows again of what was measured or came in since then, for a program that reads the tables."""
        with self.writing() as db:
            file_all(db, self.catalog)
            open_from(db, self.catalog, whole_ms("time_s", time_s))

    def raise_floors(self, db: sqlite3.Connection, floors: Floors) -> None:
        """Answer nothing older than this from now on; inside the caller's transaction."""
        series_retention.raise_floors(db, self.catalog, floors)

    def backup(self, target_dir: Path) -> Path:
        """A checked copy of the file in `target_dir`, made while the service runs."""
        return self.file.backup(target_dir / self.file.path.name)

    def close(self) -> None:
        """Finish writing and let go of the files."""
        self.file.close()

    def _not_filed(self) -> FreshOf:
        return self._fresh.within(self.file.opened)

    def _number(self, name: str) -> int:
        with self.file.read() as db:
            row = db.execute("SELECT value FROM number WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0
