"""Entries move clocks: at once, back-dated, corrected, and the same after a restart as before.

Hours against AWS D1.1/D1.1M:2015, Table 5.1 and 5.3.2, and the 72 h at 80 °F / 80 %RH of AWS D1.8, as
`shared/consumables.toml` quotes them with their provenance.
"""

from collections.abc import Sequence
from dataclasses import replace

import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_clock import ExposureClock
from monitor.core.state import ServiceFacts
from monitor.history.entries import GotWet, Moved, Opened, RanOff, TestBead, Withdrawn
from monitor.model.picture import PackageNow
from tests.bookkeeper.yard import HOUR, START_S, Yard

RODS = Opened("Rods 3", "e7018", "panel-hall", Place.OPEN_AIR, lot="L-77", job="Rudder")
SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay", Place.ON_MACHINE, spool="s300")


def clock_of(yard: Yard, package: str) -> ExposureClock:
    return yard.loop.state.clocks[package]


def same(live: ExposureClock, anew: ExposureClock) -> None:
    """Counts exactly alike, sums of floats to their last digits."""
    counts = {
        "open_s",
        "unknown_s",
        "unproven_s",
        "beyond_s",
        "whole_open_s",
        "counting",
        "restarts",
        "rebakes",
        "wet",
        "withdrawn",
        "unsound_beads",
        "place",
        "zone",
        "time_s",
        "heat",
    }
    for name in sorted(counts):
        assert getattr(live, name) == getattr(anew, name), name
    assert live.weighted_s == pytest.approx(anew.weighted_s, rel=1e-9, abs=1e-6)
    assert live.uptake_kgkg == pytest.approx(anew.uptake_kgkg, rel=1e-6, abs=1e-12)


def anew(yard: Yard, package: str) -> ExposureClock:
    """From the whole history and the stored air, as if nothing had been carried along."""
    found = yard.keeper.clock_at(package, clock_of(yard, package).time_s)
    assert found is not None
    return found


def rounded(packages: Sequence[PackageNow]) -> list[PackageNow]:
    """Without the last digits of sums of floats."""
    return [
        replace(p, weighted_h=round(p.weighted_h, 9), uptake_frac=round(p.uptake_frac or 0.0, 9))
        for p in packages
    ]


