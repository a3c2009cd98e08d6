"""How long a lead waits for a page, and for an answer to be taken, while the core works through a backlog.

    python -m tests.bench.backlog_bench [--sensors 100] [--zones 10] [--readings 1000000]

The service runs in a process of its own and finds so many readings stored at once, as after an outage of the
broker. Pages are asked from here on one connection that is kept open, first while nothing waits, then until
all is judged; inside the service a thread asks for the state every half second, as a person's answer does.
The load of the machine is in the numbers: compare within one run, or processor seconds.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import requests

from monitor.cli.heap import settle_heap
from monitor.clock import SystemClock, monotonic_s
from monitor.engine.service import Service
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from tests.bench.service_bench import shop

PAGES = ("/", "/safety", "/week", "/alarms")
AT_ONCE = 2_000  # a commit of the intake
EVERY_S = 30.0
QUIET_S = 5.0


def backlog(sensors: int, zones: int, count: int, arrived_s: float) -> list[Reading]:
    """The last readings of every sensor, all arriving now, to be believed."""
    found: list[Reading] = []
    moments = count // (2 * sensors)
    for k in range(moments):
        time_s = round(arrived_s - (moments - k) * EVERY_S, 3)
        humid, celsius = 0.55 + 0.1 * np.sin(k / 400.0), 16.0 + 3.0 * np.sin(k / 500.0)
        for n in range(sensors):
            zone, sensor = f"zone-{n % zones}", f"sensor-{n}"
            for quantity, value in ((Quantity.AIR_TEMPERATURE, celsius), (Quantity.RELATIVE_HUMIDITY, humid)):
                key = SeriesKey(zone, sensor, quantity)
                found.append(Reading(key, time_s, arrived_s, round(float(value), 4), k, True))
    return found


def say(**said: Any) -> None:
    print(json.dumps(said), flush=True)


def child(sensors: int, zones: int, count: int) -> None:
    """The service; the other side tells it when the backlog comes."""
    settle_heap()
    with tempfile.TemporaryDirectory() as name:
        file = shop(Path(name), 1, "http://127.0.0.1:1/", sensors, zones, tick_s=10.0, every=EVERY_S)
        service = Service(load(file), SystemClock())
        service.start()
        assert service.server is not None
        say(url=service.server.url)
        sys.stdin.readline()
        readings = backlog(sensors, zones, count, round(time.time(), 3))
        began = time.process_time(), monotonic_s()
        waits: list[float] = []
        done = threading.Event()

        def ask() -> None:
            while not done.wait(0.5):
                asked = monotonic_s()
                with service.loop.paused():
                    waits.append(monotonic_s() - asked)

        asking = threading.Thread(target=ask)
        asking.start()
        for at in range(0, len(readings), AT_ONCE):
            service.series.append(readings[at : at + AT_ONCE])
        say(stored=True)
        last = service.series.last_order()
        while service.loop.state.order < last:
            time.sleep(0.05)
        say(judged_s=monotonic_s() - began[1], cpu_s=time.process_time() - began[0])
        done.set()
        asking.join()
        say(waits=waits)
        sys.stdin.readline()
        service.stop()


def ask_pages(browser: requests.Session, url: str, until: threading.Event) -> dict[str, list[float]]:
    """What every page took, in milliseconds, in turn until the event."""
    took: dict[str, list[float]] = {page: [] for page in PAGES}
    while not until.is_set():
        for page in PAGES:
            began = time.perf_counter()
            browser.get(url + page, timeout=120).raise_for_status()
            took[page].append(1e3 * (time.perf_counter() - began))
            time.sleep(0.02)
    return took


def row(case: str, took: list[float]) -> None:
    p50, p99 = np.quantile(took, 0.5), np.quantile(took, 0.99)
    print(f"{case:42s}{len(took):6d}{p50:10.0f}{p99:10.0f}{max(took):10.0f}", flush=True)


def measured(
    sensors: int, zones: int, readings: int
) -> tuple[dict[str, tuple[list[float], list[float]]], list[float], dict[str, float]]:
    """Milliseconds of each page, without and with a backlog, and of an answer's waits; what judging took."""
    command = [sys.executable, "-m", "tests.bench.backlog_bench", "--child"]
    command += [str(number) for number in (sensors, zones, readings)]
    service = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True
    )
    assert service.stdin is not None
    assert service.stdout is not None
    hear = service.stdout.readline
    with requests.Session() as browser:
        url = json.loads(hear())["url"]
        ask_pages(browser, url, after(QUIET_S))  # the first of each are slower
        still = ask_pages(browser, url, after(QUIET_S))
        service.stdin.write("go\n")
        service.stdin.flush()
        hear()
        until, said = threading.Event(), list[str]()
        threading.Thread(target=lambda: (said.append(hear()), until.set())).start()
        busy = ask_pages(browser, url, until)
        waits = [1e3 * wait for wait in json.loads(hear())["waits"]]
    service.communicate("end\n", 60)
    judged = json.loads(said[0])
    judged["cpu_us"] = 1e6 * judged["cpu_s"] / readings
    return {page: (still[page], busy[page]) for page in PAGES}, waits, judged


def after(seconds: float) -> threading.Event:
    """An event that is set then."""
    until = threading.Event()
    threading.Timer(seconds, until.set).start()
    return until


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, default=100)
    ask.add_argument("--zones", type=int, default=10)
    ask.add_argument("--readings", type=int, default=1_000_000)
    ask.add_argument("--child", type=int, nargs=3, help=argparse.SUPPRESS)
    given = ask.parse_args()
    if given.child:
        child(*given.child)
        return
    print(f"{given.readings:,} readings of {given.sensors} sensors; load average {os.getloadavg()[0]:.1f}")
    print(f"{'':42s}{'n':>6s}{'p50 ms':>10s}{'p99 ms':>10s}{'most ms':>10s}")
    pages, waits, judged = measured(given.sensors, given.zones, given.readings)
    for page, (still, busy) in pages.items():
        row(f"{page} while nothing waits", still)
        row(f"{page} during the backlog", busy)
    row("an answer waits, during the backlog", waits)
    print(
        f"judged in {judged['judged_s']:.1f} s, {judged['cpu_us']:.1f} µs of processor time a reading in all"
    )


if __name__ == "__main__":
    main()
