"""How long the weekly chart takes with a year of 20 sensors in the store, against the store's reads alone.

Run: `python -m tests.bench.week_bench [FOLDER]`. The last 14 days hold a reading every 30 s, the rest of the
year one every 15 min; each of the 20 zones has one sensor, one plate and its derived series.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import requests

from monitor.model.reading import Point, Quantity, Reading, SeriesKey
from monitor.report import zone_series as stored
from monitor.settings.schema import Settings
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.web.pages import week_data
from tests.web import sample

SENSORS = 20
DAY_S = 86_400.0
CHUNK = 20_000
TRIES = 7


def shop_of(count: int) -> Settings:
    """As many zones as sensors."""
    measures = [
        {"quantity": "air_temperature_c", "unit": "Cel"},
        {"quantity": "relative_humidity_frac", "unit": "%RH"},
    ]
    numbers = range(count)
    return Settings.model_validate(
        {
            "sites": [{"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": "Europe/London"}],
            "zones": [{"id": f"z-{n}", "site": "ferrymoor", "name": f"Zone {n}"} for n in numbers],
            "sensors": [{"id": f"s-{n}", "zone": f"z-{n}", "measures": measures} for n in numbers],
            "plates": [
                {"id": f"p-{n}", "zone": f"z-{n}", "name": f"Plate {n}", "thickness_m": 0.01} for n in numbers
            ],
        }
    )


def fill(store: SqliteSeriesStore, start_s: float, end_s: float, step_s: float) -> int:
    """Readings and derived points of every zone; returns how many."""
    times = np.arange(start_s, end_s, step_s)
    wave = np.sin(2 * np.pi * times / DAY_S)
    rows = 0
    for n in range(SENSORS):
        for quantity, values in (
            (Quantity.AIR_TEMPERATURE, 15.0 + 5.0 * wave),
            (Quantity.RELATIVE_HUMIDITY, 0.7 - 0.2 * wave),
        ):
            key = SeriesKey(f"z-{n}", f"s-{n}", quantity)
            for at in range(0, times.size, CHUNK):
                part = slice(at, at + CHUNK)
                pairs = zip(times[part].tolist(), values[part].tolist(), strict=True)
                store.append([Reading(key, t, t, v) for t, v in pairs])
            rows += times.size
        for source, quantity in (
            ("zone", Quantity.DEW_POINT),
            ("zone", Quantity.RELATIVE_HUMIDITY),
            (f"p-{n}", Quantity.MARGIN),
        ):
            key = SeriesKey(f"z-{n}", source, quantity)
            for at in range(0, times.size, CHUNK):
                store.write_points([Point(key, t, 5.0) for t in times[at : at + CHUNK].tolist()])
            rows += times.size
    return rows


def milliseconds(work: Callable[[], object]) -> float:
    """The median of several tries."""
    taken = []
    for _ in range(TRIES):
        began = time.perf_counter()
        work()
        taken.append(1_000 * (time.perf_counter() - began))
    return float(np.median(taken))


def reads(shop: sample.Shop, zones: int) -> Callable[[], object]:
    """The store's part of a page, alone: the bare baseline."""
    deps = shop.deps
    window = week_data.last_days(sample.NOW_S, deps.settings.sites[0].tz, stored.WIDTH_S)
    keys = set(deps.series.keys())
    chosen = deps.settings.zones[:zones]
    settings, now_s = deps.settings, sample.NOW_S
    return lambda: [stored.read_zone(deps.series, settings, zone, window, now_s, keys) for zone in chosen]


def main(folder: Path) -> None:
    """Fill, serve, time, print."""
    shop = sample.open_shop(folder, shop=shop_of(SENSORS), filled=False)
    recent_s = sample.NOW_S - 14 * DAY_S
    rows = fill(shop.series, sample.NOW_S - 365 * DAY_S, recent_s, 900.0)
    rows += fill(shop.series, recent_s, sample.NOW_S, 30.0)
    size = sum(file.stat().st_size for file in folder.iterdir()) / 1e6
    print(f"{rows:,} rows, {size:.0f} MB")
    server = sample.start(shop)
    print(f"{'page':28}{'page ms':>10}{'reads ms':>10}{'ratio':>8}")
    for name, path, zones in (
        ("six zones, last 7 days", "/week", week_data.OVERLAID),
        ("one zone, last 7 days", "/week?zone=z-3", 1),
    ):
        page_ms = milliseconds(
            lambda path=path: requests.get(server.url + path, timeout=60).raise_for_status()
        )
        reads_ms = milliseconds(reads(shop, zones))
        print(f"{name:28}{page_ms:10.0f}{reads_ms:10.0f}{page_ms / reads_ms:8.1f}")
    server.stop()
    shop.series.close()
    shop.ledger.close()


if __name__ == "__main__":
    if len(sys.argv) > 1:
        main(Path(sys.argv[1]))
    else:
        with tempfile.TemporaryDirectory() as temporary:
            main(Path(temporary))
