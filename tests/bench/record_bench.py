"""How long the record of a week takes for a shop of 100 sensors, and on how many sheets it stands.

Run: `python -m tests.bench.record_bench [EVENTS]`. A hundred zones with a sensor and a plate each, derived
points every minute of the week, 60 packages open, and EVENTS (20 000) moves of warnings in the ledger.
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from monitor.engine.paper_records import sources_of
from monitor.history.entries import Opened, body_of
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Point, Quantity, SeriesKey
from monitor.report.paper import Paper, PaperSize, pdf_of
from monitor.report.week_record import week_record
from monitor.settings.schema import Settings
from monitor.store.ledger.sql_ledger import SqlLedger, open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.bench.week_bench import shop_of
from tests.bookkeeper.small_shop import BEGIN_S, END_S, WEEK, shifts
from tests.web.printed import read_back

SENSORS, PACKAGES, STEP_S = 100, 60, 60.0
SITE = "ferrymoor"


def fill(store: SqliteSeriesStore, shop: Settings) -> None:
    """Derived points of every zone and plate."""
    times = np.arange(BEGIN_S, END_S, STEP_S)
    for n, zone in enumerate(shop.zones):
        wave = np.sin(2 * np.pi * times / 86_400.0 + n)
        lines = (
            ("zone", Quantity.AIR_TEMPERATURE, 15.0 + 5.0 * wave),
            ("zone", Quantity.RELATIVE_HUMIDITY, 0.68 - 0.1 * wave),
            ("zone", Quantity.DEW_POINT, 9.0 + 2.0 * wave),
            (f"p-{n}", Quantity.MARGIN, 4.0 + 5.0 * wave),
        )
        store.write_points(
            [
                Point(SeriesKey(zone.id, source, quantity), float(t), float(v))
                for source, quantity, values in lines
                for t, v in zip(times, values, strict=True)
            ]
        )


def tell(ledger: SqlLedger, count: int) -> None:
    """Packages, and warnings that come and go."""
    for n in range(PACKAGES):
        entry = Opened(f"Spool {n}", "fcaw-folded-h8", f"z-{n}", spool="s300", lot=f"L-{n % 7}")
        new = NewEvent(entry.kind, f"spool-{n}", BEGIN_S + 600.0 * n, "Lead", body_of(entry))
        ledger.commit([new], entered_s=BEGIN_S + 600.0 * n)
    states = ("normal", "unacknowledged", "acknowledged")
    triggers = ("condition_active", "acknowledge", "condition_clears")
    moves = []
    for n in range(count):
        # most of the record's year lies before the week, 300 moves in it
        at_s = BEGIN_S + (END_S - BEGIN_S) * (n / 300.0 if n < 300 else -(n - 300) / 400.0)
        body: dict[str, object] = {
            "kind": "body_wet", "subject": f"p-{n // 3 % SENSORS}", "zone": f"z-{n // 3 % SENSORS}",
            "priority": "high", "from_state": states[n % 3], "to_state": states[(n + 1) % 3],
            "trigger": triggers[n % 3], "title": f"Wet: Plate {n // 3 % SENSORS}",
        }  # fmt: skip
        subject = f"body_wet.p-{n // 3 % SENSORS}"
        moves.append(NewEvent(EventKind.ALARM_TRANSITION, subject, at_s, "Lead", body))
    for first in range(0, count, 1_000):
        ledger.commit(moves[first : first + 1_000], entered_s=END_S)


def main(count: int) -> None:
    shop = shop_of(SENSORS)
    with tempfile.TemporaryDirectory() as folder:
        series = SqliteSeriesStore(Path(folder) / "series.sqlite")
        ledger = open_ledger(f"sqlite:///{folder}/ledger.sqlite")
        fill(series, shop)
        tell(ledger, count)
        series.refresh_rollups()  # as the service does every hour
        site_shifts = list(shifts(BEGIN_S, END_S))
        for attempt in range(3):
            began_s, began_cpu_s = time.perf_counter(), time.process_time()
            sources = sources_of(shop, (series, ledger), END_S, lambda *_: site_shifts)
            record = week_record(sources, SITE, WEEK)
            read_s = time.perf_counter()
            pdf = pdf_of(Paper(record.sheet, "Bench", PaperSize.A4, record.chart), END_S)
            done_s = time.perf_counter()
            print(
                f"{attempt}: read {read_s - began_s:.2f} s, set {done_s - read_s:.2f} s, "
                f"{time.process_time() - began_cpu_s:.2f} s of processor time, "
                f"{len(read_back(pdf))} sheets, {len(pdf) / 1e3:.0f} kB"
            )
        series.close()
        ledger.close()


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 20_000)
