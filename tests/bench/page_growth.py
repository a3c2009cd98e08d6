"""What pages, a tick and a checkpoint cost as a shop grows, for each sensor and for each thing.

    python -m tests.bench.page_growth [--sensors 10 100 1000] [--packages 10 100 1000] [--minutes 10]

Ten sensors, a cylinder and a plate to a zone; the stores hold the last minutes of readings. The second table
has ten sensors and so many open packages. Pages are asked of the real server on one connection that is kept
open. All is processor time, of the asking process with the answering one.
"""

import argparse
import statistics
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path
from time import process_time
from typing import NamedTuple

import requests

from monitor.cli.heap import settle_heap
from monitor.engine.build import build_shop
from monitor.engine.kept_things import KeptThings
from monitor.engine.loop import CoreLoop
from monitor.history.shop_history import declared_things
from monitor.settings.schema import Settings
from monitor.store.opener import open_ledger_for, open_series_store
from monitor.web.app import create_app
from monitor.web.frame.deps import Answered, WebDeps
from monitor.web.server import serve
from tests.bench import replay_bench

PAGES = ("/", "/week", "/things", "/alarms", "/api/now", "/metrics")
PER_ZONE = 10
AT_ONCE = 2_000
TICK_S = 10.0


def yard(folder: Path, sensors: int, packages: int) -> Settings:
    """Halls with things, and open packages in the first of them."""
    plain = replay_bench.yard(folder, sensors, PER_ZONE, things=True)
    opened_at = datetime.fromtimestamp(replay_bench.START_S, UTC)
    kind = {"zone": "hall-0", "consumable": "e7018", "opened_at": opened_at}
    open_now = [{**kind, "id": f"rods-{n}", "name": f"Rods {n}"} for n in range(packages)]
    return Settings.model_validate({**plain.model_dump(), "packages": open_now})


class Grown(NamedTuple):
    """A yard that has been heard for some minutes: where it answers, and what its core takes."""

    url: str
    tick_ms: float
    checkpoint_ms: float
    checkpoint_kb: float


@contextmanager
def served(sensors: int, minutes: float, packages: int = 0) -> Iterator[Grown]:
    """A yard with its server."""
    with tempfile.TemporaryDirectory(prefix="dryshift-pages-") as name:
        settings = yard(Path(name), sensors, packages)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        loop = CoreLoop(build_shop(settings), series, ledger, replay_bench.START_S)
        stream = replay_bench.readings(sensors, PER_ZONE, minutes / 60.0)
        began_s, ticks = replay_bench.START_S, []
        while batch := list(islice(stream, AT_ONCE)):
            series.append(batch)
            began = process_time()
            loop.advance_to(batch[-1].arrived_s)
            count = max((batch[-1].arrived_s - began_s) / TICK_S, 1.0)
            ticks.append(1e3 * (process_time() - began) / count)
            began_s = batch[-1].arrived_s
        began = process_time()
        loop.save()
        checkpoint_ms = 1e3 * (process_time() - began)
        saved = ledger.checkpoint()
        assert saved is not None
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
        yield Grown(server.url, statistics.median(ticks), checkpoint_ms, len(saved.state) / 1e3)
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


def table(sizes: list[int], minutes: float, grows: str) -> None:
    """One row a page and size; what grows in the last column grows faster than the shop."""
    heads = ("of", "sensors", "things", "first ms", "again ms", f"µs/{grows}")
    print("".join(name.rjust(16) for name in heads))
    for size in sizes:
        sensors, packages = (size, 0) if grows == "sensor" else (10, size)
        counts = f"{sensors:16d}{2 * -(-sensors // PER_ZONE) + packages:16d}"
        with served(sensors, minutes, packages) as grown, requests.Session() as browser:
            row("tick", counts, grown.tick_ms, grown.tick_ms, size)
            row(f"checkpoint {grown.checkpoint_kb:.0f}K", counts, *[grown.checkpoint_ms] * 2, size)
            for page in PAGES:
                row(page, counts, *asked_ms(browser, grown.url + page), size)


def row(of: str, counts: str, first_ms: float, again_ms: float, size: int) -> None:
    print(f"{of:>16}{counts}{first_ms:16.1f}{again_ms:16.1f}{1e3 * again_ms / size:16.0f}", flush=True)


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--sensors", type=int, nargs="+", default=[10, 100, 1_000])
    ask.add_argument("--packages", type=int, nargs="+", default=[10, 100, 1_000])
    ask.add_argument("--minutes", type=float, default=10.0)
    given = ask.parse_args()
    settle_heap()
    table(given.sensors, given.minutes, "sensor")
    table(given.packages, given.minutes, "package")


if __name__ == "__main__":
    main()
