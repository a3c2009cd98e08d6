"""Samples that lie close are met in one step: the same skin and film as one by one, no peak passed over."""

import math
from itertools import pairwise

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.physics import lag
from monitor.physics.air_course import air_point
from monitor.physics.bodies import Body, body_data, cylinder_body, plate_body
from monitor.physics.calm_step import calmly
from monitor.physics.exchange import surroundings
from monitor.physics.lag import (
    BodyState,
    advance_through,
    air_to_meet,
    left_standing,
    look_ahead,
    start_state,
    trajectory,
)
from monitor.physics.night_sky import ROOFED, Sky
from monitor.physics.saturation import vapour_of
from monitor.physics.stepping import TOLERANCE_K, moment
from monitor.physics.stretch import stretches
from monitor.settings.reference import load_toml

DATA = body_data(load_toml("bodies.toml"))
BODIES: dict[str, Body] = {
    "argon": cylinder_body(DATA, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0),
    "co2": cylinder_body(DATA, "co2", diameter_m=0.216, height_m=1.3, steel_kg=51.0, gas_kg=22.7),
    "sheet": plate_body(DATA, thickness_m=0.003, width_m=0.5, length_m=0.5),
    "plate": plate_body(DATA, thickness_m=0.02, width_m=1.0, length_m=2.0),
    "floor": plate_body(DATA, thickness_m=0.05, width_m=1.0, length_m=2.0, faces=1),
}
PLACE = (101_325.0, 0.1)
TICK_S = 10.0
WITHIN_K = 0.01
WITHIN_GM2 = 0.1
Told = list[tuple[float, float, float]]  # seconds since the one before, degC, humidity

told = st.lists(
    st.tuples(st.sampled_from((0.4, 1.9, 3.0, 7.5)), st.floats(-1.5, 1.5), st.floats(-0.1, 0.1)),
    min_size=4,
    max_size=60,
)


def _course(base_c: float, base_frac: float, off: Told) -> Told:
    """Samples of air about a middle."""
    at_s, rows = 0.0, []
    for later_s, warmer_k, damper in off:
        at_s += later_s
        rows.append((at_s, base_c + warmer_k, min(max(base_frac + damper, 0.05), 1.0)))
    return rows


def _by_ticks(body: Body, state: BodyState, rows: Told, sky: Sky) -> BodyState:
    """As the core goes: every ten seconds what was heard since."""
    end_s = state.time_s
    while rows:
        end_s += TICK_S
        heard = [air_point(*row) for row in rows if row[0] <= end_s]
        rows = rows[len(heard) :]
        if heard:
            state = advance_through(body, state, air_to_meet(state, heard, sky, body.sky_doubt), PLACE)
    return state


@settings(max_examples=150, deadline=None)
@given(
    st.sampled_from(sorted(BODIES)),
    told,
    st.floats(-12.0, 30.0),
    st.floats(0.3, 0.98),
    st.floats(-15.0, 6.0),
    st.sampled_from((0.0, 0.0, 0.02, 2.0, 40.0, 199.9)),
    st.sampled_from((ROOFED, ROOFED, Sky(0.7))),
)
@example(
    "sheet", [(1.9, 0.0, 0.0)] * 5 + [(1.9, 1.5, 0.1), (1.9, 0.0, 0.0)] * 3, 20.0, 0.88, -1.9, 0.0, ROOFED
)
@example("plate", [(3.0, 0.5, 0.0), (3.0, -0.5, 0.0)] * 10, 0.3, 0.95, -0.4, 2.0, ROOFED)
def test_a_tick_of_samples_in_one_step_is_what_following_them_one_by_one_is(
    name, off, base_c, base_frac, colder_k, film_gm2, sky
):
    body = BODIES[name]
    rows = _course(base_c, base_frac, off)
    state = start_state(body, 0.0, base_c + colder_k, film_gm2=film_gm2)
    met = _by_ticks(body, state, rows, sky)
    times_s, air_c, humidity = (list(column) for column in zip(*rows, strict=True))
    path = trajectory(body, state, times_s, air_c, humidity, draught_ms=PLACE[1], sky=sky)
    assert met.time_s == path.time_s[-1]
    assert met.skin_c == pytest.approx(path.skin_c[-1], abs=WITHIN_K)
    assert met.content_c == pytest.approx(path.content_c[-1], abs=WITHIN_K)
    assert met.film_gm2 == pytest.approx(path.film_gm2[-1], abs=WITHIN_GM2)
    assert met.frost_gm2 == pytest.approx(path.frost_gm2[-1], abs=WITHIN_GM2)


