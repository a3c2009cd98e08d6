"""What a month in files weighs and costs: bytes a reading, time to archive, a week asked live and of it.

Run: python tests/bench/archive_bench.py [--sensors 50] [--folder FOLDER]

Values are those of the open office record (DRYSHIFT_OPEN_DATA), one a sample, as a sensor of two decimals
sends them; the sensors' clocks jitter, and so does what they take to arrive. Three derived series a zone of
four sensors have a number a minute with all its digits. Times are of the processor, not of the clock.
"""

import argparse
import csv
import os
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from time import process_time

import numpy as np

from monitor.model.reading import Quantity, SeriesKey
from monitor.store.months.archiving import archive_month
from monitor.store.months.month_book import span_of
from monitor.store.series.packing import BLOCK, Block, pack
from monitor.store.series.series_schema import DAY_MS, HOUR_MS, QUARTER_MS, STRETCH_MS
from monitor.store.series.sqlite_series import SqliteSeriesStore

MONTH = "2026-03"
EVERY_MS = 30_000
OF_A_ZONE = 4
MEASURED = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
DERIVED = (Quantity.DEW_POINT, Quantity.VAPOUR_PRESSURE, Quantity.AIR_TEMPERATURE)


def office() -> tuple[np.ndarray, np.ndarray]:
    """Temperature and humidity (fraction) of the open record, as a sensor of two decimals says them."""
    file = Path(os.environ["DRYSHIFT_OPEN_DATA"]) / "office_occupancy_training.csv"
    with file.open(encoding="utf-8") as lines:
        rows = list(csv.reader(lines))[1:]
    return np.array([round(float(row[2]), 2) for row in rows]), np.array(
        [round(float(row[3]), 2) / 100.0 for row in rows]
    )


def readings(sensor: int, sensors: int) -> Iterator[tuple[SeriesKey, Block]]:
    """A month of one sensor: both quantities of a message share all but value and order."""
    rng = np.random.default_rng(sensor)
    first_ms, end_ms = span_of(MONTH)
    count = (end_ms - first_ms) // EVERY_MS
    number = np.arange(count)
    jitter = np.clip(np.round(rng.normal(0.0, 15.0, count)), -400, 400).astype(np.int64)
    time_ms = first_ms + 500 + sensor * 29_000 // sensors + number * EVERY_MS + jitter
    delay_ms = rng.integers(30, 80, count)
    place = number * sensors + sensor + rng.integers(-3, 4, count) * sensors // 16
    for n, (quantity, values) in enumerate(zip(MEASURED, office(), strict=True)):
        block = np.zeros(count, BLOCK)
        block["time_ms"], block["delay_ms"] = time_ms, delay_ms
        block["value"] = np.roll(values, 331 * sensor)[number % values.size]
        block["arrival_order"] = 2 * (place - place.min()) + n + 1
        block["sequence"], block["sequenced"], block["from_device"] = number, 1, 1
        yield SeriesKey(f"zone-{sensor // OF_A_ZONE}", f"wall-{sensor}", quantity), block


def points(zone: int) -> Iterator[tuple[SeriesKey, Block]]:
    """A month of what is worked out for one zone."""
    rng = np.random.default_rng(10_000 + zone)
    first_ms, end_ms = span_of(MONTH)
    count = (end_ms - first_ms) // 60_000
    for quantity in DERIVED:
        block = np.zeros(count, BLOCK)
        block["time_ms"] = first_ms + np.arange(count) * 60_000
        block["value"] = 11.0 + np.cumsum(rng.normal(0.0, 0.01, count))
        yield SeriesKey(f"zone-{zone}", "zone", quantity), block


