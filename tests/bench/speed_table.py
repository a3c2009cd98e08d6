"""How fast, how big and how it grows: one table with aims, ratios to bare tools and the machine's load.

    python -m tests.bench.speed_table [--quick] [PART ...]

Processor time except where it says wall, because the machine may be busy with other things; bare tools are
measured in the same run. All of it takes some eight minutes of a quiet machine, `--quick` two.
"""

import argparse
import os
import socketserver
import statistics
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler
from pathlib import Path
from time import perf_counter, process_time
from typing import Any

import msgspec
import numpy as np
import requests

from monitor.cli.heap import settle_heap
from monitor.core.present import picture
from monitor.core.state import Arrived, CoreState, Tick, as_stored
from monitor.core.step import Shop, first_state, step
from monitor.engine.build import build_shop
from monitor.engine.service import Service
from monitor.model.reading import Point, StoredReading
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.bench import (
    archive_bench,
    backlog_bench,
    ingest_bench,
    replay_bench,
    service_bench,
    store_bench,
    week_bench,
    year_growth,
)
from tests.brokers import Mosquitto, wait_until
from tests.clocks import SteadyClock
from tests.ports import free_port
from tests.web import sample

TICK_S = 10.0


def row(what: str, found: float, unit: str, aim: str = "", base: float = 0.0, base_is: str = "") -> None:
    """A line: what was found, what it is to be, and its share of what a bare tool does."""
    ratio = f"{found / base:8.2f} of {base_is} ({base:,.3g})" if base_is else ""
    print(f"{what:60s}{found:12,.4g} {unit:12s}{aim and 'aim ' + aim:16s}{ratio}", flush=True)


def ingest(*, quick: bool) -> None:
    """A message of two readings from Mosquitto, QoS 1, 100 sensors; ours over bare is aimed at."""
    messages, rounds = (10_000, 1) if quick else (20_000, 3)
    for how, who, until in (("live", "ours", "durable and acknowledged"), ("live", "whole", "judged, too")):
        for protocol in ("5",) if quick else ("5", "3.1.1"):
            runs = [
                [ingest_bench.run(one, how, protocol, messages) for one in ("bare", who)]
                for _ in range(rounds)
            ]
            (bare, ours), (bare_us, ours_us) = (
                [statistics.median(pair[n][of] for pair in runs) for n in (0, 1)] for of in (0, 1)
            )
            what = f"MQTT {protocol} until {until}"
            row(f"{what}, processor time a message", ours_us, "µs", "", bare_us, "bare")
            row(f"{what}, wall", ours, "messages/s", ">= 0.8 of bare", bare, "bare")


def latency(*, quick: bool) -> None:
    """From publishing to a webhook's receiver: a high alarm, no delay set, 1 Hz, tick 10 s; wall."""
    sensors, zones, rounds = (100, 10, 5) if quick else (500, 50, 20)
    for shown_by, aim in (("all sensors", "< 1 s"), ("one sensor", "< 3 s"))[: 1 if quick else 2]:
        took, bare = service_bench.one_round(sensors, zones, rounds, 10.0, shown_by)
        for share in (0.5, 0.99):
            found = float(np.quantile(took, share)) if took else float("nan")
            what = f"{sensors} sensors, {shown_by} of a zone, p{100 * share:.0f} of {len(took)}"
            row(what, found, "s", aim, float(np.quantile(bare, share)), "bare")


def replay(*, quick: bool) -> None:
    """The whole core from the store, with its ledger."""
    for things in (True, False):
        for sensors in (100,) if quick else (16, 100):
            one = replay_bench.replayed(sensors, 10, 0.2 if quick else 0.5, things=things)
            rate = one.readings / (one.store_s + one.core_s)
            lie = "a cylinder and a plate a zone" if things else "sensors alone"
            row(f"replay, {sensors} sensors, {lie}", rate, "readings/s", ">= 100,000")


def week(*, quick: bool) -> None:
    """A sensor and a plate a zone, a reading every 30 s all along, each day packed as the service does it."""
    with tempfile.TemporaryDirectory() as name:
        for what, found, base in week_bench.measured(Path(name), *((6, 9) if quick else (4, 365))):
            if base != base:
                row(what, found, "B/reading", "<= 15")
            else:
                row(f"weekly page, {what}", found, "ms", "< 100 ms", base, "its reads")


def archive(*, quick: bool) -> None:
    """A month of sensors every 30 s, jittering, in a file of its own, with three derived series a zone."""
    with tempfile.TemporaryDirectory() as name:
        total, took, found = archive_bench.measured(Path(name), 8 if quick else 24)
    row("archived, read back and compared", total / took, "readings/s")
    for what, (live, archived) in found.items():
        words, _, unit = what.rpartition(", ")
        aim = "<= 4" if words.startswith(("all of it", "the file of readings")) else ""
        row(f"month in files, {words}", archived, unit, aim, live, "live" if live else "")


