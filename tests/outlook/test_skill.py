"""Degraded forecasts: as wrong as the table says, no more and no less."""

import tomllib

import numpy as np
import pytest

from monitor.outlook.hourly import ahead
from monitor.outlook.skill import degraded, draws_needed, skill_from_mapping, with_site_sensor
from monitor.physics.saturation import dew_point_c
from tests.outlook.ahead import SHARED
from tests.outlook.air import weather

SKILL = skill_from_mapping(tomllib.loads((SHARED / "outlook.toml").read_text(encoding="utf-8")))
ROWS = 24 * 300


def test_errors_have_the_usual_size_and_grow_with_lead() -> None:
    outdoor = weather(ROWS + 48)
    draws = np.random.default_rng(2).standard_normal(draws_needed(ROWS, SKILL))
    made = degraded(outdoor, ROWS, SKILL, draws)
    assert made.issued_temperature_c is not None
    miss = made.issued_temperature_c - ahead(outdoor.temperature_c, ROWS)
    for h in (6, 12, 24, 47):
        lead = h + 2.5  # the issue in hand is two and a half hours old on average
        expected = np.interp(lead, SKILL.lead_h, SKILL.temperature_std_k)
        assert miss[:, h - 1].std() == pytest.approx(expected, rel=0.08)
        assert abs(miss[:, h - 1].mean()) < 0.25


def test_the_past_is_left_as_it_was_and_no_forecast_is_oversaturated() -> None:
    outdoor = weather(ROWS + 48)
    draws = np.random.default_rng(2).standard_normal(draws_needed(ROWS, SKILL))
    made = degraded(outdoor, ROWS, SKILL, draws)
    np.testing.assert_array_equal(made.temperature_c, outdoor.temperature_c)
    assert made.issued_pressure_pa is not None
    assert made.issued_temperature_c is not None
    assert (dew_point_c(made.issued_pressure_pa) <= made.issued_temperature_c + 1e-6).all()


def test_no_draws_of_chance_means_perfect_weather() -> None:
    outdoor = weather(500)
    made = degraded(outdoor, 400, SKILL, np.zeros(draws_needed(400, SKILL)))
    np.testing.assert_allclose(made.issued_temperature_c, ahead(outdoor.temperature_c, 400))


def test_the_site_sensor_makes_the_next_hours_better_and_two_days_on_no_worse() -> None:
    outdoor = weather(ROWS + 48)
    draws = np.random.default_rng(2).standard_normal(draws_needed(ROWS, SKILL))
    raw = degraded(outdoor, ROWS, SKILL, draws)
    moved = with_site_sensor(raw)
    assert raw.issued_temperature_c is not None
    assert moved.issued_temperature_c is not None
    came = ahead(outdoor.temperature_c, ROWS)
    before = np.abs(raw.issued_temperature_c - came).mean(axis=0)
    after = np.abs(moved.issued_temperature_c - came).mean(axis=0)
    assert after[0] < 0.6 * before[0]
    assert after[5] < 0.92 * before[5]
    assert (after < 1.02 * before).all()