def test_a_package_opened_now_is_in_the_picture_at_once_and_counts(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    assert yard.package("rods-3").open_now
    assert (yard.package("rods-3").lot, yard.package("rods-3").job) == ("L-77", "Rudder")
    yard.run_to(START_S + 600 + 3 * HOUR)
    now = yard.package("rods-3")
    assert now.used_h == pytest.approx(3.0, abs=0.04)
    assert now.limit_h == 4.0  # D1.1 Table 5.1 column A for E7018
    assert now.left_h == pytest.approx(1.0, abs=0.04)


def test_a_tap_shows_at_once_and_not_only_at_the_next_tick(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + 1205)
    yard.enter("spool-9", Moved(Place.BAGGED, "slip-bay"), yard.fed_s)
    assert not yard.package("spool-9").open_now
    assert yard.package("spool-9").place == "bagged"
    assert yard.package("spool-9").used_h == pytest.approx(605 / HOUR, abs=1e-5)


def test_opened_at_six_entered_at_nine_counts_from_six(yard: Yard) -> None:
    yard.run_to(START_S + 4 * HOUR)
    yard.enter("rods-3", RODS, START_S + HOUR)
    assert yard.package("rods-3").used_h == pytest.approx(3.0, abs=0.04)
    same(clock_of(yard, "rods-3"), anew(yard, "rods-3"))
    yard.run_to(START_S + 5.5 * HOUR)
    assert yard.package("rods-3").verdict == "over"


def test_clocks_carried_along_equal_clocks_derived_anew(worded_yard: Yard) -> None:
    yard = worded_yard
    yard.air["slip-bay"] = lambda t: (16.0 + 3.0 * ((t // 1800) % 3), 0.6 + 0.1 * ((t // 900) % 4))
    yard.run_to(START_S + 1000)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + 2 * HOUR)
    yard.enter("spool-9", Moved(Place.DRY_CABINET, "dry-cabinet"))
    yard.run_to(START_S + 3 * HOUR + 17)
    yard.enter("spool-9", Moved(Place.ON_MACHINE, "panel-hall"))
    yard.run_to(START_S + 4 * HOUR + 23)
    yard.enter("spool-9", RanOff(0.0024, minutes=12))
    yard.enter("spool-9", TestBead(sound=False))
    yard.run_to(START_S + 5 * HOUR + 41)
    yard.enter("spool-9", TestBead(sound=True))
    yard.enter("spool-9", Moved(Place.BAGGED, "panel-hall"))
    yard.run_to(START_S + 6 * HOUR + 5)
    live = clock_of(yard, "spool-9")
    same(live, anew(yard, "spool-9"))
    assert live.open_s == pytest.approx((2 * HOUR - 1000) + (2 * HOUR + 41 - 17), abs=0.01)
    assert live.unsound_beads == 0
    assert not live.counting


def test_air_nobody_measured_counts_and_is_said(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.air["slip-bay"] = lambda _: None
    yard.run_to(START_S + 600 + 3 * HOUR)
    live = clock_of(yard, "spool-9")
    same(live, anew(yard, "spool-9"))
    # known for stale_after_s after the last reading, and for three derived points
    assert live.unknown_s == pytest.approx(3 * HOUR - 660, abs=121)
    assert live.open_s == pytest.approx(3 * HOUR, abs=0.01)
    assert "not known" in " ".join(yard.package("spool-9").notes)


def test_what_was_learned_survives_a_stop_and_a_power_cut(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 2 * HOUR)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.run_to(START_S + 2.5 * HOUR)
    before = yard.loop.snapshot()
    for clean in (True, False):
        yard.restart(clean=clean)
        after = yard.loop.snapshot()
        assert rounded(after.packages) == rounded(before.packages)
        for package in ("spool-9", "rods-3"):
            same(clock_of(yard, package), anew(yard, package))
    assert yard.keeper.refusals == {}


def test_an_entry_made_just_before_a_power_cut_is_not_lost(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.run_to(START_S + 1200)
    yard.enter("spool-9", GotWet(), START_S + 900)
    yard.restart()
    assert yard.package("spool-9").verdict == "withdraw"
    assert clock_of(yard, "spool-9").wet


def test_a_hold_in_a_proven_oven_starts_the_count_anew_where_the_shop_names_who_reads_it_so(
    worded_yard: Yard,
) -> None:
    """D1.1:2015 5.3.2.2: exposed less than column A, at least 4 h at 120 °C or more, then reissued."""
    yard = worded_yard
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 3 * HOUR)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.run_to(START_S + 600 + 6.9 * HOUR)
    # with the minutes until the oven has been read in this stay
    assert yard.package("rods-3").used_h == pytest.approx(3.0 + 2 / 60, abs=0.001)
    yard.run_to(START_S + 600 + 7.2 * HOUR)
    assert yard.package("rods-3").used_h == pytest.approx(0.0, abs=0.02)
    same(clock_of(yard, "rods-3"), anew(yard, "rods-3"))


def test_a_hold_in_a_proven_oven_gives_no_hour_back_by_itself(yard: Yard) -> None:
    """D1.1:2015 5.3.2.2 permits reissue; that the count begins anew is only the trade's reading."""
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + 3 * HOUR)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.run_to(START_S + 600 + 7.2 * HOUR)
    # with the minutes until the oven has been read in this stay
    assert yard.package("rods-3").used_h == pytest.approx(3.0 + 2 / 60, abs=0.001)
    same(clock_of(yard, "rods-3"), anew(yard, "rods-3"))


def test_an_oven_that_went_cold_does_not_stop_the_clock(yard: Yard) -> None:
    yard.air["rod-oven"] = lambda t: (130.0 if t < START_S + 2 * HOUR else 90.0, None)
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + HOUR)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.run_to(START_S + 4 * HOUR)
    live = clock_of(yard, "rods-3")
    # with the minutes until the oven was read in this stay, and since it was read last
    assert live.open_s == pytest.approx(HOUR - 600 + 2 * HOUR + 180, abs=121)
    same(live, anew(yard, "rods-3"))


def test_a_withdrawn_package_is_carried_for_a_week_and_then_left_to_the_record(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Withdrawn())
    yard.run_to(START_S + 1200)
    assert yard.package("rods-3").verdict == "withdraw"
    yard.loop.resume(START_S + 8 * 86_400)
    yard.fed_s = START_S + 8 * 86_400
    yard.restart()
    assert [p.id for p in yard.loop.snapshot().packages] == []
    assert yard.keeper.history("rods-3") is not None


def test_a_wire_over_its_hours_is_told_how_to_be_run_off_and_a_fresh_one_is_not(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    yard.enter("spool-8", replace(SPOOL, spool=""), START_S - 80 * HOUR)
    yard.run_to(START_S + HOUR)
    assert yard.keeper.run_off("spool-9") is None
    guide = yard.keeper.run_off("spool-8")  # its 72 h are over; which spool it is nobody said
    assert guide is not None
    assert guide.estimate == (
        "How many layers and kilograms is not known: nobody said its spool and its wire size."
    )
    yard.enter("spool-9", TestBead(False))
    told = yard.keeper.run_off("spool-9")
    assert told is not None
    assert told.why == "The last test bead was not sound."
    assert yard.keeper.run_off("spool-77") is None


def test_a_package_withdrawn_long_ago_is_let_go_while_the_service_runs(yard: Yard) -> None:
    yard.every_s = 4 * HOUR
    yard.run_to(START_S + 1200.0)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Withdrawn())
    yard.run_to(START_S + 8 * 24 * HOUR)
    yard.enter("spool-9", SPOOL)
    assert set(yard.loop.state.clocks) <= {"spool-9"}
    assert "rods-3" not in yard.loop.shop.packages


def test_rods_with_an_r_keep_their_hours_over_moves_where_the_air_is_measured(yard: Yard) -> None:
    """D1.1 Table 5.1: 9 h for R, in air no wetter than the test's (`shared/consumables.toml`)."""
    yard.run_to(START_S + 617)
    yard.enter("rods-r", replace(RODS, consumable="e7018-r"))
    yard.run_to(START_S + HOUR + 43)
    yard.enter("rods-r", Moved(Place.ON_MACHINE, "panel-hall"))
    yard.run_to(START_S + 3 * HOUR)
    live = clock_of(yard, "rods-r")
    same(live, anew(yard, "rods-r"))
    assert (live.unknown_s, yard.package("rods-r").limit_h) == (0.0, 9.0)
    yard.air["panel-hall"] = lambda _: None
    yard.run_to(START_S + 4 * HOUR)
    assert yard.package("rods-r").limit_h == 4.0


def test_the_picture_is_drawn_once_for_each_state(yard: Yard) -> None:
    yard.run_to(START_S + HOUR)
    yard.loop.put(ServiceFacts({"broker_away": 0.0}))
    first = yard.loop.snapshot()
    yard.loop.put(ServiceFacts({"broker_away": 0.0}))  # said every second, and nothing new
    assert yard.loop.snapshot() is first
    yard.run_to(START_S + 1.1 * HOUR)
    assert yard.loop.snapshot() is not first
    assert yard.loop.snapshot().time_s == yard.loop.state.time_s