@pytest.mark.parametrize("name", sorted(BODIES))
def test_a_peak_of_the_dew_point_between_two_ticks_wets_a_skin_as_it_did(name):
    """Two seconds of fog over a skin that the air before and after, and their straight line, leave dry."""
    body = BODIES[name]
    skin_c = 15.0
    rows = [(1.0 + n, 20.0, 0.99 if n in (4, 5) else 0.5) for n in range(10)]
    points = [air_point(*row) for row in rows]
    (met,) = air_to_meet(start_state(body, 0.0, skin_c), points, ROOFED, body.sky_doubt)
    first, rise, _, end = met.vapour_pa
    line_pa = [met.start.vapour_pressure_pa + first + share * rise for share in (0.0, 1.0)]
    assert max(*line_pa, met.start.vapour_pressure_pa + end) < vapour_of(skin_c, 1.0) < met.most_pa
    state = start_state(body, 0.0, skin_c)
    wet = advance_through(body, state, [met], PLACE)
    times_s, air_c, humidity = (list(column) for column in zip(*rows[:6], strict=True))
    path = trajectory(body, state, times_s, air_c, humidity, draught_ms=PLACE[1])
    assert path.film_gm2[-1] > 0.0
    peak = air_to_meet(state, points[:6], ROOFED, body.sky_doubt)
    assert advance_through(body, state, peak, PLACE).film_gm2 == path.film_gm2[-1]
    whole = trajectory(body, state, *(list(c) for c in zip(*rows, strict=True)), draught_ms=PLACE[1])
    assert wet.film_gm2 == whole.film_gm2[-1]
    assert wet.skin_c == whole.skin_c[-1]


def test_in_ordinary_air_no_body_is_followed_from_sample_to_sample(monkeypatch):
    def refused(*_):
        raise AssertionError("followed from sample to sample")

    monkeypatch.setattr(lag, "follow", refused)
    off = [(3.0, 0.05 * math.sin(7.0 * n), 0.004 * math.sin(11.0 * n)) for n in range(400)]
    for name, body in BODIES.items():
        for film_gm2 in (0.0, 100.0):
            state = start_state(body, 0.0, 14.0, film_gm2=film_gm2)
            after = _by_ticks(body, state, _course(18.0, 0.6, off), ROOFED)
            assert after.film_gm2 < film_gm2 or film_gm2 == 0.0, name


@given(told, st.floats(-12.0, 30.0), st.floats(0.3, 0.98))
def test_the_line_of_a_stretch_has_the_mean_and_the_first_moment_of_its_air(off, base_c, base_frac):
    """The trapezium rule on the course's own corners is exact for its mean; Simpson's for its moment."""
    points = [air_point(*row) for row in _course(base_c, base_frac, [(0.5, 0.0, 0.0), *off])]
    for met in stretches(points):
        corners = [met.start, *met.points]
        first, rise, stray, end = met.air_k
        mean = moment = 0.0
        for a, b in pairwise(corners):
            a_s, b_s = a.time_s - met.start.time_s, b.time_s - met.start.time_s
            middle_c, middle_s = 0.5 * (a.temperature_c + b.temperature_c), 0.5 * (a_s + b_s)
            mean += (b_s - a_s) * middle_c
            ends = a_s * a.temperature_c + b_s * b.temperature_c
            moment += (b_s - a_s) / 6.0 * (ends + 4.0 * middle_s * middle_c)
        begins_c, whole_s = met.start.temperature_c, met.length_s
        assert mean / whole_s == pytest.approx(begins_c + first + 0.5 * rise, abs=1e-6)
        of_line = (begins_c + first) / 2.0 + rise / 3.0
        assert moment / whole_s**2 == pytest.approx(of_line, abs=1e-6)
        assert begins_c + end == pytest.approx(met.points[-1].temperature_c, abs=1e-9)
        assert stray >= abs(first) - 1e-9
        assert met.least_pa == min(point.vapour_pressure_pa for point in corners)
        assert met.most_pa == max(point.vapour_pressure_pa for point in corners)
    assert [point for met in stretches(points) for point in met.points] == points[1:]


@pytest.mark.parametrize("name", sorted(BODIES))
def test_looking_ahead_from_where_a_body_was_left_is_carrying_it_there(name):
    """Within a hundredth of what a step may be wrong: what it exchanges is remembered or worked out anew."""
    body = BODIES[name]
    state = start_state(body, 0.0, 9.0)
    points = [air_point(2.0 + 3.0 * n, 18.0 + 0.05 * n, 0.4) for n in range(3)]
    left, *standing = left_standing(body, state, air_to_meet(state, points, ROOFED, body.sky_doubt), PLACE)
    now = air_to_meet(left, [air_point(10.0, 18.1, 0.4)], ROOFED, body.sky_doubt)
    carried = advance_through(body, left, now, PLACE)
    anew = look_ahead(body, left, now, PLACE)
    remembered = look_ahead(body, left, now, PLACE, tuple(standing))
    assert anew == (carried.skin_c, carried.skin_std_k, carried.film_gm2)
    assert remembered == pytest.approx(anew, abs=0.01 * TOLERANCE_K)


def test_what_may_become_wet_within_a_stretch_is_left_to_be_followed():
    body = BODIES["plate"]
    for humidity, taken in ((0.5, True), (0.95, False)):
        state = start_state(body, 0.0, 15.0)
        points = [air_point(2.0, 20.0, 0.5), air_point(4.0, 20.0, humidity), air_point(6.0, 20.0, 0.5)]
        (met,) = air_to_meet(state, points, ROOFED, body.sky_doubt)
        around = surroundings(body, 20.0, *PLACE)
        now = moment(body, around, met.start, (15.0, 15.0), (0.0, 0.0))
        assert (calmly(body, around, now, met) is not None) is taken
