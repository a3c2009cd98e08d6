"""Sets the clock, fills the disk, kills the service, swaps its store, lets the receiver of its messages, its
calendar and its heartbeat misbehave in every listed way, all at random, and compares what it shows.

Run: python -m tests.bench.hostile_soak [--minutes 10] [--seed 1]   (as root: it mounts a small disk)

A real Mosquitto, `dryshift run` in a process of its own, a sensor that never stops, a small disk,
and a clock that is shifted by libfaketime (Debian's package `faketime`; without it the clock is left alone).
At every look the JSON interface is asked: a level that is shown as judged must be the one that a fresh core
finds in what is stored, and where nothing is judged `/readyz` must say so. At the end every high
warning that is some minutes old was delivered, handed over to the second channel, or replaced by a later one.
"""

import argparse
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack, closing, suppress
from pathlib import Path
from typing import Any

import requests

from monitor.clock import SystemClock
from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.level import Level
from monitor.model.reading import Quantity
from monitor.mqtt.encode import encode_own
from monitor.settings.file import load
from monitor.store.contract import StoreUnavailableError
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.opener import SERIES_FILE, open_series_store
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.brokers import Mosquitto, Publisher
from tests.disks import small_disk
from tests.engine.yard import TOPIC, write_shop
from tests.misbehaviours.listed import HTTP, TRANSPORT, answers
from tests.misbehaviours.servers import Server, misbehaving
from tests.ports import free_port
from tests.receivers import web_receiver

DISK_MEGABYTES = 12
TICK_S = 1.0
FEW_TICKS_S = 6.0
SETTLE_S = 25.0  # after an act: a restart, and the few ticks for which an old picture may stand
JUMPS_S = (-86_400, -3_600, -180, 180, 3_000, 86_400)
OLD_ENOUGH_S = 300.0  # by then a high warning is with somebody
ODD = """timeout_s = 2
fallback = "second"

[[channels]]
id = "second"
kind = "webhook"
url = "{second}"

[[calendars]]
site = "yard"
source = "{odd}/shifts.ics"
"""
MANNERS = (answers(200), *(how for how in (*TRANSPORT, *HTTP) if how.accepts))
LIBRARIES = sorted(Path("/usr/lib").glob("*/faketime/libfaketime.so.1"))


