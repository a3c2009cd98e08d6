"""What the embedded store takes, packs, weighs and answers, in processor time, beside bare SQLite.

Run: python -m tests.bench.store_bench [--series 40 1000] [--days 8] [--every 30] [--folder FOLDER]

Clocks jitter by some milliseconds and values walk in steps of 0.01, as wall sensors send them. The bare
tables hold the same numbers, a batch in one executemany and one durable commit: `plain` has no key at all,
`indexed` an index by series and time, without which nobody finds anything. A week of a thousand series every
30 s is twenty million readings: some minutes; --every 120 is enough for the times of pages.
"""

import argparse
import shutil
import sqlite3
import statistics
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from time import process_time

import numpy as np

from monitor.model.reading import Point, Quantity, Reading, SeriesKey
from monitor.store.series.sqlite_series import SqliteSeriesStore

T0 = 1_700_006_400.0
DAY_S = 86_400.0
BATCH = 1_000
ROUND = 300_000
LINES = 24
QUANTITIES = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
DERIVED = [
    SeriesKey("bay", "zone", one)
    for one in (Quantity.DEW_POINT, Quantity.VAPOUR_PRESSURE, Quantity.DEW_POINT_STD)
]


def keys_of(sensors: int) -> list[SeriesKey]:
    return [SeriesKey("bay", f"wall-{n}", quantity) for n in range(sensors) for quantity in QUANTITIES]


def batches(keys: list[SeriesKey], first: int, count: int, every_s: float = 30.0) -> Iterator[list[Reading]]:
    """Readings number `first` to `first + count` of a shop whose clocks jitter."""
    chance = np.random.default_rng(first)
    for begin in range(first, first + count, BATCH):
        numbers = np.arange(begin, begin + BATCH)
        turns, places = numbers // len(keys), numbers % len(keys)
        times = T0 + turns * every_s + places * (every_s / len(keys)) + chance.normal(0.0, 0.015, BATCH)
        walk = np.round(40.0 + 5.0 * np.sin(turns / 500.0 + places) + chance.normal(0.0, 0.02, BATCH), 2)
        values = np.where(places % 2 == 1, walk / 100.0, walk).tolist()
        columns = zip(places.tolist(), np.round(times, 3).tolist(), values, turns.tolist(), strict=True)
        yield [
            Reading(keys[place], time_s, round(time_s + 0.04, 3), value, turn, True)
            for place, time_s, value, turn in columns
        ]


class Bare:
    """The least that could be called storing: one table, one executemany a batch."""

    def __init__(self, path: Path, *, index: bool = True) -> None:
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = FULL")
        self.db.execute("CREATE TABLE reading (series INTEGER, time_ms INTEGER, value REAL)")
        if index:
            self.db.execute("CREATE INDEX by_time ON reading (series, time_ms)")

    def append(self, rows: list[tuple[int, int, float]]) -> None:
        self.db.execute("BEGIN")
        self.db.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        self.db.execute("COMMIT")


def spent(work: Callable[[], object]) -> float:
    began = process_time()
    work()
    return process_time() - began