def fill(store: SqliteSeriesStore, sensors: int) -> int:
    """Put the month into the store as it lies there once it is packed; returns how many readings."""
    total = 0
    for sensor in range(sensors):
        for key, block in readings(sensor, sensors):
            put(store, key, block, derived=False)
            total += block.size
    for zone in range(-(-sensors // OF_A_ZONE)):
        for key, block in points(zone):
            put(store, key, block, derived=True)
    return total


def put(store: SqliteSeriesStore, key: SeriesKey, block: Block, *, derived: bool) -> None:
    """One series, packed and summed up."""
    with store.writing() as db:
        number = store.catalog.series_id(db, key, derived=derived)
        edges = np.flatnonzero(np.diff(block["time_ms"] // STRETCH_MS)) + 1
        for part in np.split(block, edges):
            orders = (None, None)
            if not derived:
                orders = int(part["arrival_order"].min()), int(part["arrival_order"].max())
            arrived_ms = int((part["time_ms"] + part["delay_ms"]).max())
            row = (number, int(part["time_ms"][0]) // STRETCH_MS, *orders, arrived_ms, part.size)
            db.execute(
                "INSERT INTO packed (series_id, stretch, first_order, last_order, arrived_ms, n, block) "
                "VALUES (?, ?, ?, ?, ?, ?, ?)",
                (*row, pack(part, derived=derived)),
            )
        sums = (("rollup_quarter", QUARTER_MS), ("rollup_hour", HOUR_MS), ("rollup_day", DAY_MS))
        for table, width in sums:
            first = np.flatnonzero(np.diff(block["time_ms"] // width, prepend=-1))
            columns = (
                np.full(first.size, number),
                block["time_ms"][first] // width * width,
                np.diff(first, append=block.size),
                np.add.reduceat(block["value"], first),
                np.minimum.reduceat(block["value"], first),
                np.maximum.reduceat(block["value"], first),
            )
            rows = zip(*(one.tolist() for one in columns), strict=True)
            db.executemany(f"INSERT INTO {table} VALUES (?, ?, ?, ?, ?, ?)", rows)
        store.catalog.packed_until(db, span_of(MONTH)[1])


def size_of(store: SqliteSeriesStore, copy: Path) -> int:
    """What the live file takes without its free pages."""
    with store.file.read() as db:
        db.execute("PRAGMA query_only = 0")
        db.execute("COMMIT")
        db.execute("VACUUM INTO ?", (str(copy),))
        db.execute("BEGIN")
    size = copy.stat().st_size
    copy.unlink()
    return size


def timed(ask: Callable[[], object], times: int = 5) -> float:
    """The least processor time of a question, ms."""
    took = []
    for _ in range(times):
        began = process_time()
        ask()
        took.append((process_time() - began) * 1000.0)
    return min(took)


def questions(store: SqliteSeriesStore, sensors: int) -> dict[str, Callable[[], object]]:
    """What pages ask of a week in the month."""
    start_s = span_of(MONTH)[0] / 1000.0 + 9 * 86_400.0
    end_s = start_s + 7 * 86_400.0
    zones = -(-sensors // OF_A_ZONE)
    lines = [SeriesKey(f"zone-{zone}", "zone", one) for zone in range(zones) for one in DERIVED][:24]
    wall = SeriesKey("zone-0", "wall-0", Quantity.RELATIVE_HUMIDITY)
    return {
        "a week of 24 derived lines, quarters": lambda: [
            store.buckets(one, start_s, end_s, 900.0) for one in lines
        ],
        "a week of one sensor, quarters": lambda: store.buckets(wall, start_s, end_s, 900.0),
        "a week of one sensor, every reading": lambda: store.slice(wall, start_s, end_s),
        "a day of one sensor, every reading": lambda: store.slice(wall, start_s, start_s + 86_400.0),
        "the month of one sensor, days": lambda: store.buckets(wall, start_s, end_s, 86_400.0),
    }


def measured(folder: Path, sensors: int) -> tuple[int, float, dict[str, tuple[float, float]]]:
    """How many readings, seconds of processor to archive them, and by what was asked: live and archived."""
    store = SqliteSeriesStore(folder / "series.sqlite")
    total = fill(store, sensors)
    before = size_of(store, folder / "copy")
    live = {name: timed(one) for name, one in questions(store, sensors).items()}
    began = process_time()
    archive_month(store, MONTH, {})
    took = process_time() - began
    after = size_of(store, folder / "copy")
    files = {one.derived: one.size_bytes for one in store.archived()}
    weight = {
        "the live file, sums included, B/reading": (before, after),
        "the file of readings, B/reading": (0, files[False]),
        "the file of derived points, B/reading": (0, files[True]),
        "all of it, B/reading": (before, after + sum(files.values())),
    }
    found = {name: (one / total, other / total) for name, (one, other) in weight.items()}
    asked = {f"{name}, ms": (live[name], timed(one)) for name, one in questions(store, sensors).items()}
    store.close()
    return total, took, found | asked


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, default=50)
    ask.add_argument("--folder", type=Path)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory(prefix="dryshift-archive-", dir=given.folder) as folder:
        total, took, found = measured(Path(folder), given.sensors)
    print(f"{given.sensors} sensors every {EVERY_MS / 1000:g} s, a month: {total:,} readings")
    print(f"  archived in {took:.1f} s of processor, read back and compared: {total / took:,.0f} readings/s")
    print(f"  {'':46} {'live':>8} {'archived':>9}")
    for name, (live, archived) in found.items():
        print(f"  {name:46} {live:>8.2f} {archived:>9.2f}")


if __name__ == "__main__":
    main()
