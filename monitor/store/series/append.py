"""Writes a batch of readings and says of each whether it was new, a repeat, or contradicts what is stored."""

import json
import logging
import sqlite3
from collections.abc import Sequence
from math import isfinite

from monitor.model.errors import InputError
from monitor.model.reading import Reading
from monitor.store.contract import AppendResult, SetAside
from monitor.store.months.shelf import MonthUnreadableError
from monitor.store.series.catalog import LAST_ORDER, Catalog, add_number, write_number
from monitor.store.series.fresh_rows import FreshRows, file_points
from monitor.store.series.orders import FILED_AT
from monitor.store.series.packed_stretches import open_for
from monitor.store.series.series_schema import HOUR_MS, STRETCH_MS
from monitor.store.series.set_aside_rows import MAX_TIME_S, AsideBound, put_aside

log = logging.getLogger(__name__)

_SEQUENCE_LIMIT = 2**63
_COLUMNS = "(arrival_order, series_id, time_ms, delay_ms, value, sequence, from_device, status)"
_ADD = f"INSERT INTO fresh_reading {_COLUMNS} VALUES (?, ?, ?, ?, ?, ?, ?, 0)"
_FILE = f"INSERT INTO reading {_COLUMNS} VALUES (?, ?, ?, ?, ?, ?, ?, 0)"
_FRESH_VALUE = "SELECT value FROM fresh_reading WHERE arrival_order = ?"
_FILED_VALUE = "SELECT value FROM reading WHERE series_id = ? AND time_ms = ?"

_ADD_POINT = "INSERT INTO fresh_point (told_order, series_id, time_ms, value) VALUES (?, ?, ?, ?)"
_FILE_POINT = """
INSERT INTO point (series_id, time_ms, value) VALUES (?, ?, ?)
ON CONFLICT (series_id, time_ms) DO UPDATE SET value = excluded.value"""

Row = tuple[int, int, int, int, float, int | None, bool]


