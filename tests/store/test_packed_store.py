"""A store whose older stretches are packed answers as one that keeps rows, and survives what may come."""

import random
import signal
import sqlite3
import subprocess
import sys
from pathlib import Path
from time import sleep

import numpy as np
import pytest

from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.contract import StoreUnavailableError
from monitor.store.day_seals import seal_of
from monitor.store.kept_beside import Schema
from monitor.store.series.packed_stretches import PackedArrivals
from monitor.store.series.retention import Retention
from monitor.store.series.series_schema import SERIES_SCHEMA
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.store.sqlite_file import SqliteFile

T0 = 1_700_006_400.0
DAY = 86_400.0
FAR = T0 + 1_000 * DAY
AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
HUMIDITY = SeriesKey("slip-bay", "wall-1", Quantity.RELATIVE_HUMIDITY)
DEW = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT)
KEYS = (AIR, HUMIDITY, DEW)


def fill(store, days=3, every_s=120.0, seed=5):
    """A sensor of two quantities with jitter, gaps, late and doubted readings, and a derived series."""
    rng = np.random.default_rng(seed)
    n = int(days * DAY / every_s)
    times = T0 + np.arange(n) * every_s + np.round(rng.normal(0, 0.02, n), 3)
    kept = times[(times < T0 + 1.2 * DAY) | (times > T0 + 1.4 * DAY)]
    readings = [
        Reading(
            key,
            float(t),
            float(t) + 0.05 * (i % 7),
            round(float(v), 2) / scale,
            i if i % 5 else None,
            i % 3 > 0,
        )
        for key, scale in ((AIR, 1.0), (HUMIDITY, 100.0))
        for i, (t, v) in enumerate(zip(kept, rng.normal(40, 4, kept.size), strict=True))
    ]
    readings.sort(key=lambda one: one.arrived_s)
    late = readings[100:140]
    store.append([one for i, one in enumerate(readings) if not 100 <= i < 140])
    store.append([one._replace(arrived_s=T0 + days * DAY) for one in late])
    store.write_points([Point(DEW, float(t), float(t) % 17.3 / 7.0) for t in kept[::2]])
    store.mark([Mark(order, SensorStatus.FAILURE, f"jump {order}") for order in range(60, 2_000, 97)])


def arrivals(store, at_once, begin=0):
    found, order = [], begin
    while more := store.readings_after(order, at_once):
        found += more
        order = more[-1].order
    return found


