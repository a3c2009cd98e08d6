"""What a shop's service weighs and takes after one, three, six and twelve months.

    python -m tests.bench.year_growth [--sensors 16] [--every 300] [--months 1 3 6 12]
    python -m tests.bench.year_growth --sensors 50 --days 1

The stores of the time before are filled by fast appends: the eight days before each mark with a reading of
every sensor each 30 s and points each minute, what is older with both each `--every` seconds; the ledger with
a sensor's change of status every two hours, a package a day, and the alarms of one judged day for every day.
At each mark a process of its own opens a copy: it catches up by the real core (a day of readings), judges an
hour more as it would come in, looks ahead, and answers every page over HTTP. All times are processor time.
With `--days` nothing is filled: memory over days of readings each 30 s, with a look and every page an hour.
"""

import argparse
import json
import math
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from itertools import islice
from pathlib import Path
from time import process_time

import numpy as np
import requests

from monitor.cli.heap import settle_heap
from monitor.core.step import picture
from monitor.engine import page_answers
from monitor.engine.build import build_shop
from monitor.engine.judging_watch import Watch
from monitor.engine.loop import CoreLoop
from monitor.engine.service import Service
from monitor.history.entries import Opened, Withdrawn, body_of
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Point, Quantity, Reading, SeriesKey
from monitor.outlook.shifts import upcoming
from monitor.report.sources import Sources
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.web.app import create_app
from monitor.web.frame.deps import Answered, WebDeps
from monitor.web.server import serve
from tests.bench import replay_bench
from tests.clocks import SteadyClock

DAY_S, MONTH_S, PER_ZONE = 86_400.0, 365.0 / 12.0 * 86_400.0, 4
BEGIN_S = replay_bench.START_S
DENSE_S, POINTS_S, STATUS_S, TICK_S = 8 * DAY_S, 60.0, 7_200.0, 10.0
AT_ONCE = 20_000
PAGES = (
    "/",
    "/week",
    "/week?zone=hall-0",
    "/ahead",
    "/records",
    "/things",
    "/alarms",
    "/evidence",
    "/api/now",
)
OF_ZONE = (
    Quantity.AIR_TEMPERATURE,
    Quantity.RELATIVE_HUMIDITY,
    Quantity.DEW_POINT,
    Quantity.VAPOUR_PRESSURE,
    Quantity.DEW_POINT_STD,
)
OF_BODY = (
    Quantity.SKIN_TEMPERATURE,
    Quantity.MARGIN,
    Quantity.MARGIN_STD,
    Quantity.WATER_FILM,
    Quantity.WET_PROBABILITY,
)
SHIFT = {
    "site": "ferrymoor",
    "name": "Day shift",
    "days": ["mon", "tue", "wed", "thu", "fri", "sat"],
    "start": "06:00",
    "end": "14:00",
}


def yard(folder: Path, sensors: int) -> Settings:
    """Halls of four wall sensors, with a cylinder and a plate in each, and a day shift."""
    plain = replay_bench.yard(folder, sensors, PER_ZONE, things=True)
    return Settings.model_validate({**plain.model_dump(), "shifts": [SHIFT]})


def air(n: int, time_s: float) -> tuple[float, float]:
    """Temperature and humidity at a sensor: a day, a front every five days, a year, and a little noise."""
    day, front, year = (math.sin(time_s / s * math.tau) for s in (DAY_S, 5.3 * DAY_S, 365.0 * DAY_S))
    celsius = 12.0 + 5.0 * day + 2.0 * front + 6.0 * year + 0.3 * math.sin(n) + 0.05 * math.sin(time_s + n)
    humid = 0.64 - 0.13 * day + 0.08 * front + 0.02 * math.sin(1.7 * n) + 0.004 * math.sin(11.0 * time_s + n)
    return round(celsius, 2), round(humid, 4)


