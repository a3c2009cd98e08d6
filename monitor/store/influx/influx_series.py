"""The series store over InfluxDB: what came in lately lies here, all of it is sent on in order."""

import sqlite3
from collections.abc import Callable, Sequence
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from monitor.model.reading import Mark, Point, Reading, SeriesKey, StoredReading
from monitor.settings.schema import InfluxSection
from monitor.store.contract import (
    AppendResult,
    Bucket,
    FloatArray,
    KeptWitness,
    MonthFile,
    SeriesSlice,
    SetAside,
    Shipping,
)
from monitor.store.influx.archive import InfluxArchive
from monitor.store.influx.durable_spool import Spool
from monitor.store.influx.layout import LAST_MS
from monitor.store.influx.shipper import Shipper
from monitor.store.series import reads
from monitor.store.series.catalog import read_floors, read_number
from monitor.store.series.cover import Floors
from monitor.store.series.reads import Total, add_totals
from monitor.store.series.retention import Retention
from monitor.store.series.series_schema import DAY_MS, HOUR_MS
from monitor.store.series.set_aside_rows import AsideBound
from monitor.store.series.sqlite_series import SqliteSeriesStore, rising_ms, whole_ms, whole_width_ms

LOCAL_DAYS = 14  # kept here beside the server: longer than its outage, a week's page and most clocks ask for
CONFIRM_S = 15.0  # for a batch to reach the server where it is acknowledged only then
_ALL = 2**31


class Past(NamedTuple):
    """What lies before the time from which everything is here: the server's part of an answer."""

    from_ms: int  # before this nobody has more than sums, and they lie here
    until_ms: int
    derived: bool
    floors: Floors
    late: SeriesSlice  # numbers from before that still lie here; they are newer than the server's

    def part_of(self, span: tuple[int, int]) -> tuple[int, int]:
        """The stretch of which the server is asked; empty where its end is not after its start."""
        return max(span[0], self.from_ms), min(span[1], self.until_ms)


