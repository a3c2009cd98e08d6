"""Air made once for all bodies of a zone moves each as its own samples do, to the last bit."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.physics.air_course import air_point
from monitor.physics.bodies import body_data, plate_body
from monitor.physics.lag import advance, advance_through, start_state
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
    assert advance_through(body, state, points, PLACE) == apart


@given(st.floats(-60.0, 80.0), st.floats(0.001, 1.0))
def test_what_is_remembered_of_air_is_what_is_worked_out(celsius: float, humidity: float) -> None:
    vapour_pa = vapour_pressure_pa(celsius, humidity)
    assert vapour_of(celsius, humidity) == vapour_pa
    assert frost_point_of(vapour_pa) == frost_point_c(vapour_pa)
