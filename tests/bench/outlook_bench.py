"""Measures the outlook: forecast errors on open data, and speed.

    python -m tests.bench.outlook_bench errors FOLDER [--noisy] [--blind]
    python -m tests.bench.outlook_bench speed

FOLDER holds the open measured data. A year of warnings: `dryshift backtest --airport JFK`.
"""

import sys
import time
import tracemalloc
from dataclasses import replace
from pathlib import Path

import numpy as np

from monitor.engine.rehearsal import Weather, demo_year, foreseen
from monitor.outlook.backtest import (
    backtest,
    baseline_table,
    error_table,
    event_table,
    replay,
)
from monitor.weather.recordings import open_recordings


def errors(folder: Path, options: list[str]) -> None:
    weather: Weather = "none" if "--blind" in options else "typical" if "--noisy" in options else "perfect"
    recordings = [
        replace(r, outdoor=foreseen(r.outdoor, r.history.temperature_c.size, weather, n))
        for n, r in enumerate(open_recordings(folder))
    ]
    started = time.perf_counter()
    found = backtest(recordings, lambda name: print(f"  {name}", file=sys.stderr))
    print(f"weather: {weather}; {time.perf_counter() - started:.0f} s")
    print("\nDew point, mean absolute error (K)")
    show(error_table(found))
    print("\nTemperature, mean absolute error (K)")
    show(error_table(found, "temperature"))
    print("\nBaselines, dew point")
    show(baseline_table(found))
    print("\nOdds of humidity over the recording's own upper fifth")
    show(event_table(found))
    print("\nMean ratio to persistence, lived-in rooms without a strong source")
    for part in ("tuned on", "untouched", "whole"):
        lived = [f for f in found if f.part == part and f.name.startswith(("house room", "lived-in"))]
        lived = [f for f in lived if "bath" not in f.name]
        ratios = [np.mean([f.dew_point[n].over_persistence for f in lived]) for n in range(4)]
        print(f"{part:<12}" + "".join(f"{r:>7.2f}" for r in ratios))


def show(lines: list[str]) -> None:
    print("\n".join(lines))


def speed() -> None:
    """Ten zones over a year, and the memory of one zone's fit on sixty days."""
    recordings = [*demo_year("JFK").recordings.values()] * 2
    started = time.perf_counter()
    for recording in recordings:
        replay(recording)
    print(f"ten zones, one year: {time.perf_counter() - started:.0f} s")
    tracemalloc.start()
    replay(recordings[0])
    print(f"peak memory of one zone-year: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB")


if __name__ == "__main__":
    command, *rest = sys.argv[1:] or [""]
    if command == "errors":
        errors(Path(rest[0]), rest[1:])
    elif command == "speed":
        speed()
    else:
        print(__doc__)
