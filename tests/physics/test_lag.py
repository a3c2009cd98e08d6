"""Laws of a body that is followed through the air: limits, order, composition, uncertainty, bad input."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from monitor.model.errors import RangeError
from monitor.physics.bodies import Body, BodyData, body_data, cylinder_body, plate_body
from monitor.physics.exchange import exchange, surroundings
from monitor.physics.lag import advance, path_through, start_state, surface_margin_k, trajectory
from monitor.physics.moist_air import wet_bulb_c
from monitor.physics.path import filled_path, told_path
from monitor.physics.saturation import dew_point_c, frost_point_c, vapour_pressure_pa
from monitor.physics.stepping import AirPoint, follow, moment
from monitor.settings.reference import load_toml

DATA: BodyData = body_data(load_toml("bodies.toml"))
BODIES: dict[str, Body] = {
    "argon": cylinder_body(DATA, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0),
    "co2": cylinder_body(DATA, "co2", diameter_m=0.216, height_m=1.3, steel_kg=51.0, gas_kg=22.7),
    "sheet": plate_body(DATA, thickness_m=0.001, width_m=0.5, length_m=0.5),
    "plate": plate_body(DATA, thickness_m=0.02, width_m=1.0, length_m=2.0),
    "floor": plate_body(DATA, thickness_m=0.05, width_m=1.0, length_m=2.0, faces=1),
}
any_body = st.sampled_from(sorted(BODIES))
any_air = st.lists(
    st.tuples(st.floats(1, 40_000), st.floats(-30, 45), st.floats(0.02, 1.0)), min_size=1, max_size=12
)


def _columns(rows) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    gaps, temperature, humidity = (np.array(column) for column in zip(*rows, strict=True))
    return np.cumsum(gaps), temperature, humidity


@settings(max_examples=150, deadline=None)
@given(any_body, any_air, st.floats(-30, 60), st.floats(0, 3), st.floats(0, 400))
@example("argon", [(40_000.0, -3.0, 1.0)], -3.0, 0.0, 0.0)
@example("argon", [(40_000.0, -25.0, 1.0)], -25.0, 0.5, 0.0)
def test_no_body_leaves_the_range_between_the_wettest_cold_and_the_warmest(
    name, rows, start_c, draught, film
):
    """Never warmer than start, air and frost point; never colder than start and the coldest wet bulb.

    Air saturated over water is more than saturated over ice (Murphy and Koop 2005): frost that forms in it
    warms a body above the air, up to the frost point.
    """
    body = BODIES[name]
    times, temperature, humidity = _columns(rows)
    state = start_state(body, 0.0, start_c, film_gm2=film)
    path = path_through(body, state, times, temperature, humidity, draught_ms=draught)
    coldest = min(
        start_c, float(wet_bulb_c(temperature, humidity, 101_325.0).min()), *_wet_bulbs_between(rows)
    )
    frosting_c = min(frost_point_c(float(vapour_pressure_pa(temperature, humidity).max())), 0.0)
    assert path.skin_c.max() <= max(start_c, temperature.max(), frosting_c) + 0.1
    assert path.skin_c.min() >= coldest - 1.0
    assert np.all(path.film_gm2 >= 0.0)
    assert np.all(path.frost_gm2 <= path.film_gm2 + 1e-9)
    at_samples = trajectory(body, state, times, temperature, humidity, draught_ms=draught)
    assert np.all(at_samples.frost_gm2[at_samples.skin_c > 0.0] == 0.0)
    frozen = at_samples.skin_c[1:] < -0.01
    assert at_samples.frost_gm2[1:][frozen] == pytest.approx(at_samples.film_gm2[1:][frozen], abs=0.01)
    assert path.time_s[-1] == times[-1]


def _wet_bulbs_between(rows) -> list[float]:
    _, temperature, humidity = _columns(rows)
    vapour = vapour_pressure_pa(temperature, humidity)
    found = []
    for n in range(len(rows) - 1):
        share = np.linspace(0, 1, 9)
        air = temperature[n] + share * (temperature[n + 1] - temperature[n])
        wet = vapour[n] + share * (vapour[n + 1] - vapour[n])
        relative = np.clip(wet / vapour_pressure_pa(air, 1.0), 0.001, 1.0)
        found.append(float(wet_bulb_c(air, relative, 101_325.0).min()))
    return found


@settings(max_examples=60, deadline=None)
@given(any_body, any_air, st.floats(-20, 40))
def test_many_small_steps_end_where_one_long_call_does(name, rows, start_c):
    body = BODIES[name]
    times, temperature, humidity = _columns(rows)
    state = start_state(body, 0.0, start_c)
    at_once = advance(body, state, times, temperature, humidity, draught_ms=0.1)
    by_one = state
    for time, celsius, relative in zip(times, temperature, humidity, strict=True):
        by_one = advance(body, by_one, [time], [celsius], [relative], draught_ms=0.1)
    assert by_one.skin_c == pytest.approx(at_once.skin_c, abs=0.1)
    assert by_one.film_gm2 == pytest.approx(at_once.film_gm2, abs=3.0, rel=0.05)
    assert by_one.skin_var_k2 == pytest.approx(at_once.skin_var_k2, rel=0.2, abs=0.02)


@settings(max_examples=60, deadline=None)
@given(any_body, st.floats(-15, 15), st.floats(0.1, 0.85), st.floats(0.02, 0.14), st.floats(10, 35))
def test_damper_air_never_makes_a_body_drier_nor_its_margin_larger(name, start_c, humidity, more, air_c):
    body = BODIES[name]
    times = np.arange(1, 25) * 600.0
    state = start_state(body, 0.0, start_c)
    air = np.full(times.size, air_c)
    dry = trajectory(body, state, times, air, np.full(times.size, humidity))
    damp = trajectory(body, state, times, air, np.full(times.size, humidity + more))
    assert np.all(damp.film_gm2 >= dry.film_gm2 - 0.5)
    assert np.all(damp.margin_k <= dry.margin_k + 0.1)


def test_a_dry_body_in_a_strong_wind_decays_as_the_closed_form_says(record_check):
    """theta/theta0 = exp(-h A t/C), Incropera et al., eq. (5.6); 25 m/s hold h constant within 0.1 %."""
    body = replace(BODIES["plate"], emissivity=0.0)
    times = np.arange(1, 50) * 300.0
    around = surroundings(body, 22.0, 101_325.0, 25.0)
    start = exchange(body, 2.0, (22.0, 0.0), around, wet=False)
    rate = start.convective_wm2k * body.area_m2 / body.shell_jk
    path = trajectory(
        body, start_state(body, 0.0, 2.0), times, np.full(49, 22.0), np.zeros(49), draught_ms=25.0
    )
    worst = float(np.abs(path.skin_c - (22.0 - 20.0 * np.exp(-rate * path.time_s))).max())
    record_check("lumped decay", worst=worst, bound=0.05, unit="K", source="closed form, Incropera 5.6")


def test_a_wet_body_settles_where_heat_and_vapour_balance(record_check):
    """With convection alone a wet surface settles at the wet bulb, but for the Lewis number, 0.857 and not 1.

    The psychrometric constant is then 0.902 of cp p/(0.622 L), which is solved here by halving.
    """
    body = replace(BODIES["sheet"], emissivity=0.0)
    path = path_through(
        body, start_state(body, 0.0, 25.0, film_gm2=400.0), [1800.0], [30.0], [0.4], draught_ms=3.0
    )
    assert path.film_gm2[-1] > 50.0
    vapour = vapour_pressure_pa(30.0, 0.4)
    low, high = 10.0, 30.0
    while high - low > 1e-6:
        middle = 0.5 * (low + high)
        surface = vapour_pressure_pa(middle, 1.0)
        latent = (2500.9 - 2.372 * middle) * 1000 * 0.621945 / (1006.1 * 0.857 ** (2 / 3))
        gain = latent * (vapour - surface) / (101_325 - 0.5 * (vapour + surface)) + 30.0 - middle
        low, high = (middle, high) if gain > 0 else (low, middle)
    worst = abs(float(path.skin_c[-1]) - low)
    record_check("wet surface in a wind", worst=worst, bound=0.02, unit="K", source="psychrometric balance")
    assert float(path.skin_c[-1]) == pytest.approx(wet_bulb_c(30.0, 0.4, 101_325.0), abs=1.2)


def test_heat_is_conserved_through_frost_and_thaw():
    """What the body and its film gained is what convection, radiation and vapour brought."""
    body = BODIES["plate"]
    times = np.arange(1, 2000) * 10.0
    air, humidity = np.full(times.size, 12.0), np.full(times.size, 0.9)
    path = trajectory(body, start_state(body, 0.0, -15.0), times, air, humidity)
    around = surroundings(body, 12.0, 101_325.0, 0.0)
    vapour = vapour_pressure_pa(12.0, 0.9)
    brought = 0.0
    for n in range(len(path.time_s) - 1):
        now = exchange(body, float(path.skin_c[n]), (12.0, vapour), around, wet=True)
        nxt = exchange(body, float(path.skin_c[n + 1]), (12.0, vapour), around, wet=True)
        brought += 0.5 * (now.heat_w + nxt.heat_w) * float(path.time_s[n + 1] - path.time_s[n])
    frozen_then_molten = float(path.frost_gm2.max()) * 333.4 * body.area_m2
    gained = body.shell_jk * float(path.skin_c[-1] - path.skin_c[0]) + frozen_then_molten
    assert path.frost_gm2[-1] == 0.0
    assert gained == pytest.approx(brought, rel=2e-3)


def test_frost_stays_frost_below_freezing_and_is_judged_by_the_frost_point():
    body = BODIES["plate"]
    times = np.arange(1, 49) * 600.0
    path = trajectory(body, start_state(body, 0.0, -18.0), times, np.full(48, -6.0), np.full(48, 0.9))
    assert path.film_gm2.max() > 1.0
    assert path.frost_gm2 == pytest.approx(path.film_gm2)
    vapour = vapour_pressure_pa(-6.0, 0.9)
    assert path.saturation_c[-1] == pytest.approx(frost_point_c(vapour))
    assert path.saturation_c[-1] > dew_point_c(vapour) + 0.5


def test_the_margin_says_whether_it_counts_from_frost_or_dew():
    assert surface_margin_k(5.0, vapour_pressure_pa(20.0, 0.5)) == (
        pytest.approx(5.0 - 9.27, abs=0.02),
        False,
    )
    margin, frost = surface_margin_k(-5.0, vapour_pressure_pa(0.0, 0.5))
    assert frost
    assert margin == pytest.approx(-5.0 + 8.2, abs=0.1)


def test_a_long_gap_makes_the_skin_less_certain_than_a_watched_one():
    body = BODIES["argon"]
    state = start_state(body, 0.0, 15.0, temperature_std_k=0.3)
    watched_times = np.arange(1, 73) * 600.0
    watched = advance(body, state, watched_times, np.full(72, 15.0), np.full(72, 0.6))
    blind = advance(body, state, [43_200.0], [15.0], [0.6])
    assert blind.skin_std_k > 1.3 * watched.skin_std_k
    assert blind.skin_c == pytest.approx(watched.skin_c, abs=0.01)


def test_a_cold_body_is_less_certain_than_its_start_because_its_exchange_is_not_known():
    body = BODIES["argon"]
    state = start_state(body, 0.0, -5.0, temperature_std_k=0.1)
    after = advance(body, state, [1.0, 2700.0], [22.0, 22.0], [0.6, 0.6])
    slower, faster = (
        advance(body, replace(state, exchange_log=step), [1.0, 2700.0], [22.0, 22.0], [0.6, 0.6]).skin_c
        for step in (-0.15, 0.15)
    )
    assert after.skin_std_k == pytest.approx(0.5 * (faster - slower), rel=0.25)


def test_samples_up_to_the_state_only_say_what_the_air_was():
    body = BODIES["plate"]
    state = start_state(body, 1000.0, 5.0)
    assert advance(body, state, [500.0, 1000.0], [20.0, 20.0], [0.5, 0.5]) == state
    between = advance(body, state, [700.0, 1300.0], [10.0, 20.0], [0.5, 0.5])
    assert between.time_s == 1300.0
    assert between.air_temperature_c == 20.0


def test_the_last_air_seen_is_remembered_for_the_next_call():
    body = BODIES["plate"]
    state = start_state(body, 0.0, 5.0)
    both = advance(body, state, [10.0, 3600.0, 7200.0], [20.0, 20.0, 0.0], [0.5, 0.5, 0.5])
    first = advance(body, state, [10.0, 3600.0], [20.0, 20.0], [0.5, 0.5])
    then = advance(body, first, [7200.0], [0.0], [0.5])
    assert then.skin_c == pytest.approx(both.skin_c, abs=0.02)


def test_epoch_times_lose_nothing():
    body = BODIES["argon"]
    times = np.array([30.0, 60.0, 3600.0])
    early = advance(body, start_state(body, 0.0, -5.0), times, np.full(3, 22.0), np.full(3, 0.6))
    late = advance(body, start_state(body, 1.8e9, -5.0), times + 1.8e9, np.full(3, 22.0), np.full(3, 0.6))
    assert late.skin_c == pytest.approx(early.skin_c, abs=1e-4)
    assert late.time_s == 1.8e9 + 3600.0


@pytest.mark.parametrize(
    ("times", "air", "humidity", "field"),
    [
        ([], [], [], "times_s"),
        ([1.0, 2.0], [20.0], [0.5], "times_s"),
        ([2.0, 1.0], [20.0, 20.0], [0.5, 0.5], "times_s"),
        ([1.0], [200.0], [0.5], "air_temperature_c"),
        ([1.0], [20.0], [50.0], "relative_humidity_frac"),
        ([1.0], [math.nan], [0.5], "air sample"),
        ([math.inf], [20.0], [0.5], "air sample"),
    ],
)
def test_samples_that_cannot_be_are_refused_by_name(times, air, humidity, field):
    body = BODIES["plate"]
    with pytest.raises(RangeError) as refused:
        advance(body, start_state(body, 0.0, 5.0), times, air, humidity)
    assert field in refused.value.name


@pytest.mark.parametrize(
    "change", [{"temperature_c": 200.0}, {"temperature_std_k": -1.0}, {"film_gm2": -1.0}]
)
def test_a_start_that_cannot_be_is_refused_by_name(change):
    arguments = {"time_s": 0.0, "temperature_c": 5.0} | change
    with pytest.raises(RangeError, match=next(iter(change))):
        start_state(BODIES["plate"], **arguments)


def test_air_of_exactly_freezing_does_not_hold_the_stepper_up():
    """A dry skin that creeps up to 0.000 degC while a trace of dew may form needs no special care."""
    body = BODIES["sheet"]
    path = path_through(
        body,
        start_state(body, 0.0, -1.0),
        [40_000.0, 44_000.0],
        [0.0, 0.0],
        [0.45010461148795394, 1.0],
        draught_ms=3.0,
    )
    assert path.time_s.size < 1000
    assert path.skin_c[-1] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize("draught_ms", [0.0, 1.0, 5.0])
def test_a_frozen_sheet_in_hot_wet_air_is_followed_without_running_away(draught_ms):
    body = BODIES["sheet"]
    state = start_state(body, 0.0, -30.0)
    path = path_through(body, state, [20_000.0], [45.0], [1.0], draught_ms=draught_ms)
    assert path.skin_c[-1] == pytest.approx(45.0, abs=0.1)
    assert np.all(np.diff(path.skin_c) > -0.05)


def test_a_body_chilled_beyond_the_tables_is_refused_by_name():
    chilled = replace(BODIES["sheet"], internal_w=-5000.0)
    with pytest.raises(RangeError, match="skin_c"):
        advance(chilled, start_state(chilled, 0.0, 20.0), [3600.0], [20.0], [0.5])


def _wet_night(body: Body, hours: float) -> float:
    """The water on a body that comes in at 0 °C and stands in fog of 25 °C, g/m2."""
    times = np.arange(1.0, hours * 60.0 + 1.0) * 60.0
    steady = np.ones(times.size)
    path = path_through(body, start_state(body, 0.0, 0.0), times, 25.0 * steady, 0.99 * steady)
    return float(path.film_gm2.max())


def test_a_film_runs_off_what_stands_and_stays_on_a_plate_that_lies_flat():
    """What stands keeps about 0.2 mm (of `bodies.toml`), a flat plate a puddle; all else is alike.

    By hand: 50 mm of steel warmed by 25 K takes up 0.05 m x 7850 x 480 x 25 = 4.7 MJ/m2; where half of it
    comes as latent heat of 2.5 MJ/kg on two faces, 470 g/m2 settle on each.
    """
    standing = plate_body(DATA, thickness_m=0.05, width_m=1.0, length_m=2.0, lying=False)
    lying = plate_body(DATA, thickness_m=0.05, width_m=1.0, length_m=2.0, lying=True)
    kept_gm2 = load_toml("bodies.toml")["run_off"]["upright_gm2"]["value"]
    most_standing, most_lying = _wet_night(standing, 24.0), _wet_night(lying, 24.0)
    assert most_standing == pytest.approx(kept_gm2, rel=1e-6)
    assert most_lying > 1.5 * kept_gm2
    assert most_lying == pytest.approx(470.0, rel=0.35)


def test_a_path_is_filled_in_between_its_moments_and_not_beyond_them():
    body = BODIES["plate"]
    around = surroundings(body, 20.0, 101_325.0, 0.1)
    air = [AirPoint(600.0 * n, 20.0, 1_000.0) for n in range(4)]
    moments = [moment(body, around, air[0], (8.0, 8.0), (0.0, 0.0))]
    follow(body, around, moments[0], air[1:], lambda _, after: moments.append(after))
    told, filled = told_path(moments), filled_path(body, moments)
    assert told.time_s == pytest.approx(filled.time_s[::4])
    assert told.skin_c == pytest.approx(filled.skin_c[::4])
    assert filled.time_s.size == 4 * len(moments) - 3
    assert np.all(np.diff(filled.skin_c) > 0.0)
    assert told.margin_k == pytest.approx(told.skin_c - told.saturation_c)
