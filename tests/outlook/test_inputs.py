"""The inputs of the forecaster: each is what its name says, by hand or by psychrolib."""

from dataclasses import replace

import numpy as np
import psychrolib
import pytest

from monitor.outlook.bank import foreseen_air, track
from monitor.outlook.experts import KNOTS_H, experts_for
from monitor.outlook.hourly import DAY_H, AirHistory
from monitor.outlook.inputs import ANY_HORIZON, GROUPS, Drivers, Found, Space, drivers, input_table
from monitor.physics.saturation import saturation_pressure_water_pa
from tests.outlook.air import START_S, room, weather

ROWS = DAY_H * 30


@pytest.fixture(scope="module")
def vapour() -> Drivers:
    outdoor = weather(ROWS + 48)
    d = drivers(room(outdoor, ROWS, exchange_h=0.5, lag_h=8.0, gain_pa_h=30.0), outdoor, Space.VAPOUR)
    warmer = np.repeat(d.air_c[:, None] + 4.0, len(KNOTS_H), axis=1)
    return replace(d, foreseen_air_c=foreseen_air(warmer, d.air_c))


def test_held_humidity_is_the_vapour_of_the_same_humidity_in_the_foreseen_air(vapour: Drivers) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    now = GROUPS["held humidity"](vapour, 12)[0]
    for row in (100, 400, 700):
        humidity = vapour.zone[row] * 100.0 / psychrolib.GetSatVapPres(vapour.air_c[row])
        expected = psychrolib.GetVapPresFromRelHum(vapour.air_c[row] + 4.0, humidity) / 100.0
        assert now[row] + vapour.zone[row] == pytest.approx(expected, rel=2e-3)


def test_nothing_foreseen_gives_no_held_humidity_and_an_unknown_hour_stays_as_it_is() -> None:
    outdoor = weather(ROWS)
    d = drivers(room(outdoor, ROWS, exchange_h=0.5, lag_h=8.0), outdoor, Space.VAPOUR)
    assert GROUPS["held humidity"](d, 12) == []
    foreseen = foreseen_air(np.full((ROWS, len(KNOTS_H)), np.nan), d.air_c)
    np.testing.assert_array_equal(foreseen[:, 11], d.air_c)
    assert np.isnan(foreseen[:, 4]).all()  # no knot


def test_extremes_are_the_highest_and_lowest_outdoor_air_on_the_way(vapour: Drivers) -> None:
    high, low = GROUPS["extremes"](vapour, 9)
    coming = vapour.outdoor_ahead[200, :9]
    assert high[200] == pytest.approx(max(coming) - vapour.zone[200])
    assert low[200] == pytest.approx(min(coming) - vapour.zone[200])


@pytest.mark.parametrize("temperature", [False, True])
@pytest.mark.parametrize("has_outdoor", [False, True])
def test_every_input_of_every_expert_has_its_place(
    vapour: Drivers, temperature: bool, has_outdoor: bool
) -> None:
    for expert in experts_for(temperature, has_outdoor):
        table, place = input_table(vapour, 24, expert.groups)
        assert sorted(column for columns in place.values() for column in columns) == list(
            range(table.shape[1])
        )
        for name in expert.groups:
            np.testing.assert_array_equal(
                table[:, place[name]], np.reshape(GROUPS[name](vapour, 24), (-1, ROWS)).T
            )


def test_what_is_kept_for_the_next_horizon_does_not_depend_on_the_horizon(vapour: Drivers) -> None:
    for name in ANY_HORIZON:
        for one, other in zip(GROUPS[name](vapour, 3), GROUPS[name](vapour, 36), strict=True):
            np.testing.assert_array_equal(one, other)
    found: Found = {}
    groups = tuple(GROUPS)
    input_table(vapour, 3, groups, found)
    fresh, kept = input_table(vapour, 36, groups)[0], input_table(vapour, 36, groups, found)[0]
    np.testing.assert_array_equal(fresh, kept)


def test_goods_that_hold_the_humidity_are_learnt() -> None:
    outdoor = weather(DAY_H * 45)
    rows = outdoor.temperature_c.size
    bare = room(outdoor, rows, exchange_h=0.3, lag_h=5.0)
    humidity = 0.6 + 0.1 * np.sin(np.arange(rows) / 90.0)
    pressure = humidity * saturation_pressure_water_pa(bare.temperature_c)
    store = AirHistory("paper store", START_S, bare.temperature_c, pressure)
    found = track(store, outdoor, temperature=False)
    k, settled = KNOTS_H.index(12), DAY_H * 24
    own = np.nanmean(np.abs(found.error[settled:, k]))
    plain = min(np.nanmean(np.abs(b - found.target)[settled:, k]) for b in found.baseline)
    assert own < 0.4 * plain
