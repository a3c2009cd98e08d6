"""How long an entry, a start and a record take in a shop with some history; run it, it prints a table.

Invented: eight zones with a point a minute for four weeks, sixty packages with a dozen entries each. The
baseline of an entry is the ledger's own commit of one event, of a start the reading of all its events.
"""

import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from statistics import median

import numpy as np

from monitor.consumables.classes import Place
from monitor.core.derived_series import ZONE
from monitor.engine.bookkeeper import THINGS
from monitor.history.entries import Moved, Opened, TestBead, body_of
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Point, Quantity, SeriesKey
from monitor.report.package_sheet import package_sheet
from monitor.report.sources import Sources
from monitor.report.week_sheet import week_sheet
from monitor.store.series.append import MAX_TIME_S
from tests.bookkeeper.yard import AIR, HOUR, START_S, Yard, yard_settings

DAYS = 28
PACKAGES = 60
MOVES = 12
CLASSES = ("e7018", "fcaw-folded-h8", "fcaw-seamless-h4", "solid-wire")


def filled(folder: Path) -> Yard:
    """Four weeks of air, and packages opened all along."""
    yard = Yard(folder, yard_settings(folder))
    rng = np.random.default_rng(7)
    since_s = START_S - DAYS * 24 * HOUR
    times = np.arange(since_s, START_S, 60.0)
    assert times[-1] < MAX_TIME_S
    for zone in AIR:
        warm = 15.0 + 6.0 * np.sin(2.0 * np.pi * times / 86_400.0) + rng.normal(0.0, 0.2, times.size)
        damp = np.clip(0.65 + 0.2 * np.cos(2.0 * np.pi * times / 86_400.0), 0.05, 0.98)
        if zone == "rod-oven":
            warm = 130.0 + rng.normal(0.0, 1.0, times.size)
        for quantity, values in ((Quantity.AIR_TEMPERATURE, warm), (Quantity.RELATIVE_HUMIDITY, damp)):
            if zone != "rod-oven" or quantity is Quantity.AIR_TEMPERATURE:
                key = SeriesKey(zone, ZONE, quantity)
                yard.series.write_points(
                    [Point(key, t, v) for t, v in zip(times.tolist(), values, strict=True)]
                )
    events = []
    for n in range(PACKAGES):
        opened_s = since_s + (DAYS - 2) * 24 * HOUR * n / PACKAGES
        consumable = CLASSES[n % len(CLASSES)]
        events.append(
            event(f"pk-{n}", opened_s, Opened(f"Package {n}", consumable, "slip-bay", spool="s300"))
        )
        for m in range(1, MOVES):
            move = Moved(Place.BAGGED, "wire-store") if m % 2 else Moved(Place.ON_MACHINE, "slip-bay")
            events.append(event(f"pk-{n}", opened_s + 4 * HOUR * m, move))
    yard.ledger.commit(events, entered_s=START_S)
    return yard


def event(subject: str, time_s: float, entry: Opened | Moved) -> NewEvent:
    return NewEvent(EventKind.PACKAGE, subject, time_s, "bench", body_of(entry), "", f"{subject}/{time_s}")


def timed(work: Callable[[int], object], times: int) -> float:
    """Median seconds."""
    spent = []
    for n in range(times):
        begun = time.perf_counter()
        work(n)
        spent.append(time.perf_counter() - begun)
    return median(spent)


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        yard = filled(Path(name))
        bare = timed(
            lambda n: yard.ledger.commit(
                [NewEvent(EventKind.PLAN, "x", START_S, "bench", {"n": n})], entered_s=START_S
            ),
            20,
        )
        read = timed(lambda _: yard.ledger.events(kinds=[*THINGS, EventKind.CORRECTION]), 3)
        load = timed(lambda _: yard.keeper.load(), 1)
        yard.fed_s = START_S
        now = timed(lambda n: yard.enter(f"pk-{n}", Moved(Place.SEALED, "wire-store"), START_S + 1), 20)
        late = timed(
            lambda n: yard.enter(f"pk-{n}", Moved(Place.OPEN_AIR, "slip-bay"), START_S - 3 * HOUR), 20
        )
        bead = timed(lambda n: yard.enter(f"pk-{n + 20}", TestBead(sound=True), START_S + 1), 20)

        def sources() -> Sources:
            return Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), START_S)

        sheet = timed(lambda n: package_sheet(sources(), f"pk-{n}"), 3)
        week = timed(lambda _: week_sheet(sources(), "ferrymoor", "2026-W36"), 1)
        yard.close()
    print(f"{PACKAGES} packages, {PACKAGES * MOVES} entries, {DAYS} days of air at 60 s")
    print(f"{'':34}{'ms':>10}{'ratio':>10}  baseline")
    for words, seconds, base, what in (
        ("commit of one bare event", bare, bare, "itself"),
        ("an entry now", now, bare, "bare commit"),
        ("an entry three hours late", late, bare, "bare commit"),
        ("a test bead with what was seen", bead, bare, "bare commit"),
        ("reading all entries", read, read, "itself"),
        ("start: everything derived anew", load, read, "reading all entries"),
        ("sheet of one package", sheet, read, "reading all entries"),
        ("sheet of one week", week, read, "reading all entries"),
    ):
        print(f"{words:34}{seconds * 1000:10.1f}{seconds / base:10.1f}  {what}")


if __name__ == "__main__":
    main()
