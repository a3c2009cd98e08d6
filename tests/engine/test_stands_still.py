"""What is shown as judged was judged within the last few ticks of true time, or it is unknown and told."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.engine.loop import CoreLoop
from monitor.model.event import EventKind
from monitor.model.level import Level
from monitor.store.contract import StoreUnavailableError
from monitor.store.opener import open_series_store
from tests.engine.watched import Machine, Watched, a_machine

HOUR_S = 3_600.0
DAY_S = 86_400.0
HUMID = 0.93


@pytest.fixture
def machine() -> Iterator[Machine]:
    with a_machine() as stand_in:
        yield stand_in


@pytest.fixture
def yard(tmp_path: Path, machine: Machine) -> Iterator[Watched]:
    watched = Watched(tmp_path, machine)
    yield watched
    watched.is_killed()


def sweats(yard: Watched) -> None:
    """Sea air over a plate that is still cold, until it is told."""
    yard.goes_on(600.0, celsius=10.0, behind_s=None)
    yard.goes_on(600.0, HUMID, celsius=17.0, behind_s=None)


def why_anew(yard: Watched) -> list[str]:
    return [event.why.split(";")[0] for event in yard.ledger.events(kinds=[EventKind.SERVICE_ANEW])]


@pytest.mark.parametrize("ahead_s", [DAY_S, 3_000.0])
def test_a_clock_that_was_ahead_before_the_restart_does_not_stop_the_watch(
    yard: Watched, machine: Machine, ahead_s: float
) -> None:
    machine.offset_s = ahead_s
    yard.restarts()
    yard.goes_on(600.0)
    machine.offset_s = 0.0
    yard.restarts()
    assert yard.zone_level() is Level.UNKNOWN
    yard.goes_on(60.0, HUMID)
    assert yard.zone_level() is Level.CAUTION
    yard.goes_on(300.0, HUMID)
    assert "zone_humidity_high.slip-bay" in yard.alarms()
    assert f"the clock had been {ahead_s / 60:.0f} min ahead" in why_anew(yard)[-1]


def test_a_clock_set_back_by_an_hour_at_a_restart_does_not_stop_the_watch(
    yard: Watched, machine: Machine
) -> None:
    yard.goes_on(600.0)
    machine.offset_s = -HOUR_S
    yard.restarts()
    yard.goes_on(600.0, HUMID, behind_s=None)
    assert yard.zone_level() is Level.CAUTION
    assert "zone_humidity_high.slip-bay" in yard.alarms()


def test_a_clock_set_back_while_it_runs_does_not_make_a_sensor_with_the_right_time_late(
    yard: Watched, machine: Machine
) -> None:
    machine.offset_s = HOUR_S
    yard.restarts()
    yard.goes_on(600.0)
    machine.offset_s = 0.0
    yard.goes_on(600.0, HUMID)
    assert yard.zone_level() is Level.CAUTION
    assert "zone_humidity_high.slip-bay" in yard.alarms()


def test_air_measured_under_a_wrong_clock_is_not_taken_as_the_air_of_now(
    yard: Watched, machine: Machine
) -> None:
    machine.offset_s = DAY_S
    yard.restarts()
    yard.goes_on(600.0)
    machine.true_s += 8 * HOUR_S
    machine.offset_s = 0.0
    yard.restarts()
    yard.goes_on(300.0, None)
    assert yard.zone_level() is Level.UNKNOWN
    assert yard.shown.bodies[0].level is Level.UNKNOWN


def test_a_core_that_does_not_look_makes_everything_unknown_and_says_since_when(
    yard: Watched, machine: Machine
) -> None:
    yard.goes_on(600.0)
    assert yard.zone_level() is Level.SAFE
    machine.true_s += 61.0
    shown = yard.shown
    assert {one.level for one in (*shown.zones, *shown.bodies)} == {Level.UNKNOWN}
    assert shown.not_judged == "not judged for 1 min"
    machine.true_s += 9 * 60.0
    machine.offset_s = -600.0  # a clock set back onto the last tick does not make it fresh
    assert yard.zone_level() is Level.UNKNOWN


@pytest.mark.parametrize("running", [True, False], ids=["while it runs", "at a start"])
@pytest.mark.parametrize("what", ["removed", "older copy", "another store"])
def test_a_store_that_is_behind_its_checkpoint_skips_no_new_reading(
    yard: Watched, tmp_path: Path, what: str, running: bool
) -> None:
    yard.goes_on(300.0)
    copy = tmp_path / "copy"
    yard.copies_store(copy)
    yard.goes_on(1_200.0)
    if not running:
        yard.is_killed()
    if what == "older copy":
        yard.puts_back(copy)
    else:
        yard.removes_store()
    if not running:
        yard.starts()
    if what == "another store":
        yard.hears(0.5)
    yard.goes_on(30.0, HUMID)
    assert yard.zone_level() is Level.CAUTION
    yard.goes_on(120.0, HUMID)
    assert "zone_humidity_high.slip-bay" in yard.alarms()
    assert "the series store" in why_anew(yard)[-1]
    assert yard.watch.loop.state.order == yard.series.last_order()


def test_an_older_copy_that_has_grown_past_the_checkpoint_is_known_as_another(
    yard: Watched, tmp_path: Path, machine: Machine
) -> None:
    yard.goes_on(300.0)
    copy = tmp_path / "copy"
    yard.copies_store(copy)
    yard.goes_on(300.0)
    yard.is_killed()
    yard.puts_back(copy)
    yard.series = open_series_store(yard.settings)
    for _ in range(60):
        machine.true_s += 1.0
        yard.hears(HUMID)
    yard.series.close()
    yard.starts()
    assert "the series store holds other readings" in why_anew(yard)[-1]
    yard.goes_on(20.0, HUMID)
    assert yard.zone_level() is Level.CAUTION


def test_a_store_without_a_checkpoint_is_ready_after_a_day_of_its_readings(
    yard: Watched, machine: Machine
) -> None:
    for _ in range(200):  # of thirty days
        machine.true_s += 30 * DAY_S / 200
        yard.hears(0.5)
    yard.is_killed()
    (yard.folder / "ledger.sqlite").unlink()
    taken: list[int] = []
    real = CoreLoop._take

    def take(loop: CoreLoop, readings: list, now_s: float = 0.0) -> None:
        taken.append(len(readings))
        real(loop, readings, now_s)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(CoreLoop, "_take", take)
        yard.starts()
    assert 0 < sum(taken) < 40
    assert why_anew(yard) == ["no checkpoint lies beside the stored readings"]
    assert yard.watch.loop.state.order == yard.series.last_order()
    yard.goes_on(20.0, HUMID)
    assert yard.zone_level() is Level.CAUTION


def test_a_damaged_checkpoint_is_kept_said_and_begun_anew(yard: Watched) -> None:
    yard.goes_on(600.0)
    yard.is_killed()
    yard.spoils_checkpoint()
    yard.starts()
    assert "the checkpoint is damaged" in why_anew(yard)[-1]
    assert "kept.damaged" in why_anew(yard)[-1] + yard.ledger.events(kinds=[EventKind.SERVICE_ANEW])[-1].why
    assert (yard.folder / "kept.damaged").read_bytes() == b"\xc1\xff\x00"
    assert yard.zone_level() is Level.UNKNOWN
    yard.goes_on(20.0, HUMID)
    assert yard.zone_level() is Level.CAUTION


def test_a_restart_before_the_first_regular_checkpoint_does_not_begin_an_alarms_delay_again(
    tmp_path: Path, machine: Machine
) -> None:
    yard = Watched(tmp_path, machine)
    try:
        assert yard.ledger.checkpoint() is not None
        for _ in range(4):  # each shorter than the delay of 30 s and than the checkpoint's two minutes
            yard.goes_on(20.0, HUMID)
            yard.restarts()
        yard.goes_on(10.0, HUMID)
        assert "zone_humidity_high.slip-bay" in yard.alarms()
    finally:
        yard.is_killed()


def test_an_alarm_that_stood_before_the_clock_was_put_right_is_not_told_again(
    yard: Watched, machine: Machine
) -> None:
    machine.offset_s = DAY_S
    yard.restarts()
    sweats(yard)
    told = len(yard.ledger.outbox())
    assert told > 0
    machine.offset_s = 0.0
    yard.goes_on(600.0, HUMID, celsius=17.0, behind_s=None)
    assert len(yard.ledger.outbox()) == told
    assert yard.shown.alarms != ()
    assert all(alarm.since_s <= machine.time() for alarm in yard.shown.alarms)


def test_a_message_that_waits_for_an_undone_time_goes_out_now(yard: Watched, machine: Machine) -> None:
    machine.offset_s = DAY_S
    yard.restarts()
    sweats(yard)
    machine.offset_s = 0.0
    assert yard.ledger.due(machine.time()) == []
    yard.looks()
    assert yard.ledger.due(machine.time()) != []


def test_what_has_arrived_in_the_future_is_judged_as_of_now(yard: Watched, machine: Machine) -> None:
    yard.goes_on(60.0)
    machine.offset_s = HOUR_S
    yard.hears(0.5, behind_s=None)  # stored, and the service killed before it was judged
    machine.offset_s = 0.0
    yard.restarts()
    yard.goes_on(60.0, HUMID)
    assert yard.watch.loop.state.time_s <= machine.time()
    assert yard.zone_level() is Level.CAUTION


def test_a_device_that_tells_no_time_is_judged_by_arrival(yard: Watched) -> None:
    yard.goes_on(60.0, behind_s=None)
    assert yard.zone_level() is Level.SAFE
    yard.goes_on(60.0, HUMID, behind_s=None)
    assert yard.zone_level() is Level.CAUTION
    yard.goes_on(1200.0, None)
    assert yard.zone_level() is Level.UNKNOWN


def test_a_machines_clock_that_stands_still_is_not_safe_and_does_not_hide_humid_air(
    yard: Watched, machine: Machine
) -> None:
    yard.goes_on(60.0)
    for _ in range(60):
        machine.offset_s -= 10.0
        yard.goes_on(10.0, HUMID, behind_s=None)
    assert yard.zone_level() is not Level.SAFE


@pytest.mark.parametrize("replaced", [False, True], ids=["removed", "replaced"])
def test_a_ledger_taken_away_while_it_runs_is_noticed_and_nothing_counts_as_judged(
    yard: Watched, machine: Machine, *, replaced: bool
) -> None:
    """The core's every tick fails where nothing can be written down, as on a full disk."""
    yard.goes_on(60.0)
    ledger = yard.folder / "ledger.sqlite"
    if replaced:
        shutil.copyfile(ledger, yard.folder / "older")
        os.replace(yard.folder / "older", ledger)
    else:
        ledger.unlink()
    with pytest.raises(StoreUnavailableError, match=r"removed or replaced while in use.*restart"):
        yard.goes_on(600.0, HUMID)
    machine.true_s += 600.0
    assert yard.zone_level() is Level.UNKNOWN
    assert yard.shown.not_judged
    yard.restarts()
    yard.goes_on(60.0, HUMID)
    assert yard.zone_level() is Level.CAUTION