def readings(sensors: int, begin_s: float, end_s: float, every_s: float) -> Iterator[Reading]:
    keys = [
        [SeriesKey(f"hall-{n // PER_ZONE}", f"wall-{n}", q) for n in range(sensors)]
        for q in (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
    ]
    for at_s in np.arange(begin_s, end_s, every_s).tolist():
        for n in range(sensors):
            time_s = round(at_s + n * every_s / sensors, 3)
            for key, value in zip((keys[0][n], keys[1][n]), air(n, time_s), strict=True):
                yield Reading(key, time_s, time_s, value, int(time_s / every_s))


def points(sensors: int, begin_s: float, end_s: float, every_s: float) -> Iterator[Point]:
    keys = []
    for z in range(math.ceil(sensors / PER_ZONE)):
        keys += [SeriesKey(f"hall-{z}", "zone", quantity) for quantity in OF_ZONE]
        keys += [SeriesKey(f"hall-{z}", f"{of}-{z}", q) for of in ("mix", "deck") for q in OF_BODY]
    for at_s in np.arange(begin_s, end_s, every_s).tolist():
        celsius, humid = air(0, at_s)
        of_kind = {
            Quantity.AIR_TEMPERATURE: celsius,
            Quantity.SKIN_TEMPERATURE: celsius - 1.0,
            Quantity.RELATIVE_HUMIDITY: humid,
            Quantity.DEW_POINT: celsius - 7.0 + 10.0 * (humid - 0.6),
            Quantity.VAPOUR_PRESSURE: 1_000.0 * humid + 20.0 * celsius,
            Quantity.WATER_FILM: 0.0,
            Quantity.WET_PROBABILITY: 0.01,
            Quantity.MARGIN: 6.0 - 10.0 * (humid - 0.6),
        }
        for key in keys:
            yield Point(key, at_s, of_kind.get(key.quantity, 0.4))


def one_day(sensors: int) -> list[NewEvent]:
    """The events of the core over one day, without those of single sensors."""
    with tempfile.TemporaryDirectory(prefix="dryshift-day-") as name:
        settings = yard(Path(name), sensors)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        loop = CoreLoop(build_shop(settings), series, ledger, BEGIN_S, checkpoint_s=math.inf)
        stream = readings(sensors, BEGIN_S, BEGIN_S + DAY_S, 120.0)
        while batch := list(islice(stream, AT_ONCE)):
            series.append(batch)
            loop.advance_to(batch[-1].arrived_s)
        found = [e for e in ledger.events() if e.kind is not EventKind.SENSOR_STATUS]
        series.close()
        ledger.close()
    return [NewEvent(e.kind, e.subject, e.time_s, e.who, dict(e.body), e.why) for e in found]


def moved(event: NewEvent, by_s: float) -> NewEvent:
    """The same event on another day, with every moment in its body."""
    text = json.dumps(event.body)
    body = json.loads(text, parse_float=lambda word: _moved(float(word), by_s))
    return NewEvent(event.kind, event.subject, event.time_s + by_s, event.who, body, event.why)


def _moved(number: float, by_s: float) -> float:
    return number + by_s if number > 1e9 else number


def events(sensors: int, day: int, judged: list[NewEvent]) -> list[NewEvent]:
    """What one day leaves in the ledger, in order of time."""
    start_s = BEGIN_S + day * DAY_S
    found = [moved(event, day * DAY_S) for event in judged]
    for k in range(int(DAY_S / STATUS_S)):
        for n in range(sensors):
            good = k % 2 == 1
            body: dict[str, object] = {
                "status": "good" if good else "failure",
                "reason": "" if good else "no reading",
            }
            found.append(NewEvent(EventKind.SENSOR_STATUS, f"wall-{n}", start_s + k * STATUS_S + n, "", body))
    rods = (Opened("Rods", "e7018", "hall-0"), Withdrawn())
    for entry, after_s in zip(rods, (100.0, 30_000.0), strict=True):
        found.append(NewEvent(entry.kind, f"rods-{day}", start_s + after_s, "Ann", body_of(entry)))
    return sorted(found, key=lambda event: event.time_s)


def fill(
    series: SeriesStore, ledger: Ledger, sensors: int, span: tuple[float, float], every_s: float
) -> None:
    """Readings and points of a stretch, summed up and packed as the service does it."""
    for stream, write in (
        (readings(sensors, *span, every_s), series.append),
        (points(sensors, *span, max(every_s, POINTS_S)), series.write_points),
    ):
        while batch := list(islice(stream, AT_ONCE)):
            write(batch)  # type: ignore[operator]
    series.apply_retention(span[1])


def spent(work: Callable[[], object]) -> float:
    """Milliseconds of processor time."""
    began = process_time()
    work()
    return 1e3 * (process_time() - began)


def megabytes() -> float:
    return int(Path("/proc/self/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def deps(service: Service) -> WebDeps:
    keeper, loop = service.keeper, service.loop

    def sheet(kind: str, of: str, site: str) -> object:
        now_s = loop.state.time_s
        return page_answers.sheet(
            Sources(service.settings, service.ledger, service.series, keeper.recall(), now_s, spans, tuple),
            kind,
            of,
            site,
        )

    def spans(start_s: float, end_s: float) -> object:
        return upcoming(loop.shop.shifts, start_s, end_s - start_s)

    return WebDeps(
        settings=service.settings,
        declared=keeper.deriver.declared,
        history=keeper.things,
        series=service.series,
        ledger=service.ledger,
        snapshot=loop.snapshot,
        operate=lambda *_: Answered(False, "nobody is asked here"),
        record=lambda event: keeper.record(event, loop.state.time_s),
        shift_spans=spans,  # type: ignore[arg-type]
        clock=lambda: loop.state.time_s,
        key=b"a key for benches only, 32 bytes",
        ahead=lambda: page_answers.sites_ahead(service.foreseer, loop.state.time_s),
        sheet=sheet,  # type: ignore[arg-type]
    )


def heard(service: Service, clock: SteadyClock, sensors: int, seconds: float) -> list[float]:
    """Judge what comes in for so long, as it comes; what each tick took."""
    ticks: list[float] = []
    held: list[Reading] = []
    for reading in readings(sensors, clock.time_s, clock.time_s + seconds, 30.0):
        if reading.arrived_s >= clock.time_s + TICK_S:
            clock.time_s += TICK_S
            service.series.append(held)
            ticks.append(spent(lambda: service.loop.advance_to(clock.time_s, clock.time_s)))
            held = []
        held.append(reading)
    return ticks


def days_of(folder: Path, sensors: int, days: float) -> None:
    """The memory of a service that runs for some days."""
    clock = SteadyClock(BEGIN_S)
    service = Service(yard(folder, sensors), clock)
    settle_heap()
    Watch(service.loop, service.keeper, service.ledger, clock).catch_up(BEGIN_S, 0)
    server = serve(create_app(deps(service)), "127.0.0.1", 0)
    print(f"{'hour':>6}{'MB':>8}{'tick ms':>10}\n{0:6d}{megabytes():8.1f}", flush=True)
    with requests.Session() as browser:
        for hour in range(1, round(24 * days) + 1):
            tick_ms = statistics.median(heard(service, clock, sensors, 3_600.0))
            service.foreseer.look(service.loop.shop, service.loop.state, clock.time_s)
            for page in PAGES:
                browser.get(server.url + page, timeout=300).raise_for_status()
            if hour % 24 == 0:
                service.series.apply_retention(clock.time_s)
            if hour in (1, 2, 4) or hour % 6 == 0:
                print(f"{hour:6d}{megabytes():8.1f}{tick_ms:10.2f}", flush=True)
    server.stop()
    service.series.close()
    service.ledger.close()


def measured(folder: Path, sensors: int, now_s: float) -> dict[str, float]:
    """One mark, in this process: everything in milliseconds and megabytes."""
    found: dict[str, float] = {}
    clock = SteadyClock(now_s)
    settings = yard(folder, sensors)
    began = process_time()
    service = Service(settings, clock)
    found["open"] = 1e3 * (process_time() - began)
    settle_heap()
    found["MB open"] = megabytes()
    watch = Watch(service.loop, service.keeper, service.ledger, clock)
    found["catch up"] = spent(lambda: watch.catch_up(now_s, service.series.last_order()))
    found["tick"] = statistics.median(heard(service, clock, sensors, 3_600.0))
    state = service.loop.state
    found["checkpoint"] = statistics.median(spent(service.loop.save) for _ in range(5))
    saved = service.ledger.checkpoint()
    assert saved is not None
    found["checkpoint KB"] = len(saved.state) / 1e3
    found["picture"] = statistics.median(spent(lambda: picture(service.loop.shop, state)) for _ in range(5))
    look = lambda: service.foreseer.look(service.loop.shop, state, state.time_s)  # noqa: E731
    found["first look"], found["look"] = spent(look), spent(look)
    found["MB judged"] = megabytes()
    server = serve(create_app(deps(service)), "127.0.0.1", 0)
    with requests.Session() as browser:
        for page in PAGES:
            took = [
                spent(lambda: browser.get(server.url + page, timeout=300).raise_for_status())  # noqa: B023
                for _ in range(4)
            ]
            found[page] = statistics.median(took[1:])
        sheet = f"/sheet/week?of={_week(now_s)}&site=ferrymoor"
        took = [
            spent(lambda: browser.get(server.url + sheet, timeout=300).raise_for_status()) for _ in range(3)
        ]
        found["sheet of a week"] = statistics.median(took[1:])
        found["MB pages"] = megabytes()
        for _ in range(5):
            for page in PAGES:
                browser.get(server.url + page, timeout=300)
        found["MB pages again"] = megabytes()
    server.stop()
    service.series.close()
    service.ledger.close()
    for file in sorted(folder.glob("*.sqlite")):
        found[f"MB {file.name}"] = file.stat().st_size / 1e6
    return found


def _week(now_s: float) -> str:
    day = np.datetime64(int(now_s - 3 * DAY_S), "s").astype("datetime64[D]").item()
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02d}"


def table(rows: dict[int, dict[str, float]]) -> None:
    """A line a number, a column a mark; the last is the growth from the first mark to the last."""
    first, last = rows[min(rows)], rows[max(rows)]
    print(f"{'milliseconds, or as it says':28}" + "".join(f"{m:>8} mo" for m in rows) + f"{'growth':>9}")
    for name in first:
        values = "".join(f"{row.get(name, math.nan):11.1f}" for row in rows.values())
        print(f"{name:28}{values}{last[name] / max(first[name], 1e-9):9.2f}")


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, default=16)
    ask.add_argument("--every", type=float, default=300.0)
    ask.add_argument("--months", type=int, nargs="+", default=[1, 3, 6, 12])
    ask.add_argument("--measured", nargs=2, help=argparse.SUPPRESS)  # a mark's own process: folder, moment
    ask.add_argument("--days", type=float, default=0.0)
    given = ask.parse_args()
    if given.days:
        with tempfile.TemporaryDirectory(prefix="dryshift-days-") as name:
            days_of(Path(name), given.sensors, given.days)
        return
    if given.measured:
        print(json.dumps(measured(Path(given.measured[0]), given.sensors, float(given.measured[1]))))
        return
    rows: dict[int, dict[str, float]] = {}
    judged = one_day(given.sensors)
    with tempfile.TemporaryDirectory(prefix="dryshift-year-") as name:
        whole = Path(name) / "whole"
        whole.mkdir()
        settings = yard(whole, given.sensors)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        at_s, day = BEGIN_S, 0
        for months in given.months:
            mark_s = (BEGIN_S + months * MONTH_S) // DAY_S * DAY_S + 43_200.0
            for until_s, every_s in ((mark_s - DENSE_S, given.every), (mark_s, 30.0)):
                while at_s < until_s:
                    span = (at_s, min(at_s + DAY_S, until_s))
                    fill(series, ledger, given.sensors, span, every_s)
                    if BEGIN_S + (day + 1) * DAY_S <= span[1]:
                        ledger.commit(events(given.sensors, day, judged), entered_s=span[1])
                        day += 1
                    at_s = span[1]
            series.refresh_rollups()
            series.pack(at_s)
            copy = Path(name) / "copy"
            shutil.rmtree(copy, ignore_errors=True)
            shutil.copytree(whole, copy)
            asked = ["--sensors", str(given.sensors), "--measured", str(copy), str(at_s)]
            command = [sys.executable, "-m", "tests.bench.year_growth", *asked]
            done = subprocess.run(command, check=True, stdout=subprocess.PIPE, text=True)
            rows[months] = json.loads(done.stdout.splitlines()[-1])
            print(f"{months} months: {json.dumps(rows[months])}", file=sys.stderr, flush=True)
        series.close()
        ledger.close()
    print(f"{given.sensors} sensors; load average {os.getloadavg()[0]:.1f}; filled {process_time():.0f} s")
    table(rows)


if __name__ == "__main__":
    main()
