"""Readings that come late after an outage refill the clocks of the packages that lay in that air.

The air is invented; what is asserted are the rules: the same counts as if the readings had come in time, the
same in a replay, nothing but measured data makes a verdict milder, and the ledger says old and new.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_clock import ExposureClock
from monitor.engine.recount import Recounter
from monitor.history.entries import Moved
from monitor.model.event import Event, EventKind
from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.bookkeeper.test_clocks import RODS, SPOOL, anew, clock_of, same
from tests.bookkeeper.yard import AIR, HOUR, START_S, Yard, yard_settings


class PowerCutError(Exception):
    """The service ends in the middle of its work."""


GAP = (START_S + HOUR, START_S + 4 * HOUR)
END_S = START_S + 5 * HOUR
SENSORS = {"slip-bay": (18.0, 0.85), "panel-hall": (20.0, 0.55)}


def silent(zone: str):
    """The zone's air as ever, but the sensor's messages do not get through in the gap."""
    usual = AIR[zone]
    return lambda time_s: None if GAP[0] < time_s <= GAP[1] else usual(time_s)


def backlog(
    zone: str, arrived_s: float, *, every_s: float = 120.0, air: tuple[float, float] | None = None
) -> list[Reading]:
    """What the sensor had kept: measured in the gap, delivered much later."""
    warm, damp = air or SENSORS[zone]
    found: list[Reading] = []
    time_s = GAP[0] + 119.0
    while time_s <= GAP[1]:
        for quantity, value in ((Quantity.AIR_TEMPERATURE, warm), (Quantity.RELATIVE_HUMIDITY, damp)):
            found.append(Reading(SeriesKey(zone, f"{zone}-1", quantity), time_s, arrived_s, value))
        time_s += every_s
    return found


def open_yard(folder: Path, *, gap: bool = True) -> Yard:
    folder.mkdir(exist_ok=True)
    yard = Yard(folder, yard_settings(folder))
    yard.run_to(START_S + 1200.0)
    yard.enter("rods-3", RODS)
    yard.enter("spool-9", SPOOL)
    if gap:
        for zone in SENSORS:
            yard.air[zone] = silent(zone)
    return yard


@pytest.fixture
def late(tmp_path: Path) -> Iterator[Yard]:
    yard = open_yard(tmp_path / "late")
    yield yard
    yard.close()


def deliver(yard: Yard, *zones: str) -> None:
    """The backlog comes in now, and time goes on for a while."""
    for zone in zones:
        yard.series.append(backlog(zone, yard.fed_s))
    yard.run_to(yard.fed_s + 1200.0)


def tick_by_tick(yard: Yard, ticks: int) -> None:
    for _ in range(ticks):
        yard.run_to(yard.fed_s + 120.0)


def recounts(yard: Yard, package: str) -> list[Event]:
    return [one for one in yard.ledger.events(subject=package) if one.kind is EventKind.RECOUNT]


def counts(clock: ExposureClock) -> tuple[float, ...]:
    return (clock.open_s, clock.unknown_s, clock.beyond_s, round(clock.weighted_s, 3))


def test_a_gap_counts_as_not_known_until_its_readings_come_and_then_as_if_they_had_come_in_time(
    tmp_path: Path, late: Yard
) -> None:
    timely = open_yard(tmp_path / "timely", gap=False)
    late.run_to(END_S)
    assert clock_of(late, "rods-3").unknown_s > 2.5 * HOUR
    assert clock_of(late, "spool-9").unknown_s > 2.5 * HOUR
    deliver(late, "panel-hall", "slip-bay")
    timely.run_to(late.fed_s)
    for package in ("rods-3", "spool-9"):
        found, wanted = clock_of(late, package), clock_of(timely, package)
        assert found.unknown_s == 0.0
        assert found.open_s == wanted.open_s
        assert found.weighted_s == pytest.approx(wanted.weighted_s, rel=1e-4)
        assert found.uptake_kgkg == pytest.approx(wanted.uptake_kgkg, rel=1e-3)
        same(found, anew(late, package))
    timely.close()


def test_the_ledger_says_that_the_clock_was_counted_again_and_why_with_old_and_new(late: Yard) -> None:
    late.run_to(END_S)
    before = late.package("spool-9")
    deliver(late, "slip-bay")
    (event,) = recounts(late, "spool-9")
    assert "readings of Slip Bay came late" in event.why
    assert event.body["before"]["unknown_h"] == pytest.approx(before.unknown_h, abs=0.3)
    assert event.body["after"]["unknown_h"] == 0.0
    assert set(event.body["before"]) == {"verdict", "used_h", "weighted_h", "unknown_h"}
    assert event.body["filled"]["slip-bay"]["from_s"] == pytest.approx(GAP[0], abs=1200.0)
    assert late.ledger.verify().broken_at is None


def test_only_packages_of_that_air_are_counted_again(late: Yard) -> None:
    late.run_to(END_S)
    deliver(late, "slip-bay")
    assert len(recounts(late, "spool-9")) == 1
    assert recounts(late, "rods-3") == []
    assert clock_of(late, "rods-3").unknown_s > 2.5 * HOUR


def test_a_replay_gives_the_same_clocks_and_the_same_entries(tmp_path: Path, late: Yard) -> None:
    again = open_yard(tmp_path / "again")
    for yard, steps in ((late, 20), (again, 1)):
        for n in range(1, steps + 1):
            yard.run_to(START_S + 1200.0 + (END_S - START_S - 1200.0) * n / steps)
        deliver(yard, "panel-hall", "slip-bay")
    for package in ("rods-3", "spool-9"):
        assert clock_of(again, package) == clock_of(late, package)
        told, told_again = recounts(late, package), recounts(again, package)
        assert [(e.time_s, e.body, e.why) for e in told] == [(e.time_s, e.body, e.why) for e in told_again]
    assert replace(again.loop.state, store=late.loop.state.store) == late.loop.state  # each has its own store
    again.close()


def test_a_restart_while_the_backlog_comes_in_gives_the_same_clock(tmp_path: Path, late: Yard) -> None:
    whole = open_yard(tmp_path / "whole")
    for yard, restarts in ((late, True), (whole, False)):
        yard.run_to(END_S)
        first, rest = (
            backlog("slip-bay", yard.fed_s)[:80],
            backlog("slip-bay", yard.fed_s + 60.0)[80:],
        )
        yard.series.append(first)
        yard.run_to(yard.fed_s + 60.0)
        if restarts:
            yard.restart()
        yard.series.append(rest)
        yard.run_to(yard.fed_s + 1500.0)
    assert counts(clock_of(late, "spool-9")) == counts(clock_of(whole, "spool-9"))
    assert clock_of(late, "spool-9").unknown_s == 0.0
    whole.close()


def test_without_readings_nothing_is_milder_however_long_one_waits(late: Yard) -> None:
    late.run_to(END_S)
    before = clock_of(late, "spool-9").unknown_s
    late.run_to(END_S + HOUR)
    assert clock_of(late, "spool-9").unknown_s == before
    assert recounts(late, "spool-9") == []


def test_late_readings_of_air_wetter_than_the_test_make_a_verdict_stricter(late: Yard) -> None:
    late.run_to(END_S)
    before = late.package("spool-9")
    late.series.append(backlog("slip-bay", late.fed_s, air=(34.0, 0.95)))
    late.run_to(late.fed_s + 1200.0)
    after = clock_of(late, "spool-9")
    assert after.weighted_s / HOUR > before.weighted_h + 1.0
    (event,) = recounts(late, "spool-9")
    assert event.body["after"]["weighted_h"] > event.body["before"]["weighted_h"]


def test_late_readings_that_cannot_be_believed_fill_nothing(late: Yard) -> None:
    late.run_to(END_S)
    before = clock_of(late, "spool-9").unknown_s
    late.series.append(backlog("slip-bay", late.fed_s, air=(900.0, 0.5)))
    late.run_to(late.fed_s + 1200.0)
    assert clock_of(late, "spool-9").unknown_s == before


def test_half_a_backlog_fills_half_and_the_rest_fills_when_it_comes(late: Yard) -> None:
    late.run_to(END_S)
    whole = backlog("slip-bay", late.fed_s)
    late.series.append([one for one in whole if one.time_s < GAP[0] + 1.5 * HOUR])
    late.run_to(late.fed_s + 1200.0)
    half = clock_of(late, "spool-9").unknown_s
    assert 1.2 * HOUR < half < 1.8 * HOUR
    late.series.append(
        [one._replace(arrived_s=late.fed_s) for one in whole if one.time_s >= GAP[0] + 1.5 * HOUR]
    )
    late.run_to(late.fed_s + 1200.0)
    assert clock_of(late, "spool-9").unknown_s == 0.0
    assert len(recounts(late, "spool-9")) == 2


def test_readings_kept_by_the_broker_while_the_service_was_down_fill_the_gap(late: Yard) -> None:
    late.run_to(GAP[0])
    late.loop.save()
    late.close()
    late.open()
    late.fed_s = GAP[1]
    late.loop.resume(GAP[1])
    late.keeper.load()
    deliver(late, "slip-bay")
    assert clock_of(late, "spool-9").unknown_s == 0.0
    same(clock_of(late, "spool-9"), anew(late, "spool-9"))


def test_an_oven_heard_late_was_hot_all_the_time(late: Yard) -> None:
    late.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    late.air["rod-oven"] = silent("rod-oven")
    late.run_to(END_S)
    before = clock_of(late, "rods-3")
    assert before.unproven_s > 2.5 * HOUR
    key = SeriesKey("rod-oven", "rod-oven-1", Quantity.AIR_TEMPERATURE)
    late.series.append([Reading(key, GAP[0] + 119.0 + n * 120.0, late.fed_s, 130.0) for n in range(90)])
    late.run_to(late.fed_s + 1200.0)
    assert clock_of(late, "rods-3").unproven_s == 120.0  # until the oven was read in this stay
    same(clock_of(late, "rods-3"), anew(late, "rods-3"))


def test_a_backlog_far_finer_than_the_record_is_thinned_and_fills_the_whole_gap(late: Yard) -> None:
    late.run_to(END_S)
    late.series.append(backlog("slip-bay", late.fed_s, every_s=2.0))
    late.loop.advance_to(late.fed_s + 1.0)
    waiting = late.loop.state.late.get("slip-bay", ())
    assert 0 < len(waiting) <= 2 * (GAP[1] - GAP[0]) / 120.0 + 2
    late.run_to(late.fed_s + 1200.0)
    assert clock_of(late, "spool-9").unknown_s == 0.0


@pytest.mark.parametrize("checkpointed", [True, False])
def test_a_power_cut_between_filling_and_counting_again_loses_no_entry(
    late: Yard, checkpointed: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    late.run_to(END_S)
    before = late.package("spool-9")
    late.loop.save()
    late.series.append(backlog("slip-bay", late.fed_s))

    def cut(*_: object) -> None:
        if checkpointed:
            late.loop.save()
        raise PowerCutError

    with monkeypatch.context() as patch:
        patch.setattr(Recounter, "__call__", cut)
        with pytest.raises(PowerCutError):
            tick_by_tick(late, 10)  # so that nothing has arrived since the gap was filled
    late.restart()
    late.run_to(late.fed_s + 1200.0)
    late.restart()
    (event,) = recounts(late, "spool-9")
    assert event.body["before"]["unknown_h"] == pytest.approx(before.unknown_h, abs=0.4)
    assert event.body["after"]["unknown_h"] == 0.0
    assert clock_of(late, "spool-9").unknown_s == 0.0