class World:
    """The service and everything around it that can be turned against it."""

    def __init__(self, folder: Path, disk: Path, phone_url: str, port: int, turncoat: Server) -> None:
        self.chance = random.Random()
        self.folder, self.disk = folder, disk
        self.web = free_port()
        self.turncoat = turncoat
        odd = f"http://127.0.0.1:{turncoat.port}"
        file = write_shop(folder, port, f"{odd}/phone")
        text = file.read_text(encoding="utf-8") + ODD.format(odd=odd, second=phone_url)
        for old, new in (
            (
                'data_dir = "data"',
                f'data_dir = "{disk}"\nheartbeat_url = "{odd}/beat"\nheartbeat_every_s = 10',
            ),
            ("tick_s = 10", f"tick_s = {TICK_S:g}"),
            ("derived_every_s = 30", "derived_every_s = 2"),
            ("interval_s = 20", "interval_s = 1"),
            ("port = 0\n", f"port = {self.web}\n"),
        ):
            text = text.replace(old, new)
        file.write_text(text, encoding="utf-8")
        self.file = file
        self.settings = load(file)
        self.offset = folder / "offset"
        self.sets_clock(0)
        self.humid = False
        self.process: subprocess.Popen[bytes] | None = None

    def sets_clock(self, offset_s: int) -> None:
        """The machine's clock, for the service, from its next look on."""
        self.shift_s = offset_s
        part = self.offset.with_suffix(".part")
        part.write_text(f"{offset_s:+d}\n", encoding="utf-8")
        part.replace(self.offset)

    def starts(self) -> None:
        """`dryshift run`."""
        env = dict(os.environ)
        if LIBRARIES:
            env |= {
                "LD_PRELOAD": str(LIBRARIES[0]),
                "FAKETIME_TIMESTAMP_FILE": str(self.offset),
                "FAKETIME_NO_CACHE": "1",
                "FAKETIME_DONT_FAKE_MONOTONIC": "1",
            }
        command = [sys.executable, "-m", "monitor", "run", str(self.file)]
        with (self.folder / "log").open("ab") as log:
            self.process = subprocess.Popen(command, env=env, stdout=log, stderr=log)

    def is_killed(self) -> None:
        """As by a power cut."""
        if self.process is not None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()

    def now(self) -> tuple[dict[str, Any] | None, bool]:
        """What the service shows, and whether it says that it is ready; None while it does not answer."""
        address = f"http://127.0.0.1:{self.web}"
        try:
            ready = requests.get(address + "/readyz", timeout=5).status_code == 200
            return requests.get(address + "/api/now", timeout=5).json(), ready
        except (requests.RequestException, ValueError):
            return None, False

    def stored_level(self, tick_s: float) -> Level | None:
        """The bay's level as a fresh core finds it in what is stored; None where that cannot be copied."""
        apart = Path(tempfile.mkdtemp(dir=self.folder))
        try:
            source = open_series_store(self.settings)
            try:
                source.backup(apart)
            finally:
                source.close()
            series = SqliteSeriesStore(apart / SERIES_FILE)
            ledger = open_ledger(f"sqlite:///{apart / 'ledger.sqlite'}")
            try:
                loop = CoreLoop(build_shop(self.settings), series, ledger, tick_s - TICK_S / 2)
                loop.advance_to(tick_s, tick_s)
                return loop.snapshot().zones[0].level
            finally:
                series.close()
                ledger.close()
        except StoreUnavailableError:
            return None
        finally:
            shutil.rmtree(apart)


def fill(world: World) -> None:
    """Not a byte is left on the disk."""
    with (world.disk / "filler").open("ab", buffering=0) as file, suppress(OSError):
        while True:
            file.write(bytes(4096))


def copy_store(world: World) -> None:
    """A whole copy, kept elsewhere."""
    with suppress(StoreUnavailableError), closing(open_series_store(world.settings)) as series:
        series.backup(world.folder / "kept")


def swap_store(world: World) -> None:
    """The older copy over the present file, by name."""
    kept, part = world.folder / "kept" / SERIES_FILE, world.disk / "part"
    try:
        if kept.exists():
            shutil.copyfile(kept, part)
            part.replace(world.disk / SERIES_FILE)
    except OSError:
        part.unlink(missing_ok=True)


def kill(world: World) -> None:
    """As by a power cut, and started again."""
    world.is_killed()
    world.starts()


def turn_coat(world: World) -> None:
    """Whoever is asked answers as it should, or in one of the listed other ways."""
    world.turncoat.how = world.chance.choice(MANNERS[: 1 + world.chance.randint(0, 1) * len(MANNERS)])


def turn_air(world: World) -> None:
    """Dry air turns humid, humid air dry."""
    world.humid = not world.humid


ACTS: dict[str, Callable[[World], None]] = {
    "air turned": turn_air,
    "receiver turned": turn_coat,
    "killed": kill,
    "disk filled": fill,
    "disk given room": lambda world: (world.disk / "filler").unlink(missing_ok=True),
    "store copied": copy_store,
    "older store put back": swap_store,
    "store removed": lambda world: (world.disk / SERIES_FILE).unlink(missing_ok=True),
}
CLOCK_ACTS: dict[str, Callable[[World], None]] = {
    "clock set": lambda world: world.sets_clock(world.chance.choice(JUMPS_S)),
    "clock put right": lambda world: world.sets_clock(0),
}


def act(world: World, counted: Counter[str]) -> None:
    """One thing that goes wrong, or is put right, at random."""
    acts = ACTS | (CLOCK_ACTS if LIBRARIES else {})
    name = world.chance.choice(sorted(acts))
    counted[name] += 1
    acts[name](world)


