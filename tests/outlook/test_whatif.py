"""What-if answers against the exact decay of a zone whose exchange is known."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.model.reading import Quantity
from monitor.outlook.courses import zone_course
from monitor.outlook.hourly import AirHistory
from monitor.outlook.whatif import Control, ZoneAnswer, controlled, door_factors
from monitor.physics.moist_air import relative_humidity_frac
from tests.outlook.ahead import HOURS, NOW_S, forecast, practice
from tests.outlook.air import START_S, weather

END_S = NOW_S + 48 * 3600.0
ANSWER = ZoneAnswer(rate_h=0.5, shut_factor=0.4, open_factor=2.0, measured=True)


def test_shutting_the_door_slows_the_change_to_the_shut_rate() -> None:
    """Outdoors 2000 Pa, zone from 1000 Pa: e = 2000 - 1000·exp(-r·t), for either rate."""
    usual = zone_course(forecast("bay", 7.0, 25.0, spread_k=0.0))
    decay = 2000.0 - 1000.0 * np.exp(-ANSWER.rate_h * HOURS)
    usual = replace(usual, vapour_pressure_pa=np.broadcast_to(decay, usual.temperature_c.shape).copy())
    outdoor = np.full(49, 2000.0)
    control = Control(shut_from_s=NOW_S, shut_until_s=END_S)
    found = controlled(usual, control, ANSWER, outdoor, practice()).vapour_pressure_pa
    exact = 2000.0 - 1000.0 * np.exp(-ANSWER.rate_h * 0.4 * HOURS)
    np.testing.assert_allclose(found[0], exact, atol=12.0)  # hourly steps with a mean drive


def test_opening_it_when_the_outdoor_air_is_drier_dries_the_zone() -> None:
    usual = zone_course(forecast("bay", 15.0, 18.0))
    control = Control(open_from_s=NOW_S, open_until_s=END_S)
    found = controlled(usual, control, ANSWER, np.full(49, 900.0), practice())
    assert (found.vapour_pressure_pa[:, 5:] < usual.vapour_pressure_pa[:, 5:]).all()


def test_no_control_changes_nothing() -> None:
    usual = zone_course(forecast("bay", 12.0, 15.0))
    found = controlled(usual, Control(), ANSWER, np.full(49, 1500.0), practice())
    np.testing.assert_array_equal(found.vapour_pressure_pa, usual.vapour_pressure_pa)
    np.testing.assert_array_equal(found.temperature_c, usual.temperature_c)


def test_heating_warms_the_air_and_adds_no_water() -> None:
    usual = zone_course(forecast("bay", 12.0, 14.0))
    control = Control(heat_to_c=20.0, heat_from_s=NOW_S + 6 * 3600.0)
    found = controlled(usual, control, ANSWER, np.full(49, np.nan), practice())
    assert (found.temperature_c[:, :7] == usual.temperature_c[:, :7]).all()
    assert found.temperature_c[-1, 20] == pytest.approx(20.0, abs=0.05)
    np.testing.assert_allclose(found.vapour_pressure_pa, usual.vapour_pressure_pa)


def test_a_dehumidifier_holds_its_humidity() -> None:
    usual = zone_course(forecast("bay", 14.0, 16.0))
    found = controlled(
        usual, Control(dry_to_frac=0.5, dry_from_s=NOW_S), None, np.full(49, np.nan), practice()
    )
    humidity = relative_humidity_frac(found.temperature_c, found.vapour_pressure_pa)
    assert humidity[:, 15:].max() == pytest.approx(0.5, abs=0.02)


def test_the_doors_effect_is_learnt_from_its_sensor() -> None:
    rows = 24 * 30
    outdoor = weather(rows)
    door = ((np.arange(rows) % 24 >= 8) & (np.arange(rows) % 24 < 14)).astype(float)
    door[np.random.default_rng(3).random(rows) < 0.3] = 0.0
    pressure = np.empty(rows)
    value = 900.0
    for n in range(rows):
        rate = 0.2 + 0.8 * door[n]
        value = np.exp(-rate) * value + (1 - np.exp(-rate)) * outdoor.vapour_pressure_pa[n]
        pressure[n] = value
    history = AirHistory("bay", START_S, np.full(rows, 15.0), pressure, beside={Quantity.DOOR_OPEN: door})
    found = door_factors(history, outdoor)
    assert found is not None
    shut, opened = found
    assert opened / shut == pytest.approx((1 - np.exp(-1.0)) / (1 - np.exp(-0.2)), rel=0.15)
    assert door_factors(replace(history, beside={}), outdoor) is None
    assert door_factors(replace(history, beside={Quantity.DOOR_OPEN: np.zeros(rows)}), outdoor) is None
