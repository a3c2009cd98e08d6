"""A worker: runs its share of the shops, each in a process, and takes over what a worker that is gone had.

A shop belongs to whichever process holds its ledger's lock, and to nobody else: two never judge one. Workers
agree on nothing but how many they are; each takes free shops up to its share, and gives one up where it has
more than that.
"""

import logging
import math
import os
import random
from collections.abc import Callable, Mapping
from multiprocessing import get_context
from multiprocessing.connection import Connection
from multiprocessing.process import BaseProcess
from pathlib import Path

from monitor.clock import SystemClock, monotonic_s
from monitor.fleet.shop_process import STOP, run_shop
from monitor.fleet.shop_settings import Neighbours
from monitor.model.back_off import BackOff
from monitor.model.level import Level
from monitor.settings.fleet_file import FleetSettings
from monitor.store.contract import StoreUnavailableError
from monitor.store.fleet_book import FleetBook, ShopStanding

ROUND_S = 2.0
LOST_AFTER_S = 8.0  # a worker that was not seen for so long has no share any more
STARTS_A_ROUND = 4 * (os.cpu_count() or 1)  # each takes half a second of processor time
AGAIN = BackOff(first_s=2.0, most_s=60.0)
_NEVER = (0.0, 0)
SILENT_S = 30.0  # a process that hangs holds its shop; ended, another takes it
START_S = 600.0  # what was stored is worked through first
STOP_S = 25.0  # for all shops together; what does not end by then is killed
log = logging.getLogger(__name__)


class Running:
    """A shop's process, and what it said last."""

    def __init__(self, process: BaseProcess, link: Connection, begun_s: float) -> None:
        self.process = process
        self.begun_s = begun_s
        self.ends_by_s = monotonic_s() + START_S  # it has spoken by then, or is killed
        self.stopping = False
        self.said: ShopStanding | None = None
        self.spoke = False  # since the last round
        self.first = ""  # the token of the link for the first account, until it is told
        self._link = link

    def listen(self) -> None:
        """Take in what it has said since."""
        try:
            while self._link.poll():
                said = self._link.recv()
                if isinstance(said, ShopStanding):
                    self.said, self.spoke = said, True
                    self.ends_by_s = monotonic_s() + SILENT_S
                else:
                    self.first = str(said)
        except (EOFError, OSError):
            return  # it has ended

    def tell_to_stop(self) -> None:
        """Ask it to finish what is here and end."""
        self.stopping, self.ends_by_s = True, monotonic_s() + STOP_S
        try:
            self._link.send(STOP)
        except OSError:
            return  # it has ended


class FleetWorker:
    """Runs shops by name from their settings files; `round` is called every few seconds."""

    def __init__(
        self,
        name: str,
        fleet: FleetSettings,
        shops: Mapping[str, Path],
        secrets: Path | None,
        book: FleetBook,
    ) -> None:
        self.name = name
        self.address = "127.0.0.1"
        self._fleet = fleet
        self._neighbours = Neighbours(shops)
        self.tell: Callable[[str], object] = log.warning  # what a person at this machine has to know
        self._shops = dict(shops)
        self._secrets = secrets
        self._book = book
        self._clock = SystemClock()
        self._context = get_context("forkserver")
        self._context.set_forkserver_preload(["monitor.fleet.template"])
        self._running: dict[str, Running] = {}
        self._wait: dict[str, tuple[float, int]] = {}  # shops that ended by themselves: until when, how often

    def round(self) -> None:
        """Look after what runs, say how it stands, then take or give up what the share asks for."""
        ended = self._reap()
        self._book.seen(self.name, [*self._standings(), *ended])
        workers = self._book.workers(LOST_AFTER_S)
        share = math.ceil(len(self._shops) / max(len(workers), 1))
        kept = [shop for shop, running in self._running.items() if not running.stopping]
        if len(kept) > share:  # the one that was begun last has the least in hand
            shop = max(kept, key=lambda one: self._running[one].begun_s)
            log.warning("shop %s: given up, the other workers have room for it", shop)
            self._running[shop].tell_to_stop()
        wanted = min(share - len(kept), STARTS_A_ROUND)
        if wanted > 0:
            now_s = self._clock.now_s()
            held = self._book.held(list(self._shops)) | set(self._running)
            refused = {shop: why for shop, why in self._neighbours.refused().items() if shop not in held}
            self._book.seen(
                self.name, [self._unrun(s, f"cannot be run: {why}") for s, why in refused.items()]
            )
            busy = held | set(refused)
            free = [s for s in self._shops if s not in busy and self._wait.get(s, _NEVER)[0] <= now_s]
            for shop in random.sample(free, min(wanted, len(free))):  # two that look at once rarely meet
                self._start(shop)

    def run(self, stopped: Callable[[float], bool]) -> None:
        """Rounds until `stopped(seconds)`, which waits so long, says so; then ends all shops."""
        try:
            while True:
                try:
                    self.round()
                except StoreUnavailableError as error:
                    log.warning("the shops' database is away; what runs goes on: %s", error)
                if stopped(ROUND_S):
                    return
        finally:
            self.stop()

    def stop(self) -> None:
        """End every shop, and leave the others' share to them."""
        for running in self._running.values():
            running.tell_to_stop()
        for running in self._running.values():
            running.process.join(max(running.ends_by_s - monotonic_s(), 0.0))
            running.process.kill()
        self._running.clear()
        try:
            self._book.gone(self.name)
        except StoreUnavailableError as error:
            log.warning("the shops' database is away: %s", error)

    def _start(self, shop: str) -> None:
        ours, theirs = self._context.Pipe()
        placed = self._fleet, self._book.ledger_url(shop)
        arguments = (shop, self._shops[shop], self._secrets, placed, theirs)
        process = self._context.Process(target=run_shop, args=arguments, name=shop)
        process.start()
        theirs.close()
        self._running[shop] = Running(process, ours, self._clock.now_s())

    def _reap(self) -> list[ShopStanding]:
        """Take what has ended off the list; it waits before it is tried again, longer each time."""
        now_s = self._clock.now_s()
        for running in self._running.values():
            running.spoke = False
            running.listen()
            if running.ends_by_s < monotonic_s():
                running.process.kill()
        ended = [shop for shop, running in self._running.items() if not running.process.is_alive()]
        told: list[ShopStanding] = []
        for shop in ended:
            running = self._running.pop(shop)
            running.listen()
            if running.stopping:
                continue
            failures = self._wait.get(shop, _NEVER)[1] + 1
            self._wait[shop] = (now_s + AGAIN.wait_s(failures), failures)
            silent = running.ends_by_s < monotonic_s()
            why = "its process said nothing and was ended" if silent else "ended by itself"
            if running.said and not running.said.url:
                why = running.said.headline
            log.error("shop %s: %s; it is tried again", shop, why)
            told.append(self._unrun(shop, why))
        return told

    def _unrun(self, shop: str, why: str) -> ShopStanding:
        return ShopStanding(shop, self.name, "", Level.UNKNOWN, why)

    def _standings(self) -> list[ShopStanding]:
        """Of those that spoke since the last round: what one said before is no word of now."""
        found = []
        for shop, running in self._running.items():
            if running.spoke and running.said and running.said.url and not running.stopping:
                self._wait.pop(shop, None)
                url = f"http://{self.address}:{running.said.url}"
                found.append(running.said._replace(worker=self.name, url=url))
                if running.first:
                    here = f"{url}/join/{running.first}"
                    self.tell(f"Shop {shop} has no account yet. The first is made here, once: {here}")
                    running.first = ""
        return found
