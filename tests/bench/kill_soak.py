"""Kills the service again and again at random moments of taking in, judging and delivering, and counts.

Run: python -m tests.bench.kill_soak [--kills 100] [--seed 1] [--longest 1.5]

A real Mosquitto, two real receivers, a sensor that never stops, the service in a process of its own that is
killed as by a power cut: three times in four at a random moment of its work, else while it starts. At the end
it may finish in peace, and then is counted: readings that the broker had acknowledged and the store has not,
warnings that reached nobody, alarms that no message names, and messages sent twice under different keys.
"""

import argparse
import json
import random
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from tqdm import tqdm

from monitor.model.event import EventKind
from monitor.model.reading import Quantity, SeriesKey
from monitor.settings.file import load
from monitor.store.contract import Ledger
from monitor.store.opener import open_ledger_for, open_series_store
from tests.brokers import Mosquitto, wait_until
from tests.engine.live import Sensor
from tests.engine.test_end_to_end import Killable
from tests.engine.yard import AnchoredClock, humid_evening, write_shop
from tests.receivers import WebReceiver, web_receiver

MAIL = """
[[channels]]
id = "mail"
kind = "webhook"
url = "{url}"
"""
SPEED = 120.0
STARTING = 0.25  # of the kills hit a service that has not come up yet
STOOD_S = 600.0  # an alarm that was watched for so long must be named by a message
CYCLE_MIN = 120.0  # of the evening, there and back: warnings come and go for ever
KEY = SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE)
NEAR_S = 120.0  # the same words to the same channel so close together are the same message


@dataclass(frozen=True)
class Counted:
    """What a soak came to."""

    kills: int
    sent: int
    readings_lost: int
    readings_twice: int
    warnings: int
    warnings_lost: int
    untold: int
    delivered: int
    waiting: int
    replaced: int
    repeats_same_key: int
    repeats_other_key: int
    gaps: int
    chain: str

    def failed(self) -> bool:
        """Whether anything was lost or doubled."""
        lost = self.readings_lost + self.readings_twice + self.warnings_lost + self.untold
        return bool(lost + self.repeats_other_key) or self.chain != "holds"


class Tide(Sensor):
    """The humid evening, then back again, over and over."""

    def _air(self) -> tuple[float, float]:
        minute = self._minute % CYCLE_MIN
        return humid_evening(minute if minute < CYCLE_MIN / 2 else CYCLE_MIN - minute)


def soak(folder: Path, kills: int, seed: int, longest_s: float) -> Counted:
    """Kill so often, then let it finish, then count."""
    chance = random.Random(seed)
    with Mosquitto(folder) as broker, web_receiver() as phone, web_receiver() as mail:
        file = write_shop(folder, broker.port, phone.url)
        file.write_text(file.read_text(encoding="utf-8") + MAIL.format(url=mail.url), encoding="utf-8")
        anchor_s = time.time()
        clock = AnchoredClock(anchor_s, SPEED)
        service = Killable(file, anchor_s, SPEED)
        service.start()
        service.until_ready()  # its session is with the broker: from here on nothing may be lost
        sensor = Tide(broker.port, clock, 0.0, every_s=60.0)
        for _ in tqdm(range(kills), unit="kill", disable=None):
            if chance.random() >= STARTING:
                service.until_ready()
            time.sleep(chance.uniform(0.0, longest_s))
            service.kill()
            service.start()
        service.until_ready()
        sent = sensor.stop()
        settings = load(file)
        series, ledger = open_series_store(settings), open_ledger_for(settings)
        try:
            wait_until(
                lambda: set(sent) <= set(series.slice(KEY, 0, 4e9).time_s.tolist()), "the readings", 180
            )
            wait_until(lambda: _settled(ledger), "the last messages", 180)
            service.stop()
            stored = series.slice(KEY, 0, 4e9).time_s.tolist()
            return _counted(kills, sent, stored, ledger, {"phone": phone, "mail": mail})
        finally:
            series.close()
            ledger.close()


def _settled(ledger: Ledger) -> bool:
    items = ledger.outbox()
    return bool(items) and all(item.state != "waiting" for item in items)