class InfluxSeriesStore:
    """Implements SeriesStore; an append is durable here, whether or not the server can be reached.

    Everything of the last days lies in a local file and is answered from it; what is older is asked
    of the server by InfluxQL. A contradiction to a reading older than that is found when it is sent.
    """

    def __init__(
        self,
        section: InfluxSection,
        spool_file: Path,
        *,
        now_s: Callable[[], float],
        retention: Retention | None = None,
        set_aside: AsideBound | None = None,
    ) -> None:
        self._retention = retention or Retention()
        self._acknowledge = section.acknowledge
        self.local = SqliteSeriesStore(
            spool_file, retention=self._retention, set_aside=set_aside, filed_at_once=True
        )
        self.spool = Spool(self.local)
        self.archive = InfluxArchive(section)
        self.shipper = Shipper(self.spool, self.archive, section.batch_count, now_s)

    def append(self, readings: Sequence[Reading], set_aside: Sequence[SetAside] = ()) -> AppendResult:
        """Store a batch in one local transaction; it is sent on in the background.

        Where the settings ask for it, this waits until the server has it too; StoreUnavailableError where it
        has not in time: nothing is acknowledged then, and what comes again is found here and counted as
        repeated.
        """
        result = self.local.append(readings, set_aside)
        if self._acknowledge == "sent":
            self.shipper.wait_for(result.last_order, CONFIRM_S)
        return result

    def readings_after(self, order: int, limit: int) -> list[StoredReading]:
        """Readings in order of arrival, for the core to work through."""
        return self.local.readings_after(order, limit)

    def last_order(self) -> int:
        """The order of the newest reading; 0 when empty."""
        return self.local.last_order()

    def write_points(self, points: Sequence[Point]) -> None:
        """Store derived numbers; the same (series, time) again replaces."""
        self.local.write_points(points)

    def forget_points_after(self, time_s: float) -> None:
        """Drop derived numbers of later times here; what the server had of them is written over in time."""
        self.local.forget_points_after(time_s)

    def identity(self) -> int:
        """The local file's, which alone has an order of arrival."""
        return self.local.identity()

    def mark(self, marks: Sequence[Mark]) -> None:
        """Mark readings as doubtful, here and on the server."""
        self.local.mark(marks)

    def keys(self) -> list[SeriesKey]:
        """Every series that holds anything, here or on the server."""
        return self.local.keys()

    def latest(self, key: SeriesKey) -> Point | None:
        """The newest believed point of a series."""
        with self.local.file.read() as db:
            here = reads.latest(db, self.local.shelf, key)
            past = self._past(db, key, (0, LAST_MS))
        if past is None or (here and here.time_s * 1000.0 >= past.until_ms):
            return here
        doubted = {round(t * 1000.0) for t in past.late.time_s[past.late.doubtful]}
        end_ms = past.until_ms
        while there := self.archive.latest(key, (past.floors.raw_ms, end_ms), derived=past.derived):
            end_ms = round(there.time_s * 1000.0)
            if end_ms not in doubted:
                break
        if there is None or (here and here.time_s >= there.time_s):
            return here
        return there

    def slice(self, key: SeriesKey, start_s: float, end_s: float, limit: int | None = None) -> SeriesSlice:
        """Points with start_s ≤ time < end_s."""
        span = whole_ms("start_s", start_s), whole_ms("end_s", end_s)
        with self.local.file.read() as db:
            past = self._past(db, key, span)
            at = span[0] if past is None else max(span[0], past.until_ms)
            here = reads.slice_(db, self.local.shelf, key, (at, span[1]), limit)
        if past is None:
            return here
        first, last = past.part_of((max(span[0], past.floors.raw_ms), span[1]))
        if first >= last:
            return here
        there = self.archive.slice(key, first, last, derived=past.derived, limit=limit)
        return _joined([_merged(there, past.late), here], limit)

    def buckets(self, key: SeriesKey, start_s: float, end_s: float, width_s: float) -> list[Bucket]:
        """Aligned buckets (multiples of width_s since the epoch) of believed points; empty ones left out."""
        width_ms = whole_width_ms(width_s)
        span = whole_ms("start_s", start_s), whole_ms("end_s", end_s)
        found = self._totals(key, span, width_ms)
        return [found[number].bucket(number * width_ms / 1000.0) for number in sorted(found)]

    def spans(self, key: SeriesKey, edges_s: Sequence[float]) -> list[Bucket]:
        """Believed points summed up between neighbouring edges (midnights, shifts); empty ones left out."""
        answer: list[Bucket] = []
        for span in pairwise(rising_ms(edges_s)):
            answer += [total.bucket(span[0] / 1000.0) for total in self._totals(key, span, 0).values()]
        return answer

    def _totals(self, key: SeriesKey, span: tuple[int, int], width_ms: int) -> dict[int, Total]:
        """Sums by bucket number; a width of 0 sums up the whole stretch as bucket 0."""
        found: dict[int, Total] = {}
        with self.local.file.read() as db:
            past = self._past(db, key, span)
            if past is None:
                return found
            for first, last in ((span[0], past.from_ms), (past.until_ms, span[1])):
                part = max(first, span[0]), min(last, span[1])
                if part[0] < part[1]:
                    add_totals(found, self._here(db, key, part, width_ms).items())
        asked = past.part_of(span)
        if asked[0] < asked[1]:
            add_totals(found, self._past_totals(key, asked, width_ms, past).items())
        return found

    def _here(
        self, db: sqlite3.Connection, key: SeriesKey, span: tuple[int, int], width_ms: int
    ) -> dict[int, Total]:
        if width_ms:
            return reads.totals(db, self.local.shelf, key, span, width_ms)
        return reads.spans(db, self.local.shelf, key, span)

    def _past_totals(
        self, key: SeriesKey, span: tuple[int, int], width_ms: int, past: Past
    ) -> dict[int, Total]:
        if width_ms:
            found = self.archive.totals(key, span, width_ms, past.floors, derived=past.derived)
        else:
            found = self.archive.total(key, span, past.floors, derived=past.derived)
        for first, last in _touched(past.late, span, width_ms):
            there = self.archive.slice(key, first, last, derived=past.derived, limit=_ALL)
            both = _merged(there, _cut(past.late, first, last))
            numbers = _whole_ms(both.time_s) // width_ms if width_ms else np.zeros(both.time_s.size, np.int64)
            for number in np.unique(numbers):
                found.pop(int(number), None)
                values = both.value[(numbers == number) & ~both.doubtful]
                if values.size:
                    total = Total(values.size, float(values.sum()), float(values.min()), float(values.max()))
                    found[int(number)] = total
        return found

    def _past(self, db: sqlite3.Connection, key: SeriesKey, span: tuple[int, int]) -> Past | None:
        """The server's part; None for a series that nobody knows."""
        series = reads.find(db, key)
        if series is None:
            return None
        until_ms = self.spool.floor_ms(db)
        floors = read_floors(db)
        first = max(span[0], floors.raw_ms)
        late = reads.slice_(db, self.local.shelf, key, (first, min(span[1], until_ms)), _ALL)
        return Past(read_number(db, "sums_until_ms"), until_ms, series.derived, floors, late)

    def set_aside(self, limit: int = 100, skip: int = 0) -> list[SetAside]:
        """The newest unreadable messages, and what the server would not have, after so many newer ones."""
        return self.local.set_aside(limit, skip)

    def keep_witness(self, kept: KeptWitness) -> None:
        """Keep the ledger's end in the local file, which has the order of arrival as well."""
        self.local.keep_witness(kept)

    def witnesses(self) -> list[KeptWitness]:
        """The ledger's ends that were kept, the oldest first."""
        return self.local.witnesses()

    def shipping(self) -> Shipping | None:
        """How far behind the server is."""
        return self.shipper.shipping()

    def counts(self) -> dict[str, int]:
        """Counters since the spool was made, by what became of a reading or message."""
        return self.local.counts()

    def apply_retention(self, now_s: float) -> int:
        """Answer nothing older than the settings keep, and drop here what the server has had for days.

        The server keeps every reading for as long as its own retention policy says.
        """
        self.spool.keep_from(self._retention.floors(now_s))
        days = min(LOCAL_DAYS, self._retention.readings_days)
        return self.spool.prune(whole_ms("now_s", now_s - days * 86_400.0) // HOUR_MS * HOUR_MS)

    def archived(self) -> dict[MonthFile, str]:
        """None: the server keeps what is old."""
        return {}

    def look_at_archive(self) -> None:
        """There is nothing to look at."""

    def unreadable(self, start_s: float, end_s: float) -> str:
        """Nothing: what the server holds it gives, or the question fails."""
        return ""

    def refresh_rollups(self) -> int:
        """Sum up every hour whose rollups lag behind; answers are right without it, only slower."""
        return self.local.refresh_rollups()

    def backup(self, target_dir: Path) -> Path:
        """A checked copy of the local file; the server has its own backup."""
        return self.local.backup(target_dir)

    def close(self) -> None:
        """End sending after the batch in hand and let go of the files; the rest is sent next time."""
        self.shipper.stop()
        self.archive.close()
        self.local.close()


def _touched(late: SeriesSlice, span: tuple[int, int], width_ms: int) -> list[tuple[int, int]]:
    """Stretches of whole buckets that hold late numbers, neighbours in one."""
    if not width_ms:
        return [span] if late.time_s.size else []
    stretches: list[tuple[int, int]] = []
    for number in np.unique(_whole_ms(late.time_s) // width_ms).tolist():
        first, last = max(number * width_ms, span[0]), min((number + 1) * width_ms, span[1])
        if stretches and first - stretches[-1][1] < DAY_MS:
            stretches[-1] = (stretches[-1][0], last)
        else:
            stretches.append((first, last))
    return stretches


def _cut(points: SeriesSlice, start_ms: int, end_ms: int) -> SeriesSlice:
    times = _whole_ms(points.time_s)
    chosen = (times >= start_ms) & (times < end_ms)
    return SeriesSlice(points.time_s[chosen], points.value[chosen], points.doubtful[chosen])


def _whole_ms(time_s: FloatArray) -> npt.NDArray[np.int64]:
    return np.round(time_s * 1000.0).astype(np.int64)


def _parts(points: SeriesSlice) -> tuple[FloatArray, FloatArray, npt.NDArray[np.bool_]]:
    return points.time_s, points.value, points.doubtful


def _merged(there: SeriesSlice, late: SeriesSlice) -> SeriesSlice:
    """Both in rising time; where both have a time, the late one stands."""
    if not late.time_s.size:
        return there
    kept = ~np.isin(there.time_s, late.time_s)
    both = [np.concatenate([a[kept], b]) for a, b in zip(_parts(there), _parts(late), strict=True)]
    order = np.argsort(both[0], kind="stable")
    return SeriesSlice(*(part[order] for part in both))


def _joined(slices: Sequence[SeriesSlice], limit: int | None) -> SeriesSlice:
    columns = zip(*(_parts(one) for one in slices), strict=True)
    return SeriesSlice(*(np.concatenate(column)[:limit] for column in columns))
