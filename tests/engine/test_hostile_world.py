"""A hostile clock, a hostile store and hostile devices: what is shown is what is stored says, or is unknown.

A state machine in the manner of Claessen and Hughes (QuickCheck, 2000), by Hypothesis, repeatable.
"""

import shutil
import tempfile
from contextlib import ExitStack
from pathlib import Path

from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule, run_state_machine_as_test

from monitor.engine.build import build_shop
from monitor.engine.loop import CoreLoop
from monitor.model.level import Level
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.series.sqlite_series import SqliteSeriesStore
from tests.engine.watched import TICK_S, Watched, a_machine

MINUTE_S, HOUR_S, DAY_S = 60.0, 3_600.0, 86_400.0
HUMIDITIES = st.sampled_from([0.45, 0.93])
JUMPS_S = st.sampled_from([-DAY_S, -HOUR_S, -3 * MINUTE_S, 3 * MINUTE_S, 50 * MINUTE_S, DAY_S, 3 * DAY_S])
OWN_TIMES_S = st.sampled_from([None, 0.0, -2 * HOUR_S, HOUR_S, DAY_S])  # behind the true time; None: no clock


class HostileWorld(RuleBasedStateMachine):
    """The watch on the small shop, against everything."""

    @initialize()
    def begins(self) -> None:
        self.stack = ExitStack()
        self.machine = self.stack.enter_context(a_machine())
        self.folder = Path(self.stack.enter_context(tempfile.TemporaryDirectory()))
        self.yard = Watched(self.folder, self.machine)
        self.yard.goes_on(MINUTE_S)
        self.copy = self.folder / "copy"
        self.yard.copies_store(self.copy)

    def teardown(self) -> None:
        if hasattr(self, "stack"):
            self.yard.is_killed()
            self.stack.close()

    @rule(humidity=HUMIDITIES, behind_s=OWN_TIMES_S, ticks=st.sampled_from([2, 7]))
    def sensor_speaks(self, humidity: float, behind_s: float | None, ticks: int) -> None:
        self.yard.goes_on(ticks * TICK_S, humidity, behind_s=behind_s)

    @rule(minutes=st.sampled_from([1, 20, 600]))
    def sensor_is_silent(self, minutes: int) -> None:
        self.machine.true_s += minutes * MINUTE_S
        self.yard.looks()

    @rule(seconds=st.sampled_from([30.0, 90.0, HOUR_S]))
    def nobody_looks(self, seconds: float) -> None:
        self.machine.true_s += seconds

    @rule(humidity=HUMIDITIES)
    def message_is_repeated(self, humidity: float) -> None:
        self.yard.hears(humidity)
        self.yard.hears(humidity)
        self.yard.looks()

    @rule(jump_s=JUMPS_S)
    def clock_jumps(self, jump_s: float) -> None:
        self.machine.offset_s += jump_s

    @rule()
    def clock_is_put_right(self) -> None:
        self.machine.offset_s = 0.0

    @rule()
    def killed_and_started(self) -> None:
        self.yard.restarts()

    @rule()
    def store_is_copied(self) -> None:
        self.yard.copies_store(self.copy)

    @rule(running=st.booleans())
    def older_store_is_put_back(self, running: bool) -> None:
        if not running:
            self.yard.is_killed()
        self.yard.puts_back(self.copy)
        if not running:
            self.yard.starts()

    @rule(running=st.booleans())
    def store_is_removed(self, running: bool) -> None:
        if not running:
            self.yard.is_killed()
        self.yard.removes_store()
        if not running:
            self.yard.starts()

    @rule()
    def checkpoint_is_spoiled(self) -> None:
        self.yard.is_killed()
        self.yard.spoils_checkpoint()
        self.yard.starts()

    @invariant()
    def shown_is_stored_or_unknown(self) -> None:
        if not hasattr(self, "yard"):
            return
        shown = self.yard.shown
        levels = {one.level for one in (*shown.zones, *shown.bodies)}
        if shown.not_judged:
            assert levels == {Level.UNKNOWN}
            return
        assert abs(shown.time_s - self.yard.clock.now_s()) <= 6 * TICK_S
        if shown.zones[0].level is not Level.UNKNOWN:
            assert shown.zones[0].level is self.replayed(shown.time_s)

    def replayed(self, tick_s: float) -> Level:
        """The bay's level as a fresh core finds it in what is stored, at the same tick."""
        apart = Path(tempfile.mkdtemp(dir=self.folder))
        self.yard.copies_store(apart)
        series = SqliteSeriesStore(apart / "series.sqlite")
        ledger = open_ledger(f"sqlite:///{apart / 'ledger.sqlite'}")
        try:
            loop = CoreLoop(build_shop(self.yard.settings), series, ledger, tick_s - TICK_S / 2)
            loop.advance_to(tick_s, tick_s)
            return loop.snapshot().zones[0].level
        finally:
            series.close()
            ledger.close()
            shutil.rmtree(apart)


def test_whatever_clock_store_and_devices_do_the_shown_judgement_is_the_stored_ones_or_unknown() -> None:
    run_state_machine_as_test(
        HostileWorld,
        settings=settings(
            max_examples=20,
            stateful_step_count=12,
            deadline=None,
            derandomize=True,
            database=None,
            suppress_health_check=list(HealthCheck),
        ),
    )
