"""How fast, how big and how it grows, in one table with ratios and the load of the machine.

    python -m tests.bench.speed_table [replay] [growth] [store] [page] [start]

Processor time except where it says wall, because the machine may be busy with other things. What needs a
broker has its own commands: `ingest_bench --how whole` (to the end of judging), `service_bench latency` (to
the webhook) and `service_bench idle`.
"""

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
import requests

from monitor.cli.heap import settle_heap
from monitor.core.present import picture
from monitor.core.state import Arrived, CoreState, Tick
from monitor.core.step import Shop, first_state, step
from monitor.engine.build import build_shop
from monitor.model.reading import Point, StoredReading
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.bench import replay_bench, store_bench
from tests.web import sample

TICK_S = 10.0


def row(what: str, found: float, unit: str, base: float, base_is: str) -> None:
    ratio = f"{found / base:8.2f} of {base_is} ({base:,.3g})" if base_is else ""
    print(f"{what:58s}{found:12,.3g} {unit:12s}{ratio}", flush=True)


def replay() -> None:
    """The aim is 100 000 readings a second."""
    for things in (True, False):
        for sensors in (16, 100):
            one = replay_bench.replayed(sensors, 10, 0.5, things=things)
            rate = one.readings / (one.store_s + one.core_s)
            lie = "a cylinder and a plate a zone" if things else "sensors alone"
            row(f"replay, {sensors} sensors, {lie}", rate, "readings/s", 100_000.0, "the aim")


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


def growth() -> None:
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
    for sensors in (10, 100, 1_000):
        shop, state, tick_s = grown(sensors)
        encoder = msgspec.msgpack.Encoder()
        began = process_time()
        for _ in range(5):
            kept = encoder.encode(state)
        checkpoint_s = (process_time() - began) / 5
        began = process_time()
        picture(shop, state)
        picture_s = process_time() - began
        counts = f"{sensors:15d}{len(shop.bodies):15d}{1e3 * tick_s:15.2f}{1e3 * checkpoint_s:15.2f}"
        sizes = f"{len(kept) / 1e3:15.0f}{1e3 * picture_s:15.1f}"
        each = f"{1e6 * tick_s / sensors:15.0f}{1e6 * checkpoint_s / sensors:15.1f}"
        print(counts + sizes + each, flush=True)


def store() -> None:
    """Readings, and with half as many derived points; the bare one is a table with an index."""
    for sensors in (20, 500):
        keys, total, derived = store_bench.keys_of(sensors), 100_000, 0
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
        row(f"store, {len(keys)} series, readings alone", total / ours_s, "readings/s", base, "bare")
        row(f"store, {len(keys)} series, half a point to each", with_points, "readings/s", base, "bare")
        row(f"store, {len(keys)} series, with {derived:,} points", size / total, "B/reading", 15.0, "the aim")


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


def asked_ms(url: str, tries: int = 40) -> float:
    """The median wall time of a page on one connection that is kept open."""
    took = []
    with requests.Session() as browser:
        for _ in range(tries):
            began = perf_counter()
            browser.get(url, timeout=30).raise_for_status()
            took.append(1e3 * (perf_counter() - began))
    return statistics.median(took[1:])


def page() -> None:
    """A sample yard; the bare one is a plain server that answers two letters."""
    with tempfile.TemporaryDirectory() as name, bare_server() as bare:
        shop = sample.open_shop(Path(name))
        server = sample.start(shop)
        base = asked_ms(bare)
        for path in ("/safety", "/", "/week"):
            row(
                f"page {path} on a kept-open connection, wall",
                asked_ms(server.url + path),
                "ms",
                base,
                "bare",
            )
        server.stop()
        shop.series.close()
        shop.ledger.close()


START = """
import sys, time
from pathlib import Path
from monitor.cli.main import main
from monitor.clock import SystemClock
from monitor.engine.service import Service
from monitor.settings.file import load
service = Service(load(Path(sys.argv[1])), SystemClock())
service.start()
print(time.process_time(), int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6, flush=True)
service.stop()
"""
BARE_START = """
import time
import json, paho.mqtt.client
print(time.process_time(), int(open("/proc/self/statm").read().split()[1]) * 4096 / 1e6)
"""


def start() -> None:
    """The second start on the same folder; the bare one is a subscriber that imports no more."""
    from tests.bench.service_bench import shop

    with tempfile.TemporaryDirectory() as name:
        file = shop(Path(name), 1, "http://127.0.0.1:1/", 50, 10, tick_s=10.0, every=30.0)
        bare_s, bare_mb = child(BARE_START, Path(name))
        child(START, Path(name), str(file))
        seconds, megabytes = child(START, Path(name), str(file))
    row("ready, 50 sensors, processor time", seconds, "s", bare_s, "bare")
    row("memory when ready, 50 sensors", megabytes, "MB", bare_mb, "bare")


def child(code: str, folder: Path, *arguments: str) -> tuple[float, float]:
    """Seconds and megabytes that a process says of itself."""
    command = [sys.executable, "-c", code, *arguments]
    paths = {**os.environ, "PYTHONPATH": str(Path.cwd())}
    done = subprocess.run(command, check=True, capture_output=True, text=True, cwd=folder, env=paths)
    seconds, megabytes = map(float, done.stdout.split()[-2:])
    return seconds, megabytes


def main() -> None:
    benches = {"replay": replay, "growth": growth, "store": store, "page": page, "start": start}
    wanted = sys.argv[1:] or list(benches)
    settle_heap()
    print(f"load average {os.getloadavg()[0]:.1f}, {os.cpu_count()} processors")
    for name in wanted:
        print(f"-- {name}: {benches[name].__doc__}")
        benches[name]()
    print(f"load average {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