def look(*, quick: bool) -> None:
    """The first look ahead of a service that finds two weeks of air stored."""
    for zones in (5,) if quick else (5, 20):
        aim = "<= 0.3 s" if zones == 5 else ""
        row(f"first look ahead, {zones} zones", first_look_s(zones), "s", aim)


def first_look_s(zones: int) -> float:
    sensors, now_s = zones * year_growth.PER_ZONE, year_growth.BEGIN_S + 14 * year_growth.DAY_S
    with tempfile.TemporaryDirectory() as name:
        service = Service(year_growth.yard(Path(name), sensors), SteadyClock(now_s))
        year_growth.fill(service.series, service.ledger, sensors, (year_growth.BEGIN_S, now_s), 900.0)
        service.loop.resume(now_s, service.series.last_order())
        state = service.loop.state
        took_ms = year_growth.spent(lambda: service.foreseer.look(service.loop.shop, state, state.time_s))
        service.series.close()
        service.ledger.close()
    return took_ms / 1e3


def backlog(*, quick: bool) -> None:
    """Pages and answers while many readings at once are judged, 100 sensors; wall, against a quiet core."""
    pages, waits, judged = backlog_bench.measured(100, 10, 50_000 if quick else 200_000)
    for page, (still, busy) in pages.items():
        for share in (0.5, 0.99):
            found, base = (float(np.quantile(took, share)) for took in (busy, still))
            row(f"page {page} during a backlog, p{100 * share:.0f}", found, "ms", "", base, "while none")
    row("an answer waits during a backlog, the longest", max(waits), "ms")
    row("a backlog is judged, processor time a reading", judged["cpu_us"], "µs")


def grown(sensors: int) -> tuple[Shop, CoreState, float]:
    """A shop after a minute of readings, and the processor time of a tick with its readings."""
    with tempfile.TemporaryDirectory() as name:
        shop = build_shop(replay_bench.yard(Path(name), sensors, 10, things=True))
    state = first_state(shop, replay_bench.START_S)
    waiting: list[StoredReading] = []
    took: list[float] = []
    for order, reading in enumerate(replay_bench.readings(sensors, 10, 2.0 / 60.0), start=1):
        due_s = replay_bench.START_S + (len(took) + 1) * TICK_S
        if reading.arrived_s >= due_s:
            began = process_time()
            if waiting:
                state, _ = step(shop, state, Arrived(tuple(waiting)))
            state, _ = step(shop, state, Tick(due_s))
            took.append(process_time() - began)
            waiting = []
        waiting.append(StoredReading(order, reading))
    return shop, state, statistics.median(took[len(took) // 2 :])


def growth(*, quick: bool) -> None:
    """What a tick, a checkpoint and a picture cost for each sensor; flat is linear."""
    head = (
        "sensors",
        "things",
        "tick ms",
        "checkpoint ms",
        "KB",
        "picture ms",
        "tick µs/s.",
        "checkp. µs/s.",
    )
    print("".join(name.rjust(15) for name in head))
    for sensors in (10, 100) if quick else (10, 100, 1_000):
        shop, state, tick_s = grown(sensors)
        encoder = msgspec.msgpack.Encoder()
        began = process_time()
        for _ in range(5):
            kept = encoder.encode(as_stored(state))
        checkpoint_s = (process_time() - began) / 5
        began = process_time()
        picture(shop, state)
        picture_s = process_time() - began
        counts = f"{sensors:15d}{len(shop.bodies):15d}{1e3 * tick_s:15.2f}{1e3 * checkpoint_s:15.2f}"
        sizes = f"{len(kept) / 1e3:15.0f}{1e3 * picture_s:15.1f}"
        each = f"{1e6 * tick_s / sensors:15.0f}{1e6 * checkpoint_s / sensors:15.1f}"
        print(counts + sizes + each, flush=True)


def store(*, quick: bool) -> None:
    """Readings, and with half as many derived points; the bare one is a table with an index."""
    for sensors in (20, 500):
        keys, total, derived = store_bench.keys_of(sensors), 20_000 if quick else 100_000, 0
        with tempfile.TemporaryDirectory() as name:
            path = Path(name) / "series.sqlite"
            series, bare = SqliteSeriesStore(path), store_bench.Bare(Path(name) / "bare.sqlite")
            ours_s = bare_s = points_s = 0.0
            for batch in store_bench.batches(keys, 0, total):
                rows = [(keys.index(r.key), int(r.time_s * 1000), r.value) for r in batch]
                points = [Point(r.key._replace(source="zone"), r.time_s, r.value) for r in batch[::2]]
                bare_s += spent(bare.append, rows)
                ours_s += spent(series.append, batch)
                points_s += spent(series.write_points, points)
                derived += len(points)
            series.close()
            bare.db.close()
            size = path.stat().st_size
        base = total / bare_s
        with_points = total / (ours_s + points_s)
        name = f"store, {len(keys)} series"
        row(f"{name}, readings alone", total / ours_s, "readings/s", ">= 150,000", base, "bare")
        row(f"{name}, half a point to each", with_points, "readings/s", "", base, "bare")
        row(f"{name}, with {derived:,} points, not packed yet", size / total, "B/reading")


def spent(work: Callable[[Any], object], given: Any) -> float:
    began = process_time()
    work(given)
    return process_time() - began


class Bare(BaseHTTPRequestHandler):
    """The least that answers."""

    protocol_version = "HTTP/1.1"
    wbufsize = -1
    disable_nagle_algorithm = True

    def do_GET(self) -> None:
        self.send_response(200)
        self.send_header("Content-Length", "2")
        self.end_headers()
        self.wfile.write(b"ok")

    def log_message(self, *_: Any) -> None:
        """Nothing."""


@contextmanager
def bare_server() -> Iterator[str]:
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), Bare) as server:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield f"http://127.0.0.1:{server.server_address[1]}/"
        server.shutdown()


