"""Writes a batch of readings and says of each whether it was new, a repeat, or contradicts what is stored."""

import json
import sqlite3
from collections.abc import Iterable, Sequence
from math import isfinite
from typing import NamedTuple

from monitor.model.errors import InputError
from monitor.model.reading import Reading
from monitor.store.contract import AppendResult, SetAside
from monitor.store.series.catalog import Catalog, add_number, write_number
from monitor.store.series.packed_stretches import open_for
from monitor.store.series.series_schema import HOUR_MS
from monitor.store.series.set_aside_rows import MAX_TIME_S, AsideBound, put_aside

_SEQUENCE_LIMIT = 2**63

_INSERT = """
INSERT INTO reading
  (arrival_order, series_id, time_ms, delay_ms, value, sequence, from_device, status)
VALUES (?, ?, ?, ?, ?, ?, ?, 0) ON CONFLICT (series_id, time_ms) DO NOTHING"""

Row = tuple[int, int, int, int, float, int | None, bool]


class AppendBatch(NamedTuple):
    """Readings made ready for the table; `readings` runs beside `rows`."""

    rows: list[Row]
    readings: list[Reading]
    hours: set[tuple[int, int]]
    unfit: list[SetAside]


def append(
    db: sqlite3.Connection,
    catalog: Catalog,
    readings: Sequence[Reading],
    set_aside: Sequence[SetAside],
    bound: AsideBound,
) -> AppendResult:
    """Store a batch inside the caller's transaction."""
    batch = _prepare(db, catalog, readings)
    open_for(db, catalog, ((row[1], row[2]) for row in batch.rows))
    stored = db.executemany(_INSERT, batch.rows).rowcount if batch.rows else 0
    repeated, contradictions = 0, list[SetAside]()
    if stored < len(batch.rows):
        repeated, contradictions = _judge_repeats(db, batch, catalog.last_order)
    if batch.rows:
        catalog.last_order = batch.rows[-1][0]
        write_number(db, "last_order", catalog.last_order)
        catalog.mark_stale(db, batch.hours)
    aside = [*set_aside, *batch.unfit]
    put_aside(db, [*aside, *contradictions], bound)
    add_number(db, "stored", stored)
    add_number(db, "repeated", repeated)
    add_number(db, "contradicting", len(contradictions))
    add_number(db, "set_aside", len(aside))
    return AppendResult(stored, repeated, len(contradictions), catalog.last_order)


def _prepare(db: sqlite3.Connection, catalog: Catalog, readings: Iterable[Reading]) -> AppendBatch:
    batch = AppendBatch([], [], set(), [])
    rows, kept, hours = batch.rows, batch.readings, batch.hours
    ids, derived, floor_ms = catalog.ids, catalog.derived, catalog.floors.raw_ms
    order = catalog.last_order
    for reading in readings:
        key, time_s, arrived_s, value, sequence, from_device = reading
        if wrong := _wrong(time_s, arrived_s, value, sequence, floor_ms):
            batch.unfit.append(_aside(reading, *wrong))
            continue
        series_id = ids.get(key)
        if series_id is None or series_id in derived:
            try:
                series_id = catalog.series_id(db, key, derived=False)
            except InputError as error:
                batch.unfit.append(_aside(reading, "derived_series", str(error)))
                continue
        time_ms = round(time_s * 1000.0)
        order += 1
        delay_ms = round(arrived_s * 1000.0) - time_ms
        rows.append((order, series_id, time_ms, delay_ms, value, sequence, from_device))
        kept.append(reading)
        hours.add((series_id, time_ms // HOUR_MS))
    return batch


def _wrong(
    time_s: float, arrived_s: float, value: float, sequence: int | None, floor_ms: int
) -> tuple[str, str] | None:
    if not isfinite(value):
        return "not_a_number", f"value: found {value}; send a finite number"
    if not (0.0 <= time_s < MAX_TIME_S and 0.0 <= arrived_s < MAX_TIME_S):
        return "time_out_of_range", f"time_s: found {time_s}, arrived_s {arrived_s}; use seconds since 1970"
    if time_s * 1000.0 < floor_ms:
        return "older_than_kept", f"time_s: found {time_s}; readings before {floor_ms / 1000} are dropped"
    if sequence is not None and not -_SEQUENCE_LIMIT <= sequence < _SEQUENCE_LIMIT:
        return "sequence_out_of_range", f"sequence: found {sequence}; use a number below 2^63"
    return None


def _judge_repeats(db: sqlite3.Connection, batch: AppendBatch, order: int) -> tuple[int, list[SetAside]]:
    """How many rows only repeat what is stored, and those that say something else."""
    found = db.execute("SELECT arrival_order FROM reading WHERE arrival_order > ?", (order,))
    new = {row[0] for row in found}
    repeated = 0
    contradictions: list[SetAside] = []
    for row, reading in zip(batch.rows, batch.readings, strict=True):
        if row[0] in new:
            continue
        stored = db.execute(
            "SELECT value FROM reading WHERE series_id = ? AND time_ms = ?", (row[1], row[2])
        ).fetchone()[0]
        if stored == row[4]:
            repeated += 1
        else:
            detail = f"value: found {reading.value}; the same series and time is stored as {stored}"
            contradictions.append(_aside(reading, "contradicts_stored", detail))
    return repeated, contradictions


def _aside(reading: Reading, reason: str, detail: str) -> SetAside:
    payload = json.dumps([*reading.key, *reading[1:]]).encode()
    return SetAside("/".join(reading.key), payload, reading.arrived_s, reason, detail)
