"""A surface probe corrects the state and teaches the time constant; against a body whose truth is known."""

import math
from dataclasses import replace

import numpy as np
import pytest

from monitor.model.errors import RangeError
from monitor.physics.bodies import BodyData, body_data, cylinder_body, plate_body
from monitor.physics.lag import advance, start_state, trajectory
from monitor.physics.observer import observe
from monitor.settings.reference import load_toml

DATA: BodyData = body_data(load_toml("bodies.toml"))
CYLINDER = cylinder_body(DATA, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
PLATE = plate_body(DATA, thickness_m=0.012, width_m=1.0, length_m=2.0)


def _shop_air(every_s: float, days: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    times = np.arange(0.0, days * 86_400 + 1, every_s)
    day = 2 * np.pi * times / 86_400
    air = 15.0 + 6.0 * np.sin(day) + np.where((times % 43_200) < 7200, -4.0, 0.0)
    return times, air, np.clip(0.6 - 0.2 * np.sin(day), 0.2, 0.95)


@pytest.mark.parametrize("true_factor", [1.3, 0.8])
@pytest.mark.parametrize("every_s", [30.0, 1800.0])
@pytest.mark.parametrize("body", [CYLINDER, PLATE], ids=["cylinder", "plate"])
def test_the_probe_teaches_the_time_constant_within_a_day(body, every_s, true_factor):
    times, air, humidity = _shop_air(every_s, 1.0)
    truth = replace(start_state(body, 0.0, 5.0), exchange_log=math.log(true_factor))
    real = trajectory(body, truth, times, air, humidity)
    noise = np.random.default_rng(1).normal(0.2, 0.2, times.size)  # contact error and noise
    state = start_state(body, 0.0, 12.0, temperature_std_k=3.0)
    for n in range(1, times.size):
        state = advance(body, state, [times[n]], [air[n]], [humidity[n]])
        state = observe(body, state, float(real.skin_c[n] + noise[n]), 0.4)
    assert state.skin_c == pytest.approx(real.skin_c[-1], abs=0.4)
    assert state.exchange_factor == pytest.approx(true_factor, rel=0.12)
    assert abs(state.exchange_log - math.log(true_factor)) < 3.0 * math.sqrt(state.exchange_var)
    assert state.exchange_var < 0.3 * body.exchange_std_frac**2


def test_what_was_learned_makes_the_next_prediction_better():
    times, air, humidity = _shop_air(300.0, 1.0)
    truth = replace(start_state(CYLINDER, 0.0, 5.0), exchange_log=math.log(1.4))
    real = trajectory(CYLINDER, truth, times, air, humidity)
    state = start_state(CYLINDER, 0.0, 5.0)
    for n in range(1, times.size):
        state = advance(CYLINDER, state, [times[n]], [air[n]], [humidity[n]])
        state = observe(CYLINDER, state, float(real.skin_c[n]), 0.3)
    for factor, apart in ((state.exchange_factor, 0.5), (1.0, 10.0)):
        cold = replace(start_state(CYLINDER, 0.0, -5.0), exchange_log=math.log(factor))
        truth = replace(cold, exchange_log=math.log(1.4))
        path, wanted = (
            trajectory(CYLINDER, each, times[1:20], np.full(19, 22.0), np.full(19, 0.6)).skin_c
            for each in (cold, truth)
        )
        worst = np.abs(path - wanted).max()
        assert worst < apart
    assert worst > 1.0  # without the learning


def test_a_reading_between_two_errors_lies_between_them():
    state = start_state(PLATE, 0.0, 10.0, temperature_std_k=1.0)
    after = observe(PLATE, state, 12.0, 1.0)
    assert after.skin_c == pytest.approx(11.0)
    assert after.skin_var_k2 == pytest.approx(0.5)


def test_a_probe_without_error_is_believed():
    after = observe(PLATE, start_state(PLATE, 0.0, 10.0, temperature_std_k=3.0), 14.0, 0.01)
    assert after.skin_c == pytest.approx(14.0, abs=0.01)


def test_a_jump_moves_the_skin_and_teaches_nothing():
    """Somebody has swapped the bottle: that says nothing about how fast it warms."""
    state = start_state(CYLINDER, 0.0, 15.0, temperature_std_k=0.2)
    state = advance(CYLINDER, state, [1.0, 7200.0], [25.0, 25.0], [0.4, 0.4])
    after = observe(CYLINDER, state, -2.0, 0.3)
    assert after.skin_c == pytest.approx(-2.0, abs=0.2)
    assert after.content_c == pytest.approx(-2.0, abs=1.0)
    assert after.exchange_log == state.exchange_log


def test_readings_close_together_share_one_error():
    """A probe that reports every second for a minute knows little more than after its first reading."""
    state = start_state(PLATE, 0.0, 10.0, temperature_std_k=1.0)
    state = observe(PLATE, state, 10.5, 0.5)
    first = state.skin_std_k
    for second in range(1, 60):
        state = advance(PLATE, state, [float(second)], [10.0], [0.5])
        state = observe(PLATE, state, 10.5, 0.5)
    assert 0.85 * first < state.skin_std_k <= first * 1.01


@pytest.mark.parametrize(
    ("reading", "std", "field"), [(200.0, 0.5, "surface_temperature_c"), (5.0, 0.0, "std_k")]
)
def test_a_reading_that_cannot_be_is_refused_by_name(reading, std, field):
    with pytest.raises(RangeError, match=field):
        observe(PLATE, start_state(PLATE, 0.0, 10.0), reading, std)


def test_water_on_a_skin_that_the_probe_finds_frozen_freezes_by_its_own_heat():
    """50 g/m2 of water give 16.7 kJ/m2 when they freeze: a thin plate is held at 0 degC by it."""
    thin = plate_body(DATA, thickness_m=0.003, width_m=1.0, length_m=1.0)
    wet = replace(start_state(thin, 0.0, 0.5, film_gm2=50.0, temperature_std_k=1.0), frost_gm2=0.0)
    colder = observe(thin, wet, -1.5, 0.1)
    assert colder.skin_c < -1.0
    after = advance(thin, colder, [1.0, 60.0], [-1.0, -1.0], [0.7, 0.7])
    assert after.skin_c == 0.0
    assert 0.0 < after.frost_gm2 < after.film_gm2