def _counted(
    kills: int, sent: list[float], stored: list[float], ledger: Ledger, receivers: dict[str, WebReceiver]
) -> Counted:
    items = ledger.outbox()
    got = {name: Counter(h["webhook-id"] for h, _ in one.requests) for name, one in receivers.items()}
    delivered = [item for item in items if item.state == "delivered"]
    replaced = {item.id for item in items if item.state == "cancelled"}
    waiting = {item.id for item in items if item.state == "waiting"}  # made while it was told to stop
    lost = [
        item
        for item in items
        if item.id not in replaced | waiting and not got[item.channel][item.notification.key]
    ]
    # what was left out for a later word must have had one that arrived
    lost += [
        item
        for item in items
        if item.id in replaced
        and not any(
            later.notification.subject == item.notification.subject
            and later.id > item.id
            and got[later.channel][later.notification.key]
            for later in items
            if later.channel == item.channel
        )
    ]
    gaps = ledger.events(kinds=[EventKind.SERVICE_GAP])
    checked = ledger.verify()
    return Counted(
        kills=kills,
        sent=len(sent),
        readings_lost=len(set(sent) - set(stored)),
        readings_twice=len(stored) - len(set(stored)),
        warnings=len({item.notification.key for item in items}),
        warnings_lost=len(lost),
        untold=_untold(ledger),
        delivered=len(delivered),
        waiting=len(waiting),
        replaced=len(replaced),
        repeats_same_key=sum(count - 1 for one in got.values() for count in one.values()),
        repeats_other_key=sum(_doubled(one) for one in receivers.values()),
        gaps=len(gaps),
        chain="holds" if checked.broken_at is None else f"broken at {checked.broken_at}",
    )


def _untold(ledger: Ledger) -> int:
    """Alarms of medium or high priority that were watched for ten minutes and that no message names."""
    gaps = [
        (float(e.body["from_s"]), float(e.body["to_s"]))  # type: ignore[arg-type]
        for e in ledger.events(kinds=[EventKind.SERVICE_GAP])
    ]
    moves = ledger.events(kinds=[EventKind.ALARM_TRANSITION])
    notes = [item.notification for item in ledger.outbox()]
    untold = 0
    for n, event in enumerate(moves):
        if event.body["to_state"] != "unacknowledged" or event.body["priority"] == "low":
            continue
        after = (later for later in moves[n + 1 :] if later.subject == event.subject)
        until_s = next((later.time_s for later in after), event.time_s + 1e9)
        named = any(
            event.subject in list(note.data.get("conditions") or ())  # type: ignore[call-overload]
            and event.time_s - 3_600.0 <= note.created_s <= until_s + 60.0
            for note in notes
        )
        away_s = sum(max(min(to_s, until_s) - max(from_s, event.time_s), 0.0) for from_s, to_s in gaps)
        untold += until_s - event.time_s - away_s >= STOOD_S and not named
    return untold


def _doubled(receiver: WebReceiver) -> int:
    """Messages that say the same at nearly the same time under different keys."""
    said: dict[tuple[str, str, str], list[tuple[float, str]]] = {}
    for _, body in receiver.requests:
        message = json.loads(body)
        words = (message["subject"], str(message["data"].get("telling")), message["text"])
        said.setdefault(words, []).append((message["created_s"], message["key"]))
    doubled = 0
    for rows in said.values():
        for n, (time_s, key) in enumerate(sorted(rows)):
            doubled += any(
                other != key and abs(other_s - time_s) <= NEAR_S for other_s, other in sorted(rows)[:n]
            )
    return doubled


def main() -> None:
    """Soak and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--longest", type=float, default=1.5, help="most seconds before a kill")
    options = parser.parse_args()
    began = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="dryshift-soak-") as folder:
        counted = soak(Path(folder), options.kills, options.seed, options.longest)
    print(f"{'kills':34}{counted.kills:>8}   in {time.monotonic() - began:.0f} s, seed {options.seed}")
    for name, value in (
        ("readings acknowledged by the broker", counted.sent),
        ("  of these lost", counted.readings_lost),
        ("  of these stored twice", counted.readings_twice),
        ("messages", counted.warnings),
        ("  that reached nobody", counted.warnings_lost),
        ("alarms that no message names", counted.untold),
        ("repeats under another key", counted.repeats_other_key),
        ("delivered (each channel)", counted.delivered),
        ("  still in the outbox at the end", counted.waiting),
        ("left out for a later word", counted.replaced),
        ("repeats under the same key", counted.repeats_same_key),
        ("gaps in the record", counted.gaps),
        ("chain of the record", counted.chain),
    ):
        print(f"{name:34}{value:>8}")
    raise SystemExit(1 if counted.failed() else 0)


if __name__ == "__main__":
    main()