def look(world: World, counted: Counter[str]) -> None:
    """Ask what is shown and compare it."""
    shown, ready = world.now()
    if shown is None:
        counted["looks without an answer"] += 1
        return
    counted["looks"] += 1
    level = Level(shown["zones"][0]["level"])
    if shown["not_judged"]:
        counted["not judged, and said"] += 1
        counted["FAULT: not judged, yet ready"] += ready
        counted["FAULT: not judged, yet a level"] += level is not Level.UNKNOWN
        return
    off_s = abs(SystemClock().now_s() + world.shift_s - shown["time_s"])
    counted["FAULT: judged long ago"] += off_s > 3 * FEW_TICKS_S
    if level is Level.UNKNOWN:
        counted["unknown"] += 1
        return
    stored = world.stored_level(float(shown["time_s"]))
    counted["compared"] += stored is not None
    counted["FAULT: another level than the stored readings"] += stored not in (None, level)


def unheard(world: World) -> int:
    """High warnings, some minutes old, that are with nobody and were replaced by none."""
    with closing(open_ledger(f"sqlite:///{world.disk / 'ledger.sqlite'}")) as ledger:
        second = {item.notification.key for item in ledger.outbox(channel="second")}
        now_s = SystemClock().now_s() + world.shift_s
        return sum(
            item.state in ("waiting", "refused", "expired")
            and item.attempts > 0
            and item.notification.priority == "high"
            and now_s - item.notification.created_s > OLD_ENOUGH_S
            and item.notification.key not in second
            for item in ledger.outbox(channel="phone")
        )


def soak(minutes: float, seed: int) -> Counter[str]:
    """Go on for so long; what was counted."""
    counted: Counter[str] = Counter()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="dryshift-hostile-")))
        disk = stack.enter_context(small_disk(folder, DISK_MEGABYTES))
        broker = stack.enter_context(Mosquitto(folder))
        phone = stack.enter_context(web_receiver())
        turncoat = stack.enter_context(misbehaving(MANNERS[0]))
        world = World(folder, disk, phone.url, broker.port, turncoat)
        world.chance.seed(seed)
        sensor = stack.enter_context(Publisher(broker.port))
        world.starts()
        stack.callback(world.is_killed)
        until, acted = time.monotonic() + minutes * 60.0, time.monotonic()
        number = 0
        while time.monotonic() < until:
            number += 1
            air = {
                Quantity.AIR_TEMPERATURE: 15.0 + 0.01 * (number % 3),
                Quantity.RELATIVE_HUMIDITY: (0.93 if world.humid else 0.45) + 0.0007 * (number % 3),
            }
            sensor.send(TOPIC, encode_own(None, air, number))
            look(world, counted)
            if time.monotonic() - acted > world.chance.uniform(SETTLE_S / 5.0, SETTLE_S):
                act(world, counted)
                acted = time.monotonic()
            time.sleep(1.0)
        world.is_killed()
        (world.disk / "filler").unlink(missing_ok=True)
        counted["FAULT: high warnings that nobody heard"] = unheard(world)
        counted["connections to what misbehaves"] = turncoat.asked
        counted["messages to the second channel"] = len(phone.requests)
        titles = Counter(str(message["title"]) for message in phone.messages)
        counted["  that the watch stands still"] = titles["The watch stands still"]
        counted["  that it does not start"] = titles["The watch does not start"]
    return counted


def main() -> None:
    """Soak and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    counted = soak(options.minutes, options.seed)
    print(f"{options.minutes:g} min, seed {options.seed}, clock {'set' if LIBRARIES else 'left alone'}")
    for name, value in sorted(counted.items()):
        print(f"{name:48}{value:>8}")
    raise SystemExit(1 if any(value for name, value in counted.items() if name.startswith("FAULT")) else 0)


if __name__ == "__main__":
    main()
