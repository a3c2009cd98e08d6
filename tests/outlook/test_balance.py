"""The balance against rooms whose exchange rate, lag and gains are known (closed-form hourly steps)."""

import numpy as np
import pytest

from monitor.outlook.balance import RATES_H, Balance, balance_track
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.inputs import Space, drivers
from tests.outlook.air import room, weather

ROWS = 24 * 40


@pytest.mark.parametrize(("rate", "gain"), [(RATES_H[4], 30.0), (RATES_H[7], 60.0), (RATES_H[11], 60.0)])
def test_it_finds_the_exchange_rate_and_the_morning_gain(rate: float, gain: float) -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, exchange_h=rate, lag_h=10.0, gain_pa_h=gain, noise_c=0.0)
    found = balance_track(drivers(zone, outdoor, Space.VAPOUR), KNOTS_H).newest
    assert found is not None
    assert found.rate_h == pytest.approx(rate, rel=0.6)  # the next step of the grid either way
    assert found.gain_by_hour[7:13].mean() > found.gain_by_hour[18:24].mean() + 0.004 * gain  # hPa


def test_it_finds_the_thermal_lag() -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, exchange_h=1.0, lag_h=12.0, noise_c=0.02)
    found = balance_track(drivers(zone, outdoor, Space.TEMPERATURE), KNOTS_H).newest
    assert found is not None
    assert found.lag_h == pytest.approx(12.0, rel=0.6)


def test_its_forecast_of_a_room_that_obeys_it_is_nearly_exact() -> None:
    outdoor = weather(ROWS)
    zone = room(outdoor, ROWS, exchange_h=float(RATES_H[9]), lag_h=10.0, gain_pa_h=30.0, noise_c=0.0)
    d = drivers(zone, outdoor, Space.VAPOUR)
    track = balance_track(d, KNOTS_H)
    for k, h in enumerate(KNOTS_H):
        miss = track.value[24 * 25 : -h, k] - d.zone[24 * 25 + h :]
        assert np.abs(miss).mean() < 0.15  # hPa; the square-shaped gain is met by two waves


def test_running_a_balance_without_gains_decays_exponentially() -> None:
    balance = Balance(0.5, np.zeros(24))
    value = balance.run(20.0, 0.0, np.full(6, 10.0), np.full(6, 0.5))
    np.testing.assert_allclose(value, 10.0 + 10.0 * np.exp(-0.5 * np.arange(1, 7)))