def answers(store):
    """Everything that may be asked."""
    first, last = T0 - DAY, T0 + 5 * DAY
    found = [arrivals(store, 333), store.counts(), store.keys(), store.last_order()]
    for key in KEYS:
        whole = store.slice(key, first, last)
        found.append((whole.time_s.tolist(), whole.value.tolist(), whole.doubtful.tolist()))
        part = store.slice(key, T0 + 12_345.678, T0 + 1.7 * DAY, limit=77)
        found.append((part.time_s.tolist(), part.value.tolist(), part.doubtful.tolist()))
        found.append(store.latest(key))
        for width in (60, 600, 900, 3600, DAY):
            found.append(
                [
                    (b.start_s, b.n, b.minimum, round(b.mean, 11), b.maximum)
                    for b in store.buckets(key, first, last, width)
                ]
            )
        edges = [T0 + 5_000.5, T0 + 0.6 * DAY, T0 + 2.01 * DAY]
        found.append([(b.start_s, b.n, b.minimum, b.maximum) for b in store.spans(key, edges)])
    found.append([seal_of(store, int(T0 // DAY) + n) for n in range(4)])
    return found


def come_late(*stores):
    """What may come late: a new reading, one again, one that contradicts, points twice, marks."""
    for store in stores:
        old = arrivals(store, 9_999)[700].reading
        found = store.append(
            [old, old._replace(value=old.value + 1.0), old._replace(time_s=old.time_s + 0.5)]
        )
        assert (found.stored, found.repeated, found.contradicting) == (1, 1, 1)
        store.write_points([Point(DEW, T0 + 600.0, 3.25), Point(DEW, T0 + 600.0, 4.5)])
        store.mark([Mark(1_500, SensorStatus.FAILURE, "late"), Mark(60, SensorStatus.GOOD, "")])


@pytest.fixture
def two(tmp_path):
    """The same twice: one keeps rows, one packs all it can."""
    rows, packed = SqliteSeriesStore(tmp_path / "rows.sqlite"), SqliteSeriesStore(tmp_path / "packed.sqlite")
    for store in (rows, packed):
        fill(store)
    assert packed.pack(FAR) > 5_000
    yield rows, packed
    rows.close()
    packed.close()


def test_a_packed_store_answers_as_one_that_keeps_rows(two):
    rows, packed = two
    assert answers(packed) == answers(rows)
    with packed.file.read() as db:
        assert db.execute(
            "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM point) "
            "+ (SELECT count(*) FROM filed_order)"
        ).fetchone() == (0,)


@pytest.mark.parametrize("at_once", [1, 50, 100_000])
def test_what_is_packed_comes_back_in_order_of_arrival_however_much_is_asked_at_once(two, at_once):
    rows, packed = two
    wanted = arrivals(rows, 1_000)
    begin = wanted[-400].order if at_once == 1 else 0
    assert arrivals(packed, at_once, begin) == [one for one in wanted if one.order > begin]


def test_who_reads_on_at_the_end_looks_through_nothing_that_is_packed(two):
    """One reading that came a year late must not make every later look slow."""
    store = two[1]
    asked = []
    with store.file.read() as db:
        db.set_trace_callback(asked.append)
        assert PackedArrivals(store.shelf).after(db, 1, store.last_order(), 100) == []
        db.set_trace_callback(None)
    assert [one for one in asked if "FROM packed" in one] == []


def test_what_comes_late_into_a_packed_stretch_is_stored_repeated_or_put_aside_as_ever(two):
    come_late(*two)
    assert answers(two[1]) == answers(two[0])
    two[1].pack(FAR)
    assert answers(two[1]) == answers(two[0])


def test_derived_points_of_later_times_are_forgotten_among_what_is_packed(two):
    for store in two:
        store.forget_points_after(T0 + 0.7 * DAY)
    assert answers(two[1]) == answers(two[0])
    assert two[1].latest(DEW).time_s <= T0 + 0.7 * DAY


def test_minutes_outlive_what_was_packed(tmp_path):
    keep = Retention(readings_days=10, minutes_days=20, hours_days=40)
    stores = [SqliteSeriesStore(tmp_path / f"{n}.sqlite", retention=keep) for n in range(2)]
    for store in stores:
        fill(store)
    assert stores[1].pack(FAR) > 0
    for store in stores:
        store.apply_retention(T0 + 12 * DAY)
    assert stores[1].slice(AIR, T0, T0 + 2 * DAY).time_s.size == 0
    assert answers(stores[1]) == answers(stores[0])
    for store in stores:
        store.close()


def test_readings_of_the_last_day_stay_rows(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    fill(store)
    store.pack(T0 + 3 * DAY)  # packs what is a day old
    with store.file.read() as db:
        oldest = db.execute("SELECT min(time_ms) FROM reading").fetchone()[0]
    assert T0 + 2.0 * DAY <= oldest / 1000.0 + 0.1 <= T0 + 2.26 * DAY
    store.close()


MINUTES = """
INSERT INTO rollup_minute
SELECT series_id, time_ms / 60000 * 60000, count(*), sum(value), min(value), max(value)
FROM {} GROUP BY series_id, time_ms / 60000"""


def as_layout(steps, path, now):
    """A file as an earlier version left it: without later tables, and up to 4 with minutes of all rows."""
    SqliteFile(path, Schema(SERIES_SCHEMA.application_id, SERIES_SCHEMA.steps[:steps])).close()
    with sqlite3.connect(path) as db:
        db.execute("ATTACH ? AS now", (str(now),))
        tables = [row[0] for row in db.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")]
        for table in tables:
            if not table.startswith("sqlite_"):
                db.execute(f"INSERT INTO main.{table} SELECT * FROM now.{table}")
        for rows in ("reading WHERE status = 0", "point") if steps < 5 else ():
            db.execute(MINUTES.format(rows))
    db.close()


@pytest.mark.parametrize("steps", [3, 4, 5])
def test_a_file_of_an_earlier_layout_opens_and_answers_as_it_did(tmp_path, steps):
    now = SqliteSeriesStore(tmp_path / "now.sqlite")
    fill(now)
    now.refresh_rollups()
    if steps >= 4:
        assert now.pack(T0 + 3 * DAY) > 0
    as_layout(steps, tmp_path / "old.sqlite", now.file.path)
    old = SqliteSeriesStore(tmp_path / "old.sqlite")
    assert answers(old) == answers(now)
    with old.file.read() as db:
        assert db.execute("SELECT count(*) FROM rollup_quarter").fetchone()[0] > 500
    for store in (old, now):
        store.append([Reading(AIR, T0 + 4 * DAY, T0 + 4 * DAY, 11.0)])
        store.write_points([Point(DEW, T0 + 4 * DAY, 3.0)])
    assert answers(old) == answers(now)
    old.pack(FAR)
    assert answers(old) == answers(now)
    old.close()
    now.close()


def test_ten_days_of_wall_sensors_with_what_is_derived_take_at_most_fifteen_bytes_a_reading(tmp_path):
    store = SqliteSeriesStore(tmp_path / "series.sqlite")
    rng = np.random.default_rng(1)
    n, sensors = int(10 * DAY / 30), 3
    for number in range(sensors):
        for quantity, scale in ((Quantity.AIR_TEMPERATURE, 1.0), (Quantity.RELATIVE_HUMIDITY, 100.0)):
            key = SeriesKey("slip-bay", f"wall-{number}", quantity)
            times = np.round(T0 + np.arange(n) * 30.0 + rng.normal(0, 0.015, n), 3).tolist()
            values = (np.round(40 + np.cumsum(rng.normal(0, 0.02, n)), 2) / scale).tolist()
            store.append(
                [
                    Reading(key, t, round(t + 0.04, 3), v, i, True)
                    for i, (t, v) in enumerate(zip(times, values, strict=True))
                ]
            )
    for quantity in (
        Quantity.DEW_POINT,
        Quantity.VAPOUR_PRESSURE,
        Quantity.DEW_POINT_STD,
        Quantity.AIR_TEMPERATURE,
    ):
        key = SeriesKey("slip-bay", "zone", quantity)
        value = 9.0 + np.cumsum(rng.normal(0, 0.02, n // 2))
        store.write_points([Point(key, T0 + 60.0 * i, float(v)) for i, v in enumerate(value)])
    store.refresh_rollups()
    before = size_of(store, tmp_path / "before.sqlite")
    store.pack(FAR)
    after = size_of(store, tmp_path / "after.sqlite")
    store.close()
    readings = 2 * sensors * n
    assert after / readings <= 15.0 < before / readings


def size_of(store, copy: Path) -> int:
    with sqlite3.connect(store.file.path) as db:
        db.execute("VACUUM INTO ?", (str(copy),))
    db.close()
    return copy.stat().st_size


def test_a_damaged_block_is_named_and_never_read_as_nothing(two):
    _, packed = two
    with packed.writing() as db:
        db.execute("UPDATE packed SET block = substr(block, 1, length(block) - 3)")
    for ask in (
        lambda: packed.slice(AIR, T0, T0 + DAY),
        lambda: packed.latest(AIR),
        lambda: packed.readings_after(0, 9),
    ):
        with pytest.raises(StoreUnavailableError, match="damaged"):
            ask()


PACKER = """
import sys
from pathlib import Path
from monitor.store.series.sqlite_series import SqliteSeriesStore
store = SqliteSeriesStore(Path(sys.argv[1]))
print("open", flush=True)
while True:
    store.pack(float(sys.argv[2]))
    store.open_from(0.0)
"""


def test_a_kill_in_the_middle_of_packing_loses_nothing(tmp_path):
    path = tmp_path / "series.sqlite"
    store = SqliteSeriesStore(path)
    fill(store)
    store.refresh_rollups()
    wanted = answers(store)
    store.close()
    chance = random.Random(3)
    for _ in range(6):
        run = [sys.executable, "-c", PACKER, str(path), str(FAR)]
        with subprocess.Popen(run, stdout=subprocess.PIPE, cwd=Path(__file__).parents[2]) as packer:
            assert packer.stdout is not None
            packer.stdout.readline()
            sleep(chance.uniform(0.0, 0.4))  # the moment of the kill is what is on trial
            packer.send_signal(signal.SIGKILL)
        store = SqliteSeriesStore(path)
        assert answers(store) == wanted
        store.close()
