"""Air made once for all bodies of a zone moves each as its own samples do, to the last bit."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.air_course import air_point, between_points, sampled_air, without_fog
from monitor.physics.bodies import body_data, plate_body
from monitor.physics.lag import advance, advance_through, air_to_meet, start_state
from monitor.physics.night_sky import ROOFED
from monitor.physics.saturation import frost_point_c, frost_point_of, vapour_of, vapour_pressure_pa
from monitor.settings.reference import load_toml

DATA = body_data(load_toml("bodies.toml"))
PLACE = (101_325.0, 0.1)
SAMPLES = st.lists(
    st.tuples(
        st.sampled_from((0.5, 3.75, 30.0, 600.0, 4_000.0)),  # since the one before
        st.floats(-20.0, 40.0),
        st.floats(0.0, 1.0),
    ),
    min_size=1,
    max_size=12,
)


@given(SAMPLES, st.floats(-10.0, 30.0), st.sampled_from((0.003, 0.02, 0.3)), st.sampled_from((0.0, 20.0)))
def test_points_made_once_move_a_body_as_its_own_samples_do(
    told: list[tuple[float, float, float]], start_c: float, thickness_m: float, film_gm2: float
) -> None:
    body = plate_body(DATA, thickness_m=thickness_m, width_m=1.0, length_m=2.0)
    state = start_state(body, 1_000.0, start_c, film_gm2=film_gm2)
    times_s, at_s = [], 1_000.0
    for later_s, _, _ in told:
        at_s += later_s
        times_s.append(at_s)
    celsius, humidity = [row[1] for row in told], [row[2] for row in told]
    apart = advance(body, state, times_s, celsius, humidity, pressure_pa=PLACE[0], draught_ms=PLACE[1])
    points = [air_point(*sample) for sample in zip(times_s, celsius, humidity, strict=True)]
    met = air_to_meet(state, points, ROOFED, body.sky_doubt)
    assert advance_through(body, state, met, PLACE) == apart


@given(st.floats(-60.0, 80.0), st.floats(0.001, 1.0))
def test_what_is_remembered_of_air_is_what_is_worked_out(celsius: float, humidity: float) -> None:
    vapour_pa = vapour_pressure_pa(celsius, humidity)
    assert vapour_of(celsius, humidity) == vapour_pa
    assert frost_point_of(vapour_pa) == frost_point_c(vapour_pa)


def test_few_samples_and_many_make_the_same_points() -> None:
    times_s = [600.0 * n for n in range(40)]
    celsius, humidity = [10.0 + n / 7 for n in range(40)], [0.4 + n / 100 for n in range(40)]
    points = [air_point(*sample) for sample in zip(times_s, celsius, humidity, strict=True)]
    assert sampled_air(times_s[:5], celsius[:5], humidity[:5]) == points[:5]
    many = sampled_air(times_s, celsius, humidity)
    assert [point[:2] for point in many] == [point[:2] for point in points]
    vapour_pa = [point.vapour_pressure_pa for point in points]  # arrays may differ in the last bit
    assert [point.vapour_pressure_pa for point in many] == pytest.approx(vapour_pa, rel=1e-14)


def test_between_two_far_samples_the_air_goes_straight_and_is_never_fog() -> None:
    """Worked by hand: saturated at 0 and 20 degC, halfway the vapour of both would be 120 % at 10 degC."""
    cold, warm = air_point(0.0, 0.0, 1.0), air_point(7_200.0, 20.0, 1.0)
    halfway = between_points(cold, warm, 0.5)
    assert (halfway.time_s, halfway.temperature_c) == (3_600.0, 10.0)
    assert 1.19 < halfway.vapour_pressure_pa / vapour_of(10.0, 1.0) < 1.21
    held = without_fog([cold, warm])
    assert held[-1] == warm
    assert len(held) == 8
    assert all(point.vapour_pressure_pa <= vapour_of(point.temperature_c, 1.0) for point in held)
