"""What pages cost as a shop grows: processor time of the asking and answering process, for each sensor.

    python -m tests.bench.page_growth [--sensors 10 100 1000] [--minutes 10]

Ten sensors, a cylinder and a plate to a zone; the stores hold the last minutes of readings. Pages are asked
of the real server on one connection that is kept open.
"""

import argparse
import statistics
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from itertools import islice
from pathlib import Path
from time import process_time

import requests

from monitor.cli.heap import settle_heap
from monitor.engine.build import build_shop
from monitor.engine.kept_things import KeptThings
from monitor.engine.loop import CoreLoop
from monitor.history.shop_history import declared_things
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.web.app import create_app
from monitor.web.frame.deps import Answered, WebDeps
from monitor.web.server import serve
from tests.bench import replay_bench

PAGES = ("/", "/week", "/things", "/alarms", "/api/now", "/metrics")
PER_ZONE = 10
AT_ONCE = 20_000


@contextmanager
def served(sensors: int, minutes: float) -> Iterator[str]:
    """The address of a yard that has been heard for some minutes."""
    with tempfile.TemporaryDirectory(prefix="dryshift-pages-") as name:
        settings = replay_bench.yard(Path(name), sensors, PER_ZONE, things=True)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        loop = CoreLoop(build_shop(settings), series, ledger, replay_bench.START_S)
        stream = replay_bench.readings(sensors, PER_ZONE, minutes / 60.0)
        while batch := list(islice(stream, AT_ONCE)):
            series.append(batch)
            loop.advance_to(batch[-1].arrived_s)
        declared = declared_things(settings)
        deps = WebDeps(
            settings=settings,
            declared=declared,
            history=KeptThings(declared, ledger).now,
            series=series,
            ledger=ledger,
            snapshot=loop.snapshot,
            operate=lambda *_: Answered(False, "nobody is asked here"),
            record=lambda event: ledger.commit([event], entered_s=loop.state.time_s)[0],
            shift_spans=lambda *_: (),
            clock=lambda: loop.state.time_s,
            key=b"a key for benches only, 32 bytes",
        )
        server = serve(create_app(deps), "127.0.0.1", 0)
        yield server.url
        server.stop()
        series.close()
        ledger.close()


def asked_ms(browser: requests.Session, url: str, tries: int = 5) -> tuple[float, float]:
    """Processor time of the first asking and the median of later ones."""
    took = []
    for _ in range(tries + 1):
        began = process_time()
        browser.get(url, timeout=300).raise_for_status()
        took.append(1e3 * (process_time() - began))
    return took[0], statistics.median(took[1:])


def table(sizes: list[int], minutes: float = 10.0) -> None:
    """One row a page and size; what grows in the last column grows faster than the shop."""
    heads = ("page", "sensors", "things", "first ms", "again ms", "again µs/sensor")
    print("".join(name.rjust(16) for name in heads))
    for sensors in sizes:
        with served(sensors, minutes) as url, requests.Session() as browser:
            for page in PAGES:
                first_ms, again_ms = asked_ms(browser, url + page)
                counts = f"{page:>16}{sensors:16d}{2 * -(-sensors // PER_ZONE):16d}"
                print(f"{counts}{first_ms:16.1f}{again_ms:16.1f}{1e3 * again_ms / sensors:16.0f}", flush=True)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, nargs="+", default=[10, 100, 1_000])
    ask.add_argument("--minutes", type=float, default=10.0)
    given = ask.parse_args()
    settle_heap()
    table(given.sensors, given.minutes)


if __name__ == "__main__":
    main()
