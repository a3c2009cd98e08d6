"""How long the weekly chart takes with a year of readings in the store, against the store's reads alone.

    python -m tests.bench.week_bench [--zones 20] [--days 365]

Each zone has one sensor that speaks every 30 s, a plate, and its derived series every minute; every day is
summed up and packed as the service does it. Filling a year takes half a minute of processor time a zone. All
times are processor time.
"""

import argparse
import math
import tempfile
import time
from collections.abc import Callable, Iterator
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
EVERY_S = 30.0
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


def fill(store: SqliteSeriesStore, zones: int, days: int) -> int:
    """Readings and derived points up to now, summed up and packed day by day; returns how many readings."""
    readings = 0
    for start_s in np.arange(sample.NOW_S - days * DAY_S, sample.NOW_S, DAY_S):
        times = np.arange(start_s, start_s + DAY_S, EVERY_S)
        wave = np.sin(2 * np.pi * times / DAY_S)
        for n in range(zones):
            for quantity, values in (
                (Quantity.AIR_TEMPERATURE, 15.0 + 5.0 * wave),
                (Quantity.RELATIVE_HUMIDITY, 0.7 - 0.2 * wave),
            ):
                key = SeriesKey(f"z-{n}", f"s-{n}", quantity)
                pairs = zip(times.tolist(), np.round(values, 4).tolist(), strict=True)
                store.append([Reading(key, t, t, v) for t, v in pairs])
                readings += times.size
            for source, quantity in (
                ("zone", Quantity.DEW_POINT),
                ("zone", Quantity.RELATIVE_HUMIDITY),
                (f"p-{n}", Quantity.MARGIN),
            ):
                key = SeriesKey(f"z-{n}", source, quantity)
                pairs = zip(times[::2].tolist(), (5.0 + wave[::2]).tolist(), strict=True)
                store.write_points([Point(key, t, v) for t, v in pairs])
        store.apply_retention(float(start_s + DAY_S))
    return readings


def milliseconds(work: Callable[[], object]) -> float:
    """The median processor time of several tries, asking and answering together."""
    taken = []
    for _ in range(TRIES):
        began = time.process_time()
        work()
        taken.append(1_000 * (time.process_time() - began))
    return float(np.median(taken))


def reads(shop: sample.Shop, zones: int) -> Callable[[], object]:
    """The store's part of a page, alone: the bare baseline."""
    deps = shop.deps
    window = week_data.last_days(sample.NOW_S, deps.settings.sites[0].tz, stored.WIDTH_S)
    keys = set(deps.series.keys())
    chosen = deps.settings.zones[:zones]
    settings, now_s = deps.settings, sample.NOW_S
    return lambda: [stored.read_zone(deps.series, settings, zone, window, now_s, keys) for zone in chosen]


def measured(folder: Path, zones: int, days: int) -> Iterator[tuple[str, float, float]]:
    """Fill and serve; first bytes a reading, then each page's milliseconds and those of its reads."""
    shop = sample.open_shop(folder, shop=shop_of(zones), filled=False)
    readings = fill(shop.series, zones, days)
    size = sum(file.stat().st_size for file in folder.glob("series*"))
    yield f"bytes a reading, with what is derived, {days} days", size / readings, math.nan
    server = sample.start(shop)
    with requests.Session() as browser:
        for name, path, drawn in (
            (f"{min(zones, week_data.OVERLAID)} zones, last 7 days", "/week", week_data.OVERLAID),
            ("one zone, last 7 days", "/week?zone=z-0", 1),
        ):
            page_ms = milliseconds(
                lambda path=path: browser.get(server.url + path, timeout=60).raise_for_status()
            )
            yield name, page_ms, milliseconds(reads(shop, drawn))
    server.stop()
    shop.series.close()
    shop.ledger.close()


def main() -> None:
    """Print every number with its reads."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--zones", type=int, default=SENSORS)
    ask.add_argument("--days", type=int, default=365)
    given = ask.parse_args()
    with tempfile.TemporaryDirectory() as name:
        print(f"{'':52}{'page ms':>10}{'reads ms':>10}{'ratio':>8}")
        for what, found, base in measured(Path(name), given.zones, given.days):
            print(f"{what:52}{found:10.1f}{base:10.1f}{found / base:8.1f}", flush=True)


if __name__ == "__main__":
    main()
