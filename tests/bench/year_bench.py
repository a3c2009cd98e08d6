"""How long the week's pages take with a year of sensor troubles and entries in the ledger.

Run: `python -m tests.bench.year_bench`. Forty sensors change their status every two hours, ten packages and
one plate are entered every day; the series are those of the sample week.
"""

import tempfile
import time
from pathlib import Path

import numpy as np
import requests

from monitor.history.entries import Entry, Opened, PlateBroughtIn, Withdrawn, body_of
from monitor.model.event import EventKind, NewEvent
from tests.web import sample

DAY_S = 86_400.0
SENSORS, TRIES, BATCH = 40, 5, 5_000


def status(n: int, time_s: float, *, good: bool) -> NewEvent:
    """One change of a sensor's status."""
    body: dict[str, object] = {
        "status": "good" if good else "failure",
        "reason": "" if good else "no reading",
    }
    return NewEvent(EventKind.SENSOR_STATUS, f"slip-{n}", time_s, "", body)


def entry(subject: str, time_s: float, what: Entry) -> NewEvent:
    """One entry of a person."""
    return NewEvent(what.kind, subject, time_s, sample.LEAD, body_of(what))


def year() -> list[NewEvent]:
    """What a year leaves behind, in order of time."""
    start_s = sample.NOW_S - 365 * DAY_S
    found = [
        status(n, start_s + 7_200.0 * k + n, good=k % 2 == 1) for k in range(365 * 12) for n in range(SENSORS)
    ]
    for day in range(365):
        at_s = start_s + DAY_S * day
        for n in range(10):
            found.append(entry(f"rods-{day}-{n}", at_s, Opened("Rods", "e7018", "slip-bay")))
            found.append(entry(f"rods-{day}-{n}", at_s + 3_600.0, Withdrawn()))
        found.append(entry(f"plate-{day}", at_s, PlateBroughtIn("Plate", "slip-bay", 0.012)))
    return sorted(found, key=lambda event: event.time_s)


def main(folder: Path) -> None:
    """Fill, serve, time, print."""
    shop = sample.open_shop(folder)
    events = year()
    for at in range(0, len(events), BATCH):
        shop.ledger.commit(events[at : at + BATCH], entered_s=events[at].time_s)
    print(f"{len(events):,} events")
    server = sample.start(shop)
    for path in ("/week", "/week?zone=slip-bay", "/things", "/evidence", "/safety"):
        taken, worked = [], []
        for _ in range(TRIES):
            began, before = time.perf_counter(), time.process_time()
            requests.get(server.url + path, timeout=60).raise_for_status()
            taken.append(1_000 * (time.perf_counter() - began))
            worked.append(1_000 * (time.process_time() - before))
        print(f"{path:28}{np.median(taken):8.0f} ms{np.median(worked):8.0f} ms of processor time")
    server.stop()
    shop.series.close()
    shop.ledger.close()


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as temporary:
        main(Path(temporary))
