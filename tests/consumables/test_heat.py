"""What readings of an oven prove, after AWS D1.1/D1.1M:2015 5.3.2: hold, slow first step, bake, one rebake.

Temperatures and hours are those of `shared/consumables.toml`, quoted there with their sources.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import NO_AIR, AirSamples
from monitor.consumables.exposure_clock import ExposureClock, clock_over
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.standing import DecidingRule, Standing
from monitor.consumables.stays import Stay, StoreReading
from monitor.consumables.verdict import package_verdict
from monitor.model.shop_rule import ShopRule

H = 3600.0
OPEN_H = 3.0  # of the 4 h of E7018
Rules = Callable[..., ClockRules]
TRADE = ShopRule(hold_restarts_clock=True, document="WPS 7")  # a hold begins the count anew


def measured(*steps: tuple[float, float, float], every_s: float = 60.0) -> AirSamples:
    """A sensor that reads every minute: from, to (hours), temperature."""
    times = [np.arange(start * H, end * H + 1.0, every_s) for start, end, _ in steps]
    heat = [np.full(t.size, warm_c) for t, (_, _, warm_c) in zip(times, steps, strict=True)]
    joined, found = np.concatenate(times), np.concatenate(heat)
    _, first = np.unique(joined, return_index=True)
    nothing = np.full(first.size, np.nan)
    return AirSamples(joined[first], found[first], nothing, np.ones(first.size, dtype=np.bool_))


def in_oven(
    rules: ClockRules,
    until_h: float,
    *hand: tuple[float, float],
    air: AirSamples = NO_AIR,
    place: Place = Place.HOLDING_OVEN,
) -> ExposureClock:
    """Three hours in the open, then in the oven; `hand`: hours and °C that a person read there."""
    stays = (
        Stay(Place.OPEN_AIR, None, 0.0, OPEN_H * H),
        Stay(
            place, "oven", OPEN_H * H, None, checks=tuple(StoreReading(h * H, warm_c) for h, warm_c in hand)
        ),
    )

    def lookup(_: str, start_s: float, end_s: float) -> AirSamples:
        use = (air.times_s >= start_s) & (air.times_s <= end_s)
        return AirSamples(air.times_s[use], air.temperature_c[use], air.rh_frac[use], air.believed[use])

    return clock_over(stays, lookup, rules, until_h * H)


HOURLY = tuple((float(h), 150.0) for h in range(3, 8))


@pytest.mark.parametrize(
    ("hand", "held"),
    [
        (HOURLY, True),
        (((2.5, 150.0),), False),  # read before the rods went in
        (((3.0, 150.0),), False),  # one number
        (((3.0, 150.0), (7.0, 150.0)), False),  # four hours between two readings
        (((2.5, 150.0), *HOURLY[1:]), False),  # only three hours lie between readings of the stay
        ((*HOURLY[:2], (4.5, 100.0), *HOURLY[2:]), False),  # found cold once
        ((*HOURLY[:4], (7.0, 100.0)), False),  # found cold at the end
    ],
)
def test_a_hold_is_proved_only_by_readings_on_both_sides_of_it(
    rules_for: Rules, hand: tuple[tuple[float, float], ...], held: bool
) -> None:
    clock = in_oven(rules_for("e7018", TRADE), 7.0, *hand)
    assert clock.restarts == (1 if held else 0)
    assert (clock.open_s < OPEN_H * H) is held


def test_a_persons_reading_never_speaks_again_after_a_sensor_has_spoken(rules_for: Rules) -> None:
    # 150 °C by hand, then the sensor falls to 35 °C and dies: the rods lie open from there on
    air = measured((3.2, 3.4, 35.0))
    clock = in_oven(rules_for("e7018", TRADE), 12.0, (3.1, 150.0), air=air)
    assert clock.restarts == 0
    assert clock.open_s == 12.0 * H
    newer = in_oven(rules_for("e7018"), 12.0, (3.1, 150.0), (4.0, 150.0), air=air)
    assert newer.open_s == 12.0 * H  # nor one more number, until the next is read
    both = in_oven(rules_for("e7018"), 12.0, (3.1, 150.0), (4.0, 150.0), (11.0, 150.0), air=air)
    assert both.open_s == 5.0 * H
    notes = package_verdict(both, rules_for("e7018")).notes
    assert any("between readings by a person" in note for note in notes)


def test_beside_a_sensor_that_speaks_the_colder_of_the_two_counts(rules_for: Rules) -> None:
    air = measured((3.0, 5.0, 90.0), every_s=600.0)
    hand = tuple((3.05 + n / 6.0, 150.0) for n in range(12))
    assert in_oven(rules_for("e7018"), 5.0, *hand, air=air).open_s == 5.0 * H


def test_a_dead_sensor_proves_nothing_after_its_last_reading(rules_for: Rules) -> None:
    nearly = measured((3.0, 6.98, 150.0))
    assert in_oven(rules_for("e7018", TRADE), 9.0, air=nearly).restarts == 0
    assert in_oven(rules_for("e7018", TRADE), 9.0, air=measured((3.0, 7.0, 150.0))).restarts == 1


def test_an_oven_protects_up_to_its_sensors_last_reading_and_nobody_need_act_while_it_may_be_silent(
    rules_for: Rules,
) -> None:
    rules = replace(rules_for("e7018"), reading_speaks_s=900.0, speaks_s={"oven": 300.0})
    clock = in_oven(rules, 6.0, air=measured((3.0, 4.0, 150.0)))
    assert (clock.open_s, clock.counting) == (5.0 * H, True)
    soon = in_oven(rules, 4.05, air=measured((3.0, 4.0, 150.0)))
    assert (soon.open_s, soon.counting) == (3.05 * H, False)
    assert "before and after" in " ".join(package_verdict(clock, rules).notes)


def test_a_heated_cabinet_keeps_flux_while_it_is_shown_hot(rules_for: Rules) -> None:
    # a European maker's catalogue, p. 255: an opened bag goes into a cabinet at 120-150 °C
    rules = rules_for("saw-flux-fused")
    hot = in_oven(rules, 7.0, air=measured((3.0, 7.0, 130.0)), place=Place.DRY_CABINET)
    cold = in_oven(rules, 7.0, air=measured((3.0, 7.0, 110.0)), place=Place.DRY_CABINET)
    assert (hot.open_s, cold.open_s) == (OPEN_H * H, 7.0 * H)


def test_a_bake_that_nobody_read_is_one_all_the_same(rules_for: Rules) -> None:
    # 5.3.2.1: one rebake; unknown counts against it
    clock = in_oven(rules_for("e7018"), 5.0, place=Place.REDRY)
    assert clock.rebakes == 1
    short = in_oven(rules_for("e7018"), 3.5, place=Place.REDRY)
    read = in_oven(rules_for("e7018"), 5.0, place=Place.REDRY, air=measured((3.0, 5.0, 100.0)))
    assert (short.rebakes, read.rebakes) == (0, 0)


def test_what_is_never_baked_is_withdrawn_after_the_oven(rules_for: Rules) -> None:
    verdict = package_verdict(in_oven(rules_for("e6010"), 5.0, place=Place.REDRY), rules_for("e6010"))
    assert verdict.standing is Standing.WITHDRAW


def test_a_spool_that_is_not_known_to_be_metal_is_spoilt_by_the_heat_of_a_bake(rules_for: Rules) -> None:
    hot = measured((3.0, 5.0, 110.0))
    plastic = replace(rules_for("fcaw-folded-h8"), stands_heat=False)
    assert package_verdict(in_oven(plastic, 5.0, air=hot), plastic).standing is Standing.WITHDRAW
    metal = replace(plastic, stands_heat=True)
    assert package_verdict(in_oven(metal, 5.0, air=hot), metal).standing is Standing.USABLE


def test_after_too_much_heat_no_bake_restarts_the_hours(rules_for: Rules) -> None:
    air = measured((3.0, 3.6, 110.0), (3.7, 3.8, 480.0), (3.9, 4.6, 110.0), (4.7, 7.0, 300.0))
    clock = in_oven(rules_for("e7018"), 7.0, place=Place.REDRY, air=air)
    assert clock.open_s > OPEN_H * H


STEP = ((3.0, 110.0), (3.6, 110.0))
BAKE = ((4.0, 300.0), (4.9, 300.0), (5.8, 300.0), (6.1, 300.0))


@pytest.mark.parametrize(
    ("hand", "restored"),
    [
        ((*STEP, *BAKE), True),
        (((3.0, 132.0), (3.6, 132.0), *BAKE), False),  # the first step no hotter than 120 °C
        (((3.0, 110.0), (3.3, 110.0), *BAKE), False),  # shorter than half an hour
        (BAKE, False),  # not shown at all
        ((*STEP, *BAKE[:3]), False),  # shorter than two hours
        ((*STEP, BAKE[0], BAKE[3]), False),  # read too seldom
        ((*STEP, BAKE[0], (4.9, 250.0), *BAKE[2:]), False),  # fell below in between
        ((STEP[0], (3.6, 250.0), (3.8, 100.0), *BAKE), False),  # the step was broken
    ],
)
def test_a_bake_counts_only_with_its_slow_first_step_and_readings_on_both_sides(
    rules_for: Rules, hand: tuple[tuple[float, float], ...], restored: bool
) -> None:
    clock = in_oven(rules_for("e7018"), 6.5, *hand, place=Place.REDRY)
    assert clock.rebakes == 1  # it was a bake, and it is used up
    assert (clock.open_s < OPEN_H * H) is restored


def test_a_step_shown_in_another_oven_is_not_shown_in_this_one(rules_for: Rules) -> None:
    step, bake = measured((3.0, 3.7, 110.0)), measured((3.7, 6.5, 300.0))
    stays = (
        Stay(Place.OPEN_AIR, None, 0.0, 3 * H),
        Stay(Place.REDRY, "small", 3 * H, 3.7 * H),
        Stay(Place.REDRY, "big", 3.7 * H),
    )
    clock = clock_over(stays, lambda zone, *_: step if zone == "small" else bake, rules_for("e7018"), 6.5 * H)
    assert (clock.rebakes, clock.rebakes_without_ramp) == (1, 1)
    assert clock.open_s >= 3 * H


@pytest.mark.parametrize("place", [Place.HOLDING_OVEN, Place.HEATED_QUIVER, Place.REDRY])
def test_too_much_heat_is_seen_wherever_it_was(rules_for: Rules, place: Place) -> None:
    # 430 °C at most for A5.1 types
    clock = in_oven(rules_for("e7018"), 8.0, air=measured((3.0, 8.0, 480.0)), place=place)
    found = package_verdict(clock, rules_for("e7018"))
    assert clock.restarts == 0
    assert (found.standing, found.rule) == (Standing.WITHDRAW, DecidingRule.OVERHEATED)


def test_bake_heat_in_the_holding_oven_is_a_bake_and_no_hold(rules_for: Rules) -> None:
    # D1.1:2015 5.3.2.1: rebaked only once
    air = measured((3.0, 4.0, 110.0), (4.1, 8.0, 300.0))
    clock = in_oven(rules_for("e7018", TRADE), 8.0, air=air)
    assert (clock.rebakes, clock.restarts) == (1, 0)
    assert clock.open_s >= OPEN_H * H
    twice = measured((3.0, 4.0, 110.0), (4.1, 6.5, 300.0), (6.6, 7.2, 100.0), (7.3, 9.5, 300.0))
    again = package_verdict(in_oven(rules_for("e7018"), 9.5, air=twice), rules_for("e7018"))
    assert (again.standing, again.rule) == (Standing.WITHDRAW, DecidingRule.REBAKES)


@pytest.mark.parametrize(
    ("permission", "metal", "warm_c", "protects"),
    [
        ("maker's letter of 3 May", True, 110.0, True),
        ("maker's letter of 3 May", True, 80.0, False),  # roughly 90-150 °C, common practice
        ("maker's letter of 3 May", False, 110.0, False),  # plastic, or nobody said on what it is wound
        ("", True, 110.0, False),
        ("maker's letter of 3 May", True, None, False),  # an oven without a sensor
        ("maker's letter of 3 May", True, 20.0, False),
    ],
)
def test_an_oven_stops_the_hours_of_cored_wire_only_where_it_was_shown_hot_and_the_maker_allows_it(
    rules_for: Rules, permission: str, metal: bool, warm_c: float | None, protects: bool
) -> None:
    rules = replace(rules_for("fcaw-folded-h8", ShopRule(redry_permission=permission)), stands_heat=metal)
    air = NO_AIR if warm_c is None else measured((3.0, 433.0, warm_c), every_s=600.0)
    clock = in_oven(rules, 433.0, air=air)
    assert clock.open_s == (OPEN_H if protects else 433.0) * H


def test_nothing_proves_a_bake_of_a_spool_that_an_oven_melts(rules_for: Rules) -> None:
    rules = replace(rules_for("fcaw-folded-h8", ShopRule(redry_permission="letter")), stands_heat=False)
    assert in_oven(rules, 12.0, air=measured((3.0, 12.0, 110.0)), place=Place.REDRY).open_s == 12.0 * H


@pytest.mark.parametrize(("oven_c", "hours"), [(150.0, 9.0), (30.0, 4.0)])
def test_rods_from_measured_air_keep_their_proved_hours_in_a_hot_oven_only(
    rules_for: Rules, oven_c: float, hours: float
) -> None:
    # D1.1:2015 5.3.2.3 asks for the air they were in; the minute until the next reading counts as open
    rules = rules_for("e7018-r")
    stays = (
        Stay(Place.OPEN_AIR, "bay", 0.0, 6.5 * H + 30.0),
        Stay(Place.HOLDING_OVEN, "oven", 6.5 * H + 30.0, None),
    )
    oven, times = measured((0.0, 9.0, oven_c)), np.arange(0.0, 7.0 * H, 60.0)
    bay = AirSamples(
        times, np.full(times.size, 20.0), np.full(times.size, 0.5), np.ones(times.size, np.bool_)
    )

    def lookup(zone: str, start_s: float, end_s: float) -> AirSamples:
        air = oven if zone == "oven" else bay
        use = (air.times_s >= start_s) & (air.times_s <= end_s)
        return AirSamples(air.times_s[use], air.temperature_c[use], air.rh_frac[use], air.believed[use])

    for until_s in (6.5 * H + 45.0, 8.0 * H):
        clock = clock_over(stays, lookup, rules, until_s)
        assert package_verdict(clock, rules).clocks[0].limit_h == hours
        assert clock.open_s > 6.5 * H