def handed_over() -> int:
    """Bytes handed to the disk so far (proc(5), write_bytes)."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("write_bytes"))


def say(what: str, found: float, unit: str, base: float = 0.0) -> None:
    ratio = f"   {found / base:.2f} of plain" if base else ""
    print(f"  {what:44s}{found:14,.1f} {unit}{ratio}", flush=True)


def write_rates(folder: Path, count: int) -> None:
    keys = keys_of(count // 2)
    number = {key: n for n, key in enumerate(keys)}
    plain, indexed = (Bare(folder / f"bare-{index}.sqlite", index=index) for index in (False, True))
    store = SqliteSeriesStore(folder / "written.sqlite")
    took, written, worst = dict.fromkeys(("plain", "indexed", "store"), 0.0), 0, 0.0
    for made in batches(keys, 0, ROUND):
        rows = [(number[r.key], int(r.time_s * 1000), r.value) for r in made]
        took["plain"] += spent(lambda rows=rows: plain.append(rows))
        took["indexed"] += spent(lambda rows=rows: indexed.append(rows))
        before = handed_over()
        one = spent(lambda made=made: store.append(made))
        written += handed_over() - before
        took["store"] += one
        worst = max(worst, one)
    derived = [SeriesKey(f"zone-{n}", "zone", Quantity.DEW_POINT) for n in range(len(keys) // 5)]
    minutes, points_s = ROUND // 10 // len(derived), 0.0
    for minute in range(minutes):
        points = [Point(key, T0 + 60.0 * minute, minute / 7.0) for key in derived]
        points_s += spent(lambda points=points: store.write_points(points))
    for one in (plain.db, indexed.db, store):
        one.close()
    base = ROUND / took["plain"]
    print(f"\nWriting {ROUND:,} readings of {len(keys)} series, {BATCH} a commit")
    say("plain table", base, "readings/s")
    say("indexed table", ROUND / took["indexed"], "readings/s", base)
    say("store", ROUND / took["store"], "readings/s", base)
    say("store, derived points", minutes * len(derived) / points_s, "points/s")
    say("the longest append of the store", 1_000.0 * worst, "ms")
    say("handed to the disk by the store", written / ROUND, "bytes a reading")


def filled(path: Path, keys: list[SeriesKey], days: float, every_s: float) -> SqliteSeriesStore:
    store = SqliteSeriesStore(path)
    total = int(days * DAY_S / every_s) * len(keys) // BATCH * BATCH
    for batch in batches(keys, 0, total, every_s):
        store.append(batch)
    for key in DERIVED:
        values = 9.0 + np.cumsum(np.random.default_rng(2).normal(0.0, 0.02, int(days * 1_440)))
        store.write_points([Point(key, T0 + 60.0 * n, value) for n, value in enumerate(values.tolist())])
    store.refresh_rollups()
    packed = 0
    before = handed_over()

    def pack() -> None:
        nonlocal packed
        while more := store.pack(T0 + days * DAY_S):
            packed += more

    took = spent(pack)
    print(f"\nReading {len(keys)} series, {days:g} days every {every_s:g} s: {total:,} readings")
    say("packing", packed / took, "numbers/s")
    say("handed to the disk by packing", (handed_over() - before) / packed, "bytes a number")
    copy = path.with_name("whole.sqlite")
    with sqlite3.connect(path) as db:
        db.execute("VACUUM INTO ?", (str(copy),))
    db.close()
    say("all that is kept, the last day as rows", copy.stat().st_size / total, "bytes a reading")
    return store


def read_times(folder: Path, count: int, days: float, every_s: float) -> None:
    keys = keys_of(count // 2)
    store = filled(folder / f"read-{count}.sqlite", keys, days, every_s)
    end = T0 + days * DAY_S
    lines = [*keys[:: max(1, len(keys) // (LINES - len(DERIVED)))][: LINES - len(DERIVED)], *DERIVED]

    def weekly(width_s: float) -> list[object]:
        return [store.buckets(key, end - 7 * DAY_S, end, width_s) for key in lines]

    asked: dict[str, Callable[[], object]] = {
        f"{LINES} lines of a week, quarters of an hour": lambda: weekly(900.0),
        f"{LINES} lines of a week, hours": lambda: weekly(3_600.0),
        f"{LINES} lines of a week, 10 minutes": lambda: weekly(600.0),
        "a packed day of one series": lambda: store.slice(lines[0], T0 + DAY_S, T0 + 2 * DAY_S),
        f"a packed day of {LINES} series": lambda: [
            store.slice(key, T0 + DAY_S, T0 + 2 * DAY_S) for key in lines
        ],
        f"the last day of {LINES} series": lambda: [store.slice(key, end - DAY_S, end) for key in lines],
        "the newest of every series": lambda: [store.latest(key) for key in keys],
        "the last 1000 in order of arrival": lambda: store.readings_after(store.last_order() - 1_000, 1_000),
        "the first 1000 in order of arrival": lambda: store.readings_after(0, 1_000),
    }
    for name, ask in asked.items():
        say(name, 1_000.0 * statistics.median(spent(ask) for _ in range(7)), "ms")
    store.close()


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--series", type=int, nargs="+", default=[40, 1_000])
    ask.add_argument("--days", type=float, default=8.0)
    ask.add_argument("--every", type=float, default=30.0)
    ask.add_argument("--folder", type=Path)
    given = ask.parse_args()
    for count in given.series:
        folder = Path(tempfile.mkdtemp(prefix="dryshift-bench-", dir=given.folder))
        try:
            write_rates(folder, count)
            read_times(folder, count, given.days, given.every)
        finally:
            shutil.rmtree(folder)


if __name__ == "__main__":
    main()
