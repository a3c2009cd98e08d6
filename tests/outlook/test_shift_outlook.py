"""Shift outlooks in a yard whose coming air is given; the skin's lag against the closed form."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.model.level import Level
from monitor.outlook.courses import body_course, time_constant_h, zone_course
from monitor.outlook.scene import PlanPhrases, ZoneAhead
from monitor.outlook.shift_outlook import ShiftLimit, look_ahead, shift_outlooks
from monitor.physics.saturation import dew_point_c
from tests.outlook.ahead import (
    HOURS,
    LONDON,
    NOW_S,
    SHIFT,
    START_S,
    cylinder,
    forecast,
    package,
    plate,
    rules,
    scene,
    thing,
)

SEA_AIR = np.where(HOURS < 10, 8.0, 17.0)  # dew point: 17 °C from 05:00 local on
STEEL_C = 14.0


def wet_morning(**changes: object):
    yard = scene(
        bodies=(thing("Plate keel", plate(0.03), "bay", STEEL_C),),
        outdoor_dew_point_c=tuple(SEA_AIR[1:]),
        **changes,
    )
    air = forecast("bay", np.where(HOURS < 10, 8.0, 16.5), np.where(HOURS < 10, STEEL_C, 18.0))
    return yard, {"bay": air, "yard": forecast("yard", 8.0, 12.0)}


def test_sea_air_over_cold_steel_is_a_danger_and_is_said_in_words() -> None:
    yard, forecasts = wet_morning()
    found = shift_outlooks(yard, look_ahead(yard, forecasts, NOW_S), (SHIFT,))[0]
    assert found.level is Level.DANGER
    assert found.wet_probability_frac is not None
    assert found.wet_probability_frac > 0.9
    assert found.reason.startswith(
        "wet air from outside from 05:00: Plate keel at 17 °C, at the dew point, worst 07:00"
    )
    assert found.worst_s is not None
    assert START_S <= found.worst_s <= START_S + 2 * 3600.0  # the steel warms through the shift


def test_a_dry_quiet_shift_is_safe_with_small_odds() -> None:
    yard = scene(bodies=(thing("Plate keel", plate(), "bay", 15.0),))
    forecasts = {"bay": forecast("bay", 6.0, 15.0), "yard": forecast("yard", 5.0, 12.0)}
    found = shift_outlooks(yard, look_ahead(yard, forecasts, NOW_S), (SHIFT,))[0]
    assert (found.level, found.probability_frac) == (Level.SAFE, 0.0)


def test_odds_are_the_share_of_courses_over_the_limit() -> None:
    limit = 10.0
    zone = ZoneAhead("bay", "Slip Bay", "ferrymoor", "bay", limit_dew_point_c=limit)
    yard = scene(zones={"bay": zone})
    air = forecast("bay", 9.5, 15.0, spread_k=1.0)
    found = shift_outlooks(yard, look_ahead(yard, {"bay": air}, NOW_S), (SHIFT,))[0]
    inside = (air.times_s >= SHIFT.start_s) & (air.times_s <= SHIFT.end_s)
    expected = (air.dew_point_samples_c[:, inside] > limit).any(axis=1).mean()
    assert found.probability_frac == pytest.approx(expected, abs=1e-9)
    assert 0.2 < expected < 0.5


def test_a_zone_without_a_forecast_makes_the_shift_unknown_and_never_safe() -> None:
    yard = scene(bodies=(thing("Plate keel", plate(), "bay", 15.0),))
    found = shift_outlooks(yard, look_ahead(yard, {"bay": forecast("bay", 6.0, 15.0)}, NOW_S), (SHIFT,))[0]
    assert found.level is Level.UNKNOWN
    assert "nothing known of Plate Yard" in found.reason
    nothing = shift_outlooks(yard, look_ahead(yard, {}, NOW_S), (SHIFT,))[0]
    assert (nothing.level, nothing.probability_frac) == (Level.UNKNOWN, None)


def test_a_shift_beyond_the_foreseen_hours_says_so() -> None:
    yard, forecasts = wet_morning()
    late = replace_shift(START_S + 30 * 3600.0)
    found = shift_outlooks(yard, look_ahead(yard, forecasts, NOW_S), (late,))[0]
    assert any("beyond the 48 hours" in note for note in found.notes)


def replace_shift(start_s: float):
    return SHIFT._replace(id="late", start_s=start_s, end_s=start_s + 8 * 3600.0)


def test_a_packages_clock_is_run_through_the_shift_and_does_not_make_it_humid() -> None:
    of = rules("e7018")
    assert of.limit_h is not None
    due = NOW_S - (of.limit_h - 13.0) * 3600.0 if of.limit_h > 13.0 else NOW_S + 3600.0 * (12.0 - of.limit_h)
    spool = package("Rods 3", "bay", of, min(due, NOW_S - 60.0))
    yard = scene(packages=(spool,), zones={"bay": scene().zones["bay"]})
    found = shift_outlooks(yard, look_ahead(yard, {"bay": forecast("bay", 6.0, 15.0)}, NOW_S), (SHIFT,))[0]
    clock = next(c for c in found.crossings if c.limit is ShiftLimit.CLOCK)
    assert clock.probability_frac == 1.0
    assert found.probability_frac is None


COLD_WEEK = {"cage": forecast("cage", -5.7, -4.0), "bay": forecast("bay", 2.0, 14.0)}


def cage_with(used: bool, **changes: object):
    facts, state = thing("Spare mix", cylinder(), "cage", -4.0)
    spare = (replace(facts, used=used), state)
    zones = {"cage": ZoneAhead("cage", "Gas Cage", "ferrymoor", "cage"), "bay": scene().zones["bay"]}
    return scene(zones=zones, bodies=(spare,), **changes)


def test_a_capped_spare_in_a_cold_cage_is_for_the_page_and_brings_no_odds_of_harm() -> None:
    yard = cage_with(used=False)
    found = shift_outlooks(yard, look_ahead(yard, COLD_WEEK, NOW_S), (SHIFT,))[0]
    assert found.probability_frac == 0.0  # what a warning is decided by
    assert found.level is Level.CAUTION  # and the page says so all the same
    assert found.reason.endswith("; not in use, so no message")
    assert [c.limit for c in found.crossings if c.probability_frac > 0.9] == [ShiftLimit.MARGIN]
    yard = cage_with(used=True)
    wanted = shift_outlooks(yard, look_ahead(yard, COLD_WEEK, NOW_S), (SHIFT,))[0]
    assert wanted.probability_frac is not None
    assert wanted.probability_frac > 0.9
    assert "Spare mix at -4 °C, 1 °C above the dew point" in wanted.reason


def test_what_is_in_use_is_spoken_of_before_a_spare() -> None:
    yard = cage_with(used=False)
    keel, state = thing("Plate keel", plate(), "bay", 4.0)
    both = replace(yard, bodies=(*yard.bodies, keel), states={**yard.states, keel.id: state})
    found = shift_outlooks(both, look_ahead(both, COLD_WEEK, NOW_S), (SHIFT,))[0]
    alone = replace(both, bodies=(keel,))
    only = shift_outlooks(alone, look_ahead(alone, COLD_WEEK, NOW_S), (SHIFT,))[0]
    assert found.probability_frac == only.probability_frac


def test_a_margin_is_said_in_the_shops_degrees() -> None:
    yard = cage_with(used=True, words=PlanPhrases(LONDON, fahrenheit=True))
    found = shift_outlooks(yard, look_ahead(yard, COLD_WEEK, NOW_S), (SHIFT,))[0]
    assert "Spare mix at 25 °F, 2 °F above the dew point" in found.reason


def test_skins_between_the_courses_follow_the_first_order_lag() -> None:
    body = cylinder()
    air = forecast("bay", 2.0, 10.0, spread_k=0.0)
    warmer = replace(air, temperature_samples_c=air.temperature_samples_c + 4.0)
    _, state = thing("Cylinder 1", body, "bay", 10.0)
    course = body_course(body, state, ZoneAhead("bay", "Slip Bay", "ferrymoor", "bay"), zone_course(warmer))
    lag_h = time_constant_h(body, state)
    assert lag_h == pytest.approx(1.0, abs=0.15)  # 61 min for 60 kg at 8 W/m2K, trade lag table
    change = course.skin_c[0] - course.skin_c[-1]
    step = 4.0 * (1.0 - np.exp(-(HOURS[1:] - 0.5) / lag_h))  # the course steps up within the first hour
    np.testing.assert_allclose(change[1:], step, atol=0.5)
    assert change[-1] == pytest.approx(4.0, abs=0.01)


def test_a_zone_course_never_holds_more_vapour_than_saturated_air() -> None:
    course = zone_course(forecast("bay", 14.9, 15.0, spread_k=3.0))
    assert (course.humidity_frac <= 1.0).all()
    assert (dew_point_c(course.vapour_pressure_pa) <= course.temperature_c + 1e-6).all()
