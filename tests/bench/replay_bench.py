"""Readings a second through the whole core, as `dryshift replay` does it: store, judge, mix, alarms, ledger.

    python -m tests.bench.replay_bench [--sensors 16 100] [--hours 24] [--per-zone 10] [--profile]

Processor time, because the machine may be busy with other things. The digest is of every event and of the
state at the end: two trees that judge alike print the same.
"""

import argparse
import cProfile
import hashlib
import json
import math
import pstats
import tempfile
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from time import process_time
from typing import NamedTuple

import msgspec

from monitor.cli.heap import settle_heap
from monitor.core.state import as_stored
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.schema import Settings
from monitor.store.opener import open_ledger_for, open_series_store

START_S = 1_789_000_000.0 // 86_400 * 86_400.0 + 43_200.0
EVERY_S = 30.0
AT_ONCE = 2_000
MEASURES = [
    {"quantity": "air_temperature_c", "unit": "Cel", "accuracy": 0.3},
    {"quantity": "relative_humidity_frac", "unit": "%RH", "accuracy": 0.02},
]


def yard(folder: Path, sensors: int, per_zone: int, things: bool) -> Settings:
    """Halls with a cylinder and a plate in each."""
    zones = range(math.ceil(sensors / per_zone))
    return Settings.model_validate(
        {
            "service": {"data_dir": str(folder)},
            "sites": [{"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": "Europe/London"}],
            "zones": [
                {
                    "id": f"hall-{z}",
                    "site": "ferrymoor",
                    "name": f"Hall {z}",
                    "max_relative_humidity_frac": 0.7,
                }
                for z in zones
            ],
            "sensors": [
                {
                    "id": f"wall-{n}",
                    "zone": f"hall-{n // per_zone}",
                    "interval_s": EVERY_S,
                    "measures": MEASURES,
                }
                for n in range(sensors)
            ],
            "cylinders": [
                {"id": f"mix-{z}", "zone": f"hall-{z}", "name": f"Mix {z}"} for z in zones if things
            ],
            "plates": [
                {"id": f"deck-{z}", "zone": f"hall-{z}", "name": f"Deck {z}", "thickness_m": 0.02}
                for z in zones
                if things
            ],
        }
    )


def readings(sensors: int, per_zone: int, hours: float) -> Iterator[Reading]:
    """Two readings a message, each sensor a little off, with noise: it gets colder and damper."""
    for k in range(int(hours * 3600.0 / EVERY_S)):
        for n in range(sensors):
            t = round(START_S + k * EVERY_S + n * EVERY_S / sensors, 3)
            day = math.sin(t / 86_400.0 * math.tau)
            celsius = 14.0 + 6.0 * day + 0.3 * math.sin(n) + 0.05 * math.sin(k * 7.0 + n * 3.0)
            humid = 0.66 - 0.16 * day + 0.02 * math.sin(n * 1.7) + 0.004 * math.sin(k * 11.0 + n * 5.0)
            zone, sensor = f"hall-{n // per_zone}", f"wall-{n}"
            yield Reading(SeriesKey(zone, sensor, Quantity.AIR_TEMPERATURE), t, t, round(celsius, 2), k)
            yield Reading(SeriesKey(zone, sensor, Quantity.RELATIVE_HUMIDITY), t, t, round(humid, 4), k)


class Replayed(NamedTuple):
    """What a replay took, and what came of it."""

    readings: int
    store_s: float
    core_s: float
    events: int
    digest: str


def replayed(sensors: int, per_zone: int, hours: float, *, things: bool) -> Replayed:
    """One replay in a fresh folder."""
    with tempfile.TemporaryDirectory(prefix="dryshift-replay-") as name:
        settings = yard(Path(name), sensors, per_zone, things)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        loop = CoreLoop(build_shop(settings), series, ledger, START_S, checkpoint_s=math.inf)
        stream, done, store_s, core_s = readings(sensors, per_zone, hours), 0, 0.0, 0.0
        while batch := list(islice(stream, AT_ONCE)):
            began = process_time()
            series.append(batch)
            stored = process_time()
            loop.advance_to(batch[-1].arrived_s)
            store_s, core_s = store_s + stored - began, core_s + process_time() - stored
            done += len(batch)
        events = ledger.events()
        said = [(e.kind, e.subject, e.time_s, e.body) for e in events]
        state = {**msgspec.to_builtins(as_stored(loop.state)), "store": 0}
        del state["remembered"]
        for air in state["heard"].values():  # what was measured; what was worked out of it may be remembered
            air["heard"] = {name: one[:4] for name, one in air["heard"].items()}
        digest = hashlib.sha256(json.dumps([said, state], sort_keys=True, default=str).encode()).hexdigest()
        series.close()
        ledger.close()
    return Replayed(done, store_s, core_s, len(events), digest[:12])


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, nargs="+", default=[16, 100])
    ask.add_argument("--per-zone", type=int, default=10)
    ask.add_argument("--hours", type=float, default=3.0)
    ask.add_argument("--no-things", action="store_true", help="sensors only: no cylinder, no plate")
    ask.add_argument("--profile", action="store_true")
    given = ask.parse_args()
    settle_heap()
    head = ("sensors", "readings", "store µs", "core µs", "readings/s", "events", "digest")
    print("".join(name.rjust(13) for name in head))
    for sensors in given.sensors:
        profile = cProfile.Profile()
        if given.profile:
            profile.enable()
        one = replayed(sensors, given.per_zone, given.hours, things=not given.no_things)
        profile.disable()
        store_us, core_us = (1e6 * s / one.readings for s in (one.store_s, one.core_s))
        rate = one.readings / (one.store_s + one.core_s)
        print(f"{sensors:13d}{one.readings:13,d}{store_us:13.1f}{core_us:13.1f}", end="")
        print(f"{rate:13,.0f}{one.events:13d}{one.digest:>13}")
        if given.profile:
            pstats.Stats(profile).sort_stats("tottime").print_stats(60)


if __name__ == "__main__":
    main()
