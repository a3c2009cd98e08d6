"""One shop in a process of its own, which holds its ledger for as long as it judges."""

import gc
import os
import signal
from multiprocessing.connection import Connection
from pathlib import Path

from monitor.clock import SystemClock
from monitor.engine.build import known_reference
from monitor.engine.service import Service
from monitor.fleet.shop_settings import in_fleet
from monitor.model.errors import DryshiftError
from monitor.model.level import Level
from monitor.settings.file import load
from monitor.settings.fleet_file import FleetSettings
from monitor.settings.schema import Settings
from monitor.store.fleet_book import ShopStanding
from monitor.store.folder_lock import hold
from monitor.web.frame.now_view import answer

SAY_EVERY_S = 2.0
STUCK_S = 120.0  # a core that stands still for so long is no reason to speak: the silent are ended
STOP = "stop"


def run_shop(
    shop: str, file: Path, secrets: Path | None, placed: tuple[FleetSettings, str], link: Connection
) -> None:
    """Run one shop until the link says so or is closed, which is what the end of the worker looks like.

    `placed` is the fleet that it belongs to and where its ledger lies. Says over the link how the shop
    stands, or why it could not be run, and once the token of the link for the first account, where there is
    none.
    """
    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, signal.SIG_IGN)  # the worker decides
    for name in ("NOTIFY_SOCKET", "WATCHDOG_USEC"):
        os.environ.pop(name, None)  # the init system watches the worker
    try:
        fleet, ledger_url = placed
        settings = in_fleet(load(file, secrets, known_reference()), fleet, shop, ledger_url)
        with hold(settings.service.data_dir):
            _serve(shop, settings, link)
    except (DryshiftError, OSError) as error:
        _say(link, ShopStanding(shop, "", "", Level.UNKNOWN, f"cannot be run: {error}"))


def _serve(shop: str, settings: Settings, link: Connection) -> None:
    service = Service(settings, SystemClock())
    try:
        service.start()
        gc.freeze()  # what stands now stays; a look for garbage would write to pages that all shops share
        first = None if service.desk is None else service.desk.first_link()
        if first is not None:
            _say(link, first)
        stuck_s = 0.0
        while not _told_to_stop(link):
            stuck_s = stuck_s + SAY_EVERY_S if service.is_stuck() else 0.0
            if stuck_s > STUCK_S:
                continue
            assert service.server is not None
            seen = answer(service.snapshot(), service.clock.now_s())
            _say(link, ShopStanding(shop, "", str(service.server.port), seen.level, seen.headline))
    finally:
        service.stop()


def _told_to_stop(link: Connection) -> bool:
    try:
        return link.poll(SAY_EVERY_S) and link.recv() == STOP
    except (EOFError, OSError):
        return True


def _say(link: Connection, what: ShopStanding | str) -> None:
    try:
        link.send(what)
    except OSError:
        return  # the worker is gone, which the next look at the link finds