def asked_ms(url: str, tries: int) -> tuple[float, float]:
    """A page on one connection that is kept open: the quickest by the wall, the median of processor time."""
    wall, work = [], []
    with requests.Session() as browser:
        for _ in range(tries):
            began = perf_counter(), process_time()
            browser.get(url, timeout=30).raise_for_status()
            wall.append(1e3 * (perf_counter() - began[0]))
            work.append(1e3 * (process_time() - began[1]))
    return min(wall[1:]), statistics.median(work[1:])


def page(*, quick: bool) -> None:
    """A sample yard, both ends in one process; the bare one is a plain server that answers two letters."""
    tries = 10 if quick else 40
    with tempfile.TemporaryDirectory() as name, bare_server() as bare:
        shop = sample.open_shop(Path(name))
        server = sample.start(shop)
        base = asked_ms(bare, tries)
        for path, aim in (("/safety", "2 ms"), ("/", ""), ("/week", "")):
            took = asked_ms(server.url + path, tries)
            what = f"page {path} on a kept-open connection"
            row(f"{what}, wall, the quickest", took[0], "ms", aim, base[0], "bare")
            row(f"{what}, processor time", took[1], "ms", "", base[1], "bare")
        server.stop()
        shop.series.close()
        shop.ledger.close()


BARE_START = """
import time
import json, paho.mqtt.client
print(time.process_time(), int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6)
"""


def start(*, quick: bool) -> None:
    """`dryshift run` until /readyz, its second start; the bare one is a subscriber that imports no more."""
    with tempfile.TemporaryDirectory() as name, Mosquitto(Path(name)) as broker:
        file = service_bench.shop(
            Path(name), broker.port, "http://127.0.0.1:1/", 50, 10, tick_s=10.0, every=30.0
        )
        port = free_port()
        file.write_text(file.read_text().replace("[web]\nport = 0", f"[web]\nport = {port}"))
        bare = subprocess.run(
            [sys.executable, "-c", BARE_START], check=True, capture_output=True, text=True, cwd=name
        )
        bare_s, bare_mb = map(float, bare.stdout.split())
        started(file, port)
        seconds, megabytes = started(file, port)
    row("ready, 50 sensors, processor time", seconds, "s", "< 1 s", bare_s, "bare")
    row("memory when ready, 50 sensors", megabytes, "MB", "< 90 MB", bare_mb, "bare")


def started(file: Path, port: int) -> tuple[float, float]:
    """Seconds of processor and megabytes of the real command when it first says that it is ready."""

    def ready() -> bool:
        try:
            return requests.get(f"http://127.0.0.1:{port}/readyz", timeout=5).ok
        except requests.ConnectionError:
            return False

    with subprocess.Popen(
        [sys.executable, "-m", "monitor", "run", str(file)], stdout=subprocess.DEVNULL
    ) as service:
        try:
            wait_until(ready, "the service to be ready")
            proc = Path("/proc") / str(service.pid)
            spent = [int(part) for part in (proc / "stat").read_text().rpartition(")")[2].split()[11:13]]
            pages = int((proc / "statm").read_text().split()[1])
        finally:
            service.terminate()
    return sum(spent) / os.sysconf("SC_CLK_TCK"), pages * os.sysconf("SC_PAGE_SIZE") / 1e6


PARTS: dict[str, Callable[..., None]] = {
    part.__name__: part
    for part in (ingest, latency, replay, store, archive, week, page, start, look, backlog, growth)
}


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("parts", nargs="*", choices=[[], *PARTS], default=[])
    ask.add_argument("--quick", action="store_true")
    given = ask.parse_args()
    settle_heap()
    began = perf_counter()
    print(
        f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} processors, Python {sys.version.split()[0]}"
    )
    for name in given.parts or PARTS:
        print(f"-- {name}: {PARTS[name].__doc__}")
        PARTS[name](quick=given.quick)
    print(f"load average {os.getloadavg()[0]:.1f}; took {perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
