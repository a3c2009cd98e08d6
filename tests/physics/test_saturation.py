"""Saturation, dew and frost point against the published tables, and the laws they must keep."""

import math
from collections.abc import Callable

import numpy as np
import psychrolib
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import RangeError
from monitor.physics import saturation as s
from monitor.physics.elementwise import FloatArray
from monitor.physics.uncertainty import dew_point_std_k
from tests.physics.oracles_air import saturation_pressure_ice_pa

AIR = st.floats(-40.0, 60.0)
HUMIDITY = st.floats(0.01, 1.0)
RecordCheck = Callable[..., None]


def kelvin_off(found_pa: float, expected_pa: float, temperature_c: float) -> float:
    """How many kelvin of dew point a difference of two vapour pressures is worth."""
    slope = math.log(s.saturation_pressure_water_pa(temperature_c + 0.01) / found_pa) / 0.01
    return abs(math.log(found_pa / expected_pa)) / slope


# IAPWS R7-97(2012), Table 35 (300 K): the industrial formulation, 25 ppm from the scientific one used here,
# which both documents allow for; the table's two hotter rows lie beyond any shop. 0.01 K is the bound of the
# project.
def test_water_saturates_as_in_iapws_r7_97(record_check: RecordCheck) -> None:
    found = s.saturation_pressure_water_pa(300.0 - 273.15)
    record_check(
        "saturation pressure over water, as dew point",
        worst=kelvin_off(found, 3536.58941, 26.85),
        bound=0.01,
        unit="K",
        source="IAPWS R7-97(2012), Table 35, 300 K",
    )


# Wagner and Pruss 1993 give their own check values; CoolProp's water (IAPWS-95) is the full formulation
# behind them. The release states 0.02 % between the auxiliary equation and IAPWS-95.
def test_water_saturates_as_in_iapws_95(record_check: RecordCheck) -> None:
    temperatures = np.linspace(0.02, 200.0, 120)
    expected = np.array([PropsSI("P", "T", t + 273.15, "Q", 0, "Water") for t in temperatures])
    worst = np.abs(s.saturation_pressure_water_pa(temperatures) / expected - 1.0).max()
    record_check(
        "saturation pressure over water, 0 to 200 degC",
        worst=100.0 * worst,
        bound=0.02,
        unit="%",
        source="IAPWS R6-95 (IAPWS-95), by CoolProp",
    )


# ASHRAE Handbook Fundamentals 2017, ch. 1, Table 3 (Hyland and Wexler's newer successor), printed to 5
# figures; tolerance 300 ppm as the public psychrometric test files use for it, but 0.5 % at -60 degC, where
# the table has 3 figures. Below 0 degC over ice.
@pytest.mark.parametrize(
    ("temperature_c", "pressure_pa", "tolerance"),
    [
        (-60.0, 1.08, 5e-3),
        (-20.0, 103.24, 3e-4),
        (-5.0, 401.74, 3e-4),
        (5.0, 872.6, 3e-4),
        (25.0, 3169.7, 3e-4),
        (50.0, 12351.3, 3e-4),
        (100.0, 101418.0, 3e-4),
    ],
)
def test_surfaces_saturate_as_in_the_ashrae_table(
    record_check: RecordCheck, temperature_c: float, pressure_pa: float, tolerance: float
) -> None:
    record_check(
        f"saturation pressure over {'ice' if temperature_c < 0 else 'water'} at {temperature_c:g} degC",
        worst=100.0 * abs(s.saturation_pressure_pa(temperature_c) / pressure_pa - 1.0),
        bound=100.0 * tolerance,
        unit="%",
        source="ASHRAE Handbook Fundamentals 2017, ch. 1, Table 3",
    )


# IAPWS R14-08(2011), Table 3: a program's check value, 6 figures; the triple point by definition.
@pytest.mark.parametrize(("temperature_c", "pressure_pa"), [(-43.15, 8.94735), (0.01, 611.657)])
def test_ice_saturates_as_in_iapws_r14_08(
    record_check: RecordCheck, temperature_c: float, pressure_pa: float
) -> None:
    record_check(
        "saturation pressure over ice",
        worst=100.0 * abs(saturation_pressure_ice_pa(temperature_c) / pressure_pa - 1.0),
        bound=1e-4,
        unit="%",
        source="IAPWS R14-08(2011), Table 3 and triple point",
    )


def hyland_wexler_pa(temperature_c: FloatArray) -> FloatArray:
    """Hyland and Wexler 1983 over liquid water, ASHRAE's equation until 2017; continued below 0 degC."""
    t = temperature_c + 273.15
    ln_pa = -5.8002206e3 / t + 1.3914993 - 4.8640239e-2 * t + 4.1764768e-5 * t**2 - 1.4452093e-8 * t**3
    return np.exp(ln_pa + 6.5459673 * np.log(t))


