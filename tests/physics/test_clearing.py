"""When a body is clear: three answers, their bounds, what cannot be reached, and when to bring it in."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.model.errors import RangeError
from monitor.physics.bodies import Body, BodyData, body_data, cylinder_body, plate_body
from monitor.physics.clearing import Air, Goal, Reach, clearing, latest_arrival_s
from monitor.physics.lag import start_state, trajectory
from monitor.settings.reference import load_toml
from tests.physics.oracles_heat import held_air, if_brought_in

DATA: BodyData = body_data(load_toml("bodies.toml"))
CYLINDER: Body = cylinder_body(DATA, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
PLATE: Body = plate_body(DATA, thickness_m=0.012, width_m=1.0, length_m=2.0)
FLOOR: Body = plate_body(DATA, thickness_m=0.05, width_m=1.0, length_m=2.0, faces=1, edges=False)
HOUR = 3600.0


def test_above_the_dew_point_is_not_dry():
    """The cylinder of set-up A stays wet two hours longer than its dew-point crossing."""
    answer = if_brought_in(CYLINDER, -5.0, held_air(0.0, 22.0, 0.6))
    assert answer.dew_point.hours < answer.margin.hours < answer.dry.hours
    assert answer.dry.hours - answer.dew_point.hours == pytest.approx(2.1, abs=0.1)


@pytest.mark.parametrize("humidity", [0.2, 0.4, 0.6, 0.7, 0.75])
@pytest.mark.parametrize("body", [CYLINDER, PLATE, FLOOR], ids=["cylinder", "plate", "floor"])
def test_the_answers_are_where_the_trajectory_crosses(body, humidity):
    answer = if_brought_in(body, -5.0, held_air(0.0, 22.0, humidity))
    times = np.arange(1, 72 * 60) * 60.0
    path = trajectory(
        body, start_state(body, 0.0, -5.0), times, np.full(times.size, 22.0), np.full(times.size, humidity)
    )
    for hours, needed in ((answer.dew_point.hours, 0.0), (answer.margin.hours, 3.0)):
        assert hours == pytest.approx(
            np.interp(needed, path.margin_k, path.time_s) / HOUR, abs=0.01, rel=0.01
        )
    last_wet = path.time_s[np.nonzero(path.film_gm2 > 0.5)[0][-1]] / HOUR
    assert answer.dry.hours == pytest.approx(max(last_wet, answer.dew_point.hours), abs=0.06, rel=0.01)
    assert answer.peak_film_gm2 == pytest.approx(path.film_gm2.max(), rel=0.02, abs=0.1)


@pytest.mark.parametrize("humidity", [0.8, 0.85, 0.95])
def test_three_kelvin_above_the_dew_point_is_not_reachable_in_damp_air(humidity):
    """At 80 %RH the target lies 0.6 K under the air itself: no number of hours, whatever the model says."""
    answer = if_brought_in(CYLINDER, -5.0, held_air(0.0, 22.0, humidity))
    assert answer.margin.reach is Reach.NOT_REACHABLE
    assert answer.margin.hours is None
    assert answer.dew_point.reach is Reach.REACHED


def test_nothing_dries_in_saturated_air():
    answer = if_brought_in(PLATE, -5.0, held_air(0.0, 22.0, 1.0))
    assert answer.dry.reach is Reach.NOT_REACHABLE
    assert answer.dew_point.reach is Reach.NOT_REACHABLE


def test_below_freezing_the_frost_point_counts():
    """At -5 degC and 96 %RH over water the air is saturated over ice: frost never leaves."""
    state = start_state(PLATE, 0.0, -5.0, film_gm2=20.0)
    answer = clearing(PLATE, state, held_air(0.0, -5.0, 0.96))
    assert answer.frost
    assert answer.dew_point.reach is Reach.NOT_REACHABLE
    assert answer.dry.reach is Reach.NOT_REACHABLE
    drier = clearing(PLATE, state, held_air(0.0, -5.0, 0.5, draught_ms=1.0))
    assert drier.dry.reach is Reach.REACHED


def test_a_warm_dry_body_is_clear_now_and_the_answer_says_until_when():
    air = Air(
        np.array([0.0, 4 * HOUR, 5 * HOUR, 20 * HOUR]),
        np.array([20.0, 20.0, 24, 24]),
        np.array([0.5, 0.5, 0.9, 0.9]),
    )
    answer = if_brought_in(CYLINDER, 20.0, air)
    assert answer.dew_point.reach is Reach.NOW
    assert answer.dew_point.hours == 0.0
    assert 4.0 < answer.margin.lost_after_hours < answer.dew_point.lost_after_hours < 5.0
    assert if_brought_in(CYLINDER, 20.0, held_air(0.0, 20.0, 0.5)).dew_point.lost_after_hours is None


def test_a_horizon_too_short_is_not_called_unreachable():
    answer = if_brought_in(FLOOR, -5.0, held_air(0.0, 22.0, 0.6, hours=1.0))
    assert answer.margin.reach is Reach.BEYOND_HORIZON
    assert answer.margin.hours is None


def test_a_single_sample_is_taken_to_last():
    one = Air(np.array([0.0]), np.array([22.0]), np.array([0.6]))
    assert if_brought_in(CYLINDER, -5.0, one) == if_brought_in(CYLINDER, -5.0, held_air(0.0, 22.0, 0.6))


@settings(max_examples=60, deadline=None)
@given(
    st.sampled_from([CYLINDER, PLATE, FLOOR]),
    st.floats(-20, 25),
    st.floats(5, 35),
    st.floats(0.2, 0.95),
    st.floats(0, 0.04),
)
def test_the_bounds_hold_the_answer_and_grow_with_what_is_unknown(body, start_c, air_c, humidity, std):
    state = start_state(body, 0.0, start_c, temperature_std_k=0.5)
    sure = clearing(body, state, held_air(0.0, air_c, humidity))
    unsure = clearing(body, state, held_air(0.0, air_c, humidity, humidity_std_frac=std))
    for goal in ("dew_point", "margin", "dry"):
        tight, wide = getattr(sure, goal), getattr(unsure, goal)
        assert (tight.hours is None) == (tight.reach in (Reach.BEYOND_HORIZON, Reach.NOT_REACHABLE))
        if tight.hours is None:
            continue
        assert tight.low_hours <= tight.hours
        assert wide.low_hours <= tight.low_hours + 0.05
        if tight.high_hours is not None:
            assert tight.hours <= tight.high_hours
            assert wide.high_hours is None or wide.high_hours >= tight.high_hours - 0.05


def test_the_latest_arrival_is_just_in_time():
    air = held_air(0.0, 22.0, 0.6, hours=24.0)
    for goal, hours in ((Goal.MARGIN, 1.64), (Goal.DEW_POINT, 1.00), (Goal.DRY, 3.12)):
        latest = latest_arrival_s(CYLINDER, -5.0, air, 12 * HOUR, goal=goal)
        assert latest == pytest.approx((12 - hours) * HOUR, abs=150.0)


def test_planning_for_the_slow_case_brings_it_in_earlier():
    air = held_air(0.0, 22.0, 0.6, hours=24.0)
    expected = latest_arrival_s(CYLINDER, -5.0, air, 12 * HOUR)
    cautious = latest_arrival_s(CYLINDER, -5.0, air, 12 * HOUR, deviations=1.28)
    assert cautious < expected - 600.0


def test_too_late_and_never_give_no_time():
    assert latest_arrival_s(CYLINDER, -5.0, held_air(0.0, 22.0, 0.6), 1800.0) is None
    assert latest_arrival_s(CYLINDER, -5.0, held_air(0.0, 22.0, 0.85), 24 * HOUR) is None


def test_a_warm_body_may_come_in_at_the_last_moment():
    assert latest_arrival_s(CYLINDER, 22.0, held_air(0.0, 22.0, 0.5), 6 * HOUR) == 6 * HOUR


def test_a_forecast_that_turns_humid_is_planned_for():
    """Dry until 06:00, damp after: the plate has to be warm before the damp air comes."""
    times, air = np.array([0.0, 6.0, 7.0, 12.0]) * HOUR, np.full(4, 20.0)
    turning, dry = Air(times, air, np.array([0.4, 0.4, 0.8, 0.8])), Air(times, air, np.full(4, 0.4))
    latest = latest_arrival_s(PLATE, 0.0, turning, 8 * HOUR, goal=Goal.DEW_POINT)
    assert latest is not None
    assert latest < latest_arrival_s(PLATE, 0.0, dry, 8 * HOUR, goal=Goal.DEW_POINT) - 900.0


def test_times_outside_the_air_are_refused():
    with pytest.raises(RangeError, match="clear_by_s"):
        latest_arrival_s(CYLINDER, -5.0, held_air(0.0, 22.0, 0.6, hours=5.0), 10 * HOUR)
    with pytest.raises(RangeError, match="margin_k"):
        if_brought_in(CYLINDER, -5.0, held_air(0.0, 22.0, 0.6), margin_k=-1.0)
    with pytest.raises(RangeError, match="hours"):
        held_air(0.0, 22.0, 0.6, hours=0.0)
