"""Rows a second into the embedded store against bare SQLite, and chart times with a year in the store.

python tests/bench/store_bench.py [--days 365] [--sensors 20] [--folder FOLDER]
"""

import argparse
import shutil
import sqlite3
import statistics
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from time import perf_counter

from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.store.series.sqlite_series import SqliteSeriesStore

T0 = 1_700_006_400.0
EVERY_S = 30
BATCH = 1_000
ROUND = 100_000
QUANTITIES = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)


def keys_of(sensors: int) -> list[SeriesKey]:
    return [SeriesKey("bay", f"wall-{n}", quantity) for n in range(sensors) for quantity in QUANTITIES]


def batches(keys: list[SeriesKey], first: int, count: int) -> Iterator[list[Reading]]:
    """Readings number `first` to `first + count` of a steady shop."""
    for begin in range(first, first + count, BATCH):
        yield [
            Reading(keys[n % len(keys)], t := T0 + n // len(keys) * EVERY_S, t + 0.12, 15 + n % 97 * 0.1, n)
            for n in range(begin, begin + BATCH)
        ]


class Bare:
    """The least that could be called storing: one table, one index, one executemany a batch."""

    def __init__(self, path: Path) -> None:
        self.db = sqlite3.connect(path, isolation_level=None)
        self.db.execute("PRAGMA journal_mode = WAL")
        self.db.execute("PRAGMA synchronous = FULL")
        self.db.execute("CREATE TABLE reading (series INTEGER, time_ms INTEGER, value REAL)")
        self.db.execute("CREATE INDEX by_time ON reading (series, time_ms)")

    def append(self, rows: list[tuple[int, int, float]]) -> None:
        self.db.execute("BEGIN")
        self.db.executemany("INSERT INTO reading VALUES (?, ?, ?)", rows)
        self.db.execute("COMMIT")


def rate(append: Callable[[list], object], made: list[list]) -> float:
    began = perf_counter()
    for batch in made:
        append(batch)
    return ROUND / (perf_counter() - began)


def write_rates(folder: Path, sensors: int, rounds: int = 5) -> None:
    keys = keys_of(sensors)
    number = {key: n for n, key in enumerate(keys)}
    bare, store = (
        Bare(folder / f"bare-{sensors}.sqlite"),
        SqliteSeriesStore(folder / f"rate-{sensors}.sqlite"),
    )
    found: dict[str, list[float]] = {"bare": [], "store": []}
    for n in range(rounds):
        made = list(batches(keys, n * ROUND, ROUND))
        rows = [[(number[r.key], int(r.time_s * 1000), r.value) for r in batch] for batch in made]
        found["bare"].append(rate(bare.append, rows))
        found["store"].append(rate(store.append, made))
    store.close()
    bare.db.close()
    plain, ours = (statistics.median(found[name]) for name in ("bare", "store"))
    print(f"\nWriting, {len(keys)} series, batches of {BATCH}, median of {rounds} rounds of {ROUND:,} rows")
    print(f"{'bare executemany':34} {plain:>12,.0f} rows/s")
    print(f"{'store (order, repeats, rollups)':34} {ours:>12,.0f} rows/s   ratio {ours / plain:.2f}")


def fill(store: SqliteSeriesStore, keys: list[SeriesKey], days: float) -> int:
    total = int(days * 86_400 / EVERY_S) * len(keys) // BATCH * BATCH
    began = perf_counter()
    for n, batch in enumerate(batches(keys, 0, total)):
        store.append(batch)
        if n % 2_000 == 0:
            print(f"\r  filling: {n * BATCH / total:5.1%}", end="", flush=True)
    took = perf_counter() - began
    print(f"\r  filled {total:,} readings in {took:.0f} s: {total / took:,.0f} rows/s, making them included")
    return total


def timed(ask: Callable[[], object], times: int = 15) -> tuple[float, float]:
    """First and median time of a question, in milliseconds."""
    took = []
    for _ in range(times):
        began = perf_counter()
        ask()
        took.append((perf_counter() - began) * 1000)
    return took[0], statistics.median(took)


def chart_times(folder: Path, sensors: int, days: float) -> None:
    keys = keys_of(sensors)
    store = SqliteSeriesStore(folder / "year.sqlite")
    print(f"\nCharts with {days:g} days of {sensors} sensors ({len(keys)} series) every {EVERY_S} s")
    total = fill(store, keys, days)
    end = T0 + days * 86_400
    week = end - 7 * 86_400

    def weekly(width: float, which: list[SeriesKey]) -> None:
        for key in which:
            store.buckets(key, week, end, width)

    questions: dict[str, Callable[[], object]] = {
        "week of one series, 10 min buckets": lambda: weekly(600, keys[:1]),
        "week of all series, 10 min buckets": lambda: weekly(600, keys),
        "week of all series, hour buckets": lambda: weekly(3600, keys),
        "year of one series, day buckets": lambda: store.buckets(keys[0], T0, end, 86_400),
        "week of one series, every reading": lambda: store.slice(keys[0], week, end),
        "latest of all series": lambda: [store.latest(key) for key in keys],
        "the last 1000 in order of arrival": lambda: store.readings_after(store.last_order() - 1000, 1000),
    }
    print(f"  {'':38} {'first':>10} {'median':>10}")
    for name, ask in questions.items():
        first, median = timed(ask)
        print(f"  {name:38} {first:>7.1f} ms {median:>7.1f} ms")
    store.close()
    bare = sqlite3.connect(folder / "year.sqlite")
    question = (
        "SELECT time_ms / 600000, count(*), avg(value), min(value), max(value) FROM reading "
        "WHERE series_id = 1 AND time_ms >= ? AND time_ms < ? GROUP BY 1"
    )
    _, median = timed(lambda: bare.execute(question, (week * 1000, end * 1000)).fetchall())
    print(f"  {'bare: the first one from readings':38} {'':>10} {median:>7.1f} ms")
    bare.close()
    size = (folder / "year.sqlite").stat().st_size
    print(f"  file: {size / 1e6:,.0f} MB, {size / total:.1f} bytes a reading, rollups included")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--days", type=float, default=365)
    ask.add_argument("--sensors", type=int, default=20)
    ask.add_argument("--folder", type=Path)
    given = ask.parse_args()
    folder = Path(tempfile.mkdtemp(prefix="dryshift-bench-", dir=given.folder))
    try:
        for sensors in (given.sensors, 500):
            write_rates(folder, sensors)
        chart_times(folder, given.sensors, given.days)
    finally:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