def bisect_dew_c(vapour_pa: FloatArray) -> FloatArray:
    low, high = np.full_like(vapour_pa, -110.0), np.full_like(vapour_pa, 61.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = hyland_wexler_pa(middle) > vapour_pa
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return high


AIR_GRID, HUMIDITY_GRID = (
    g.ravel() for g in np.meshgrid(np.linspace(-40, 60, 101), np.linspace(0.01, 1.0, 100))
)


def test_dew_points_are_those_of_hyland_and_wexler_too(record_check: RecordCheck) -> None:
    expected = bisect_dew_c(HUMIDITY_GRID * hyland_wexler_pa(AIR_GRID))
    record_check(
        "dew point, -40 to 60 degC, 1 to 100 %RH",
        worst=float(np.abs(s.dew_point_from_rh_c(AIR_GRID, HUMIDITY_GRID) - expected).max()),
        bound=0.01,
        unit="K",
        source="Hyland and Wexler 1983 over water, solved by bisection",
    )


def test_the_iteration_adds_nothing_to_the_formulation(record_check: RecordCheck) -> None:
    dew = s.dew_point_from_rh_c(AIR_GRID, HUMIDITY_GRID)
    vapour = s.vapour_pressure_pa(AIR_GRID, HUMIDITY_GRID)
    residual = np.log(s.saturation_pressure_water_pa(dew) / vapour)
    record_check(
        "dew point iteration, -40 to 60 degC, 1 to 100 %RH",
        worst=float(np.abs(residual / 0.05).max()),  # at 60 degC, where ln p rises least, by 0.046 a kelvin
        bound=3e-5,
        unit="K",
        source="residual of Wagner and Pruss 1993, eq. (1)",
    )


# Dew points worked out with Hyland and Wexler's equation and printed to 0.1 K and 1 Pa, so half a digit and
# the 0.02 % between the two formulations.
@pytest.mark.parametrize(
    ("temperature_c", "humidity_frac", "vapour_pa", "dew_c"),
    [
        (15.0, 0.60, 1023, 7.3),
        (20.0, 0.50, 1169, 9.3),
        (25.0, 0.80, 2535, 21.3),
        (26.667, 0.80, 2799, 22.9),  # 80 degF
        (30.0, 0.70, 2972, 23.9),
        (30.0, 0.90, 3821, 28.2),
    ],
)
def test_shop_air_has_the_dew_points_of_the_trade_table(
    temperature_c: float, humidity_frac: float, vapour_pa: float, dew_c: float
) -> None:
    assert s.vapour_pressure_pa(temperature_c, humidity_frac) == pytest.approx(vapour_pa, abs=1.5)
    assert s.dew_point_from_rh_c(temperature_c, humidity_frac) == pytest.approx(dew_c, abs=0.051)


# psychrolib 2.5 (ASHRAE 2017 eqs. 5, 6; over ice below the triple point, so compared above it); it solves to
# 0.001 K, and Hyland and Wexler lie up to 0.005 K from the formulation used here.
def test_dew_points_above_freezing_are_those_of_psychrolib(record_check: RecordCheck) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    worst = 0.0
    for t in np.linspace(1.0, 60.0, 20):
        for rh in (0.05, 0.2, 0.4, 0.6, 0.8, 1.0):
            if s.dew_point_from_rh_c(t, rh) > 0.1:
                worst = max(
                    worst, abs(psychrolib.GetTDewPointFromRelHum(t, rh) - s.dew_point_from_rh_c(t, rh))
                )
    record_check("dew point above freezing", worst=worst, bound=0.01, unit="K", source="psychrolib 2.5")


# WMO-No. 8, Annex 4.B: the meteorologists' short formula for -45 to 60 degC; within 0.6 % of the full ones,
# which is up to 0.1 K.
def test_the_wmo_formula_agrees_to_a_few_hundredths(record_check: RecordCheck) -> None:
    logarithm = np.log(HUMIDITY_GRID) + 17.62 * AIR_GRID / (243.12 + AIR_GRID)
    wmo = 243.12 * logarithm / (17.62 - logarithm)
    inside = wmo >= -45.0  # the range the formula is stated for
    record_check(
        "dew point from -45 degC up",
        worst=float(np.abs(s.dew_point_from_rh_c(AIR_GRID, HUMIDITY_GRID) - wmo)[inside].max()),
        bound=0.1,
        unit="K",
        source="WMO-No. 8 (2018), Annex 4.B, simplified formula",
    )


@given(AIR, HUMIDITY)
def test_air_is_never_colder_than_its_dew_point(temperature_c: float, humidity_frac: float) -> None:
    assert s.dew_point_from_rh_c(temperature_c, humidity_frac) <= temperature_c + 1e-5


@given(AIR, HUMIDITY, st.floats(0.001, 0.3))
def test_moister_air_has_a_higher_dew_point(temperature_c: float, humidity_frac: float, more: float) -> None:
    moister = min(humidity_frac + more, 1.2)
    assert s.dew_point_from_rh_c(temperature_c, moister) > s.dew_point_from_rh_c(temperature_c, humidity_frac)


@given(st.floats(-100.0, 200.0))
def test_dew_point_undoes_saturation_over_water(temperature_c: float) -> None:
    assert s.dew_point_c(s.saturation_pressure_water_pa(temperature_c)) == pytest.approx(
        temperature_c, abs=2e-5
    )


@given(st.floats(-90.0, 200.0))
def test_frost_point_undoes_saturation_over_a_surface(temperature_c: float) -> None:
    assert s.frost_point_c(s.saturation_pressure_pa(temperature_c)) == pytest.approx(temperature_c, abs=2e-5)


@given(st.floats(1e-3, 611.0))
def test_frost_forms_before_dew_below_freezing(vapour_pa: float) -> None:
    assert s.frost_point_c(vapour_pa) > s.dew_point_c(vapour_pa)


@given(st.floats(612.0, 1.0e6))
def test_frost_and_dew_point_are_one_above_freezing(vapour_pa: float) -> None:
    assert s.frost_point_c(vapour_pa) == s.dew_point_c(vapour_pa)


@pytest.mark.parametrize("shape", [(), (1,), (7,), (3, 5), (4096,), (9001,), (2, 4097)])
def test_arrays_give_what_floats_give_in_their_shape(shape: tuple[int, ...]) -> None:
    rng = np.random.default_rng(7)
    temperature, humidity = rng.uniform(-40, 60, shape), rng.uniform(0.01, 1.0, shape)
    found = s.dew_point_from_rh_c(temperature, humidity)
    assert found.shape == shape
    assert found.dtype == np.float64
    alone = [
        s.dew_point_from_rh_c(float(t), float(h))
        for t, h in zip(temperature.flat, humidity.flat, strict=True)
    ]
    np.testing.assert_allclose(found.ravel(), alone, rtol=0, atol=1e-11)


def test_a_single_humidity_serves_an_array_of_temperatures() -> None:
    temperature = np.array([[10.0, 20.0], [30.0, 40.0]])
    assert s.vapour_pressure_pa(temperature, 0.5).shape == (2, 2)


def test_missing_stays_missing() -> None:
    assert math.isnan(s.dew_point_from_rh_c(math.nan, 0.5))
    found = s.dew_point_from_rh_c(np.array([20.0, np.nan, 20.0]), np.array([0.5, 0.5, np.nan]))
    assert np.isnan(found).tolist() == [False, True, True]


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (
            lambda: s.dew_point_from_rh_c(20.0, 50.0),
            "relative_humidity_frac: found 50.0; valid is 0.001 to 1.2",
        ),
        (lambda: s.dew_point_from_rh_c(20.0, 0.0), "relative_humidity_frac: found 0.0"),
        (lambda: s.dew_point_from_rh_c(500.0, 0.5), "temperature_c: found 500.0; valid is -60 to 200 degC"),
        (lambda: s.dew_point_c(0.0), "vapour_pressure_pa: found 0.0"),
        (lambda: s.frost_point_c(-1.0), "vapour_pressure_pa: found -1.0"),
        (lambda: s.dew_point_c(np.array([1000.0, np.nan, math.inf])), "vapour_pressure_pa: found inf"),
        (lambda: saturation_pressure_ice_pa(1.0), "temperature_c: found 1.0; valid is -140 to 0.01 degC"),
        (lambda: s.saturation_pressure_water_pa(374.0), "temperature_c: found 374.0"),
        (lambda: s.saturation_pressure_pa(-130.0), "temperature_c: found -130.0"),
        (lambda: s.vapour_pressure_pa(20.0, -0.01), "relative_humidity_frac: found -0.01"),
    ],
)
def test_a_number_outside_the_range_is_named(call: object, named: str) -> None:
    assert callable(call)
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)


# Sensor figures of the trade: 25 degC and 80 %RH with +/-2 %RH gives about 0.4 K, +/-0.3 K gives about 0.3 K,
# at 20 %RH about 1.4 K. (The closed form itself is tested against random draws elsewhere.)
def test_a_sensors_figures_give_the_known_dew_point_bands() -> None:
    assert dew_point_std_k(25.0, 0.80, 0.0, 0.02) == pytest.approx(0.4, abs=0.05)
    assert dew_point_std_k(25.0, 0.80, 0.3, 0.0) == pytest.approx(0.3, abs=0.05)
    assert dew_point_std_k(25.0, 0.80, 0.3, 0.02) == pytest.approx(0.5, abs=0.05)
    assert dew_point_std_k(25.0, 0.20, 0.0, 0.02) == pytest.approx(1.4, abs=0.05)