class Appending:
    """A batch on its way into the tables, inside the caller's transaction."""

    def __init__(self, db: sqlite3.Connection, catalog: Catalog, fresh: FreshRows, opened: int) -> None:
        self._db = db
        self._catalog = catalog
        self._fresh = fresh
        self._opened = opened
        self._rows: list[Row] = []
        self._taken: dict[tuple[int, int], float] | None = None  # of the rows, once anybody asks
        self._repeated = 0
        self._contradictions: list[SetAside] = []
        self._unfit: list[SetAside] = []

    def append(
        self, readings: Sequence[Reading], set_aside: Sequence[SetAside], bound: AsideBound, *, filed: bool
    ) -> AppendResult:
        """Store what is new, at once among the rows of its series where `filed`."""
        self._sort(readings)
        self._write(filed=filed)
        aside = [*set_aside, *self._unfit]
        put_aside(self._db, [*aside, *self._contradictions], bound)
        add_number(self._db, "repeated", self._repeated)
        add_number(self._db, "contradicting", len(self._contradictions))
        add_number(self._db, "set_aside", len(aside))
        return AppendResult(
            len(self._rows), self._repeated, len(self._contradictions), self._catalog.last_order
        )

    def _sort(self, readings: Sequence[Reading]) -> None:
        """Which readings are new: whatever is later than all of its series is, the rest is looked for."""
        ids, derived, newest = self._catalog.ids, self._catalog.derived, self._catalog.newest_ms
        order, floor_ms, rows = self._catalog.last_order, self._catalog.floors.raw_ms, self._rows
        floor_s = floor_ms / 1000.0
        for reading in readings:
            key, time_s, arrived_s, value, sequence, from_device = reading
            sound = value - value == 0.0 and floor_s <= time_s < MAX_TIME_S and 0.0 <= arrived_s < MAX_TIME_S
            if not sound or not (sequence is None or -_SEQUENCE_LIMIT <= sequence < _SEQUENCE_LIMIT):
                self._unfit.append(_aside(reading, *_wrong(reading, floor_ms)))
                continue
            series_id = ids.get(key)
            if series_id is None or series_id in derived:
                try:
                    series_id = self._catalog.series_id(self._db, key, derived=False)
                except InputError as error:
                    self._unfit.append(_aside(reading, "derived_series", str(error)))
                    continue
            time_ms = round(time_s * 1000.0)
            if time_ms > newest[series_id]:
                newest[series_id] = time_ms
            elif self._is_known(reading, series_id, time_ms):
                continue
            order += 1
            delay_ms = round(arrived_s * 1000.0) - time_ms
            rows.append((order, series_id, time_ms, delay_ms, value, sequence, from_device))
            if self._taken is not None:
                self._taken[series_id, time_ms] = value
        self._catalog.last_order = order

    def _is_known(self, reading: Reading, series_id: int, time_ms: int) -> bool:
        try:
            stored = self._stored(series_id, time_ms)
        except MonthUnreadableError as error:  # nobody knows what is stored of that time
            self._unfit.append(_aside(reading, "month_unreadable", f"time_s: {error}; then send it again"))
            return True
        if stored is None:
            return False
        if stored == reading.value:
            self._repeated += 1
        else:
            detail = f"value: found {reading.value}; the same series and time is stored as {stored}"
            self._contradictions.append(_aside(reading, "contradicts_stored", detail))
        return True

    def _stored(self, series_id: int, time_ms: int) -> float | None:
        if self._taken is None:
            self._taken = {(row[1], row[2]): row[4] for row in self._rows}
        taken = self._taken.get((series_id, time_ms))
        if taken is not None:
            return taken
        order = self._fresh.order_at(self._db, self._opened, series_id, time_ms)
        if order is not None:
            found = self._db.execute(_FRESH_VALUE, (order,)).fetchone()
        else:
            if open_for(self._db, self._catalog, [(series_id, time_ms)]):
                raise self._catalog.shelf.why()
            found = self._db.execute(_FILED_VALUE, (series_id, time_ms)).fetchone()
        return float(found[0]) if found else None

    def _write(self, *, filed: bool) -> None:
        """Of what is only added, no counter is written: it follows from the orders (`fresh_rows.py`)."""
        if not self._rows:
            return
        if not filed:
            self._db.executemany(_ADD, self._rows)
            self._catalog.fresh_readings += len(self._rows)
            return
        self._db.executemany(_FILE, self._rows)
        self._db.executemany(FILED_AT, (row[:3] for row in self._rows))
        self._catalog.mark_stale(self._db, {(row[1], row[2] // HOUR_MS) for row in self._rows})
        add_number(self._db, "stored", len(self._rows))
        write_number(self._db, LAST_ORDER, self._catalog.last_order)


def write_points(
    db: sqlite3.Connection, catalog: Catalog, rows: Sequence[tuple[int, int, float]], *, filed: bool
) -> None:
    """Write derived points (series, time in ms, value); what is not later than all of its series replaces."""
    newest = catalog.newest_ms
    later, others = list[tuple[int, int, int, float]](), list[tuple[int, int, float]]()
    for row in rows:
        if not filed and row[1] > newest[row[0]]:
            newest[row[0]] = row[1]
            catalog.last_told += 1
            later.append((catalog.last_told, *row))
        else:
            others.append(row)
    db.executemany(_ADD_POINT, later)
    catalog.fresh_points += len(later)
    if others:
        file_points(db, catalog)
        shut = open_for(db, catalog, ((number, time_ms) for number, time_ms, _ in others))
        if shut:  # whoever reads them is told that the month is not known
            log.warning("derived points are left out: %s", catalog.shelf.why())
            others = [row for row in others if (row[0], row[1] // STRETCH_MS) not in shut]
        db.executemany(_FILE_POINT, others)
        catalog.mark_stale(db, {(number, time_ms // HOUR_MS) for number, time_ms, _ in others})


def _wrong(reading: Reading, floor_ms: int) -> tuple[str, str]:
    """Why a reading cannot be stored: the reason and what to do."""
    if not isfinite(reading.value):
        return "not_a_number", f"value: found {reading.value}; send a finite number"
    if not (0.0 <= reading.time_s < MAX_TIME_S and 0.0 <= reading.arrived_s < MAX_TIME_S):
        found = f"found {reading.time_s}, arrived_s {reading.arrived_s}"
        return "time_out_of_range", f"time_s: {found}; use seconds since 1970"
    if reading.time_s < floor_ms / 1000.0:
        found = f"found {reading.time_s}; readings before {floor_ms / 1000} are dropped"
        return "older_than_kept", f"time_s: {found}"
    return "sequence_out_of_range", f"sequence: found {reading.sequence}; use a number below 2^63"


def _aside(reading: Reading, reason: str, detail: str) -> SetAside:
    payload = json.dumps([*reading.key, *reading[1:]]).encode()
    return SetAside("/".join(reading.key), payload, reading.arrived_s, reason, detail)
