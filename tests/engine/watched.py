"""The watch on real stores without broker and network; the machine's clock is the test's."""

import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor import clock as clock_module
from monitor.clock import SystemClock
from monitor.engine.bookkeeper import Keeper, shop_with_things
from monitor.engine.build import build_shop
from monitor.engine.derivation import Deriver
from monitor.engine.judging_watch import Watch
from monitor.engine.loop import CoreLoop
from monitor.engine.recount import Recounter
from monitor.model.level import Level
from monitor.model.picture import Picture
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.settings.file import load
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore
from monitor.store.opener import LEDGER_FILE, SERIES_FILE, open_ledger_for, open_series_store
from tests.engine.yard import START_S, write_shop

TICK_S = 10.0


class Machine:
    """Stands in for the module that reads the machine's clock; true time passes only by `passes`."""

    def __init__(self, true_s: float = START_S) -> None:
        self.true_s = true_s
        self.offset_s = 0.0

    def time(self) -> float:
        return self.true_s + self.offset_s

    def monotonic(self) -> float:
        return self.true_s


@contextmanager
def a_machine() -> Iterator[Machine]:
    """The machine's clock in the test's hand."""
    patch, machine = pytest.MonkeyPatch(), Machine()
    patch.setattr(clock_module, "time", machine)
    try:
        yield machine
    finally:
        patch.undo()


class Watched:
    """The small shop, its watch, and what a sensor tells it."""

    def __init__(self, folder: Path, machine: Machine, extra: str = "") -> None:
        file = write_shop(folder, 1, "http://127.0.0.1:1/")
        file.write_text(file.read_text(encoding="utf-8") + extra, encoding="utf-8")
        self.settings: Settings = load(file)
        self.folder = self.settings.service.data_dir
        self.folder.mkdir(exist_ok=True)
        self.machine = machine
        self.series: SeriesStore
        self.ledger: Ledger
        self.watch: Watch
        self.starts()

    def starts(self) -> None:
        """As the service starts."""
        self.clock = SystemClock()
        self.series, self.ledger = open_series_store(self.settings), open_ledger_for(self.settings)
        shop = shop_with_things(build_shop(self.settings), self.settings, self.series, self.ledger)
        recount = Recounter(Deriver(self.settings, self.series), self.series)
        loop = CoreLoop(
            shop, self.series, self.ledger, self.clock.now_s(), recount=recount, keep_damaged=self._keep
        )
        keeper = Keeper(self.settings, self.series, self.ledger, loop)
        self.watch = Watch(loop, keeper, self.ledger, self.clock)
        self.watch.catch_up(self.clock.now_s(), self.series.last_order())

    def _keep(self, state: bytes) -> str:
        (self.folder / "kept.damaged").write_bytes(state)
        return "kept.damaged"

    def is_killed(self) -> None:
        """No word is saved."""
        self.series.close()
        self.ledger.close()

    def restarts(self) -> None:
        """Killed and started again."""
        self.is_killed()
        self.starts()

    def looks(self) -> None:
        """One look of the core."""
        self.watch.judge(self.clock.now_s(), {})

    def hears(self, humidity: float, celsius: float = 15.0, *, behind_s: float | None = 0.0) -> None:
        """One message; it tells its own time, so many seconds behind the true one, or none (None)."""
        arrived_s = round(self.clock.now_s(), 3)
        time_s = arrived_s if behind_s is None else round(self.machine.true_s - behind_s, 3)
        wobble = round(self.machine.true_s) % 3
        values = {
            Quantity.AIR_TEMPERATURE: celsius + 0.01 * wobble,
            Quantity.RELATIVE_HUMIDITY: humidity + 0.0007 * wobble,
        }
        keys = {quantity: SeriesKey("slip-bay", "bay-1", quantity) for quantity in values}
        self.series.append([Reading(keys[q], time_s, arrived_s, value) for q, value in values.items()])

    def goes_on(
        self,
        seconds: float,
        humidity: float | None = 0.5,
        every_s: float = 10.0,
        behind_s: float | None = 0.0,
        celsius: float = 15.0,
    ) -> None:
        """Time passes; the sensor speaks and the core looks every few seconds."""
        end_s = self.machine.true_s + seconds
        while self.machine.true_s < end_s:
            self.machine.true_s += every_s
            if humidity is not None:
                self.hears(humidity, celsius, behind_s=behind_s)
            self.looks()

    @property
    def shown(self) -> Picture:
        """What everybody reads."""
        return self.watch.snapshot()

    def zone_level(self) -> Level:
        """What is said of the bay."""
        return self.shown.zones[0].level

    def alarms(self) -> set[str]:
        """The conditions that stand on the page."""
        return {alarm.condition for alarm in self.shown.alarms}

    def copies_store(self, to: Path) -> None:
        """A whole copy of the series file, as a backup keeps it."""
        self.series.backup(to)

    def puts_back(self, copy: Path) -> None:
        """An older file over the present one, by name, as `cp` and `mv` do."""
        part = self.folder / "part"
        shutil.copyfile(copy / SERIES_FILE, part)
        os.replace(part, self.folder / SERIES_FILE)

    def removes_store(self) -> None:
        """The file is taken away."""
        (self.folder / SERIES_FILE).unlink()

    def spoils_checkpoint(self) -> None:
        """The state in the ledger is no state any more."""
        with sqlite3.connect(self.folder / LEDGER_FILE) as db:
            db.execute("UPDATE checkpoint SET state = x'c1ff00'")
        db.close()
