"""The closed-form uncertainties against random draws, and the probability that a surface is wet."""

import math
from collections.abc import Callable

import numpy as np
import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from monitor.model.errors import RangeError
from monitor.physics import uncertainty as u
from monitor.physics.elementwise import FloatArray
from monitor.physics.moist_air import humidity_ratio_kgkg
from monitor.physics.saturation import dew_point_from_rh_c, frost_point_c, vapour_pressure_pa
from tests.physics.oracles_doubt import (
    StatedAs,
    air_dew_correlation,
    frost_point_std_k,
    humidity_ratio_std_kgkg,
    std_from_stated,
)

DRAWS = 50_000
SEA_PA = 101325.0
RecordCheck = Callable[..., None]

DRAWN = "JCGM 101:2008: 5e4 draws, sensors of 0.1 to 0.5 K and 0.5 to 3 %RH, correlated and not"

# Wall sensors of the trade, as standard uncertainties: good, usual, poor; humidity's at most a quarter of it.
SENSORS = [(0.1, 0.005), (0.2, 0.015), (0.5, 0.03)]
AIR = [(-15.0, 0.8), (5.0, 0.9), (20.0, 0.15), (20.0, 0.5), (27.0, 0.8), (35.0, 0.7)]
CASES = [
    (t, rh, ut, ur, r) for t, rh in AIR for ut, ur in SENSORS for r in (-0.8, 0.0, 0.6) if ur <= 0.25 * rh
]


def draws(t: float, rh: float, ut: float, ur: float, r: float) -> tuple[FloatArray, FloatArray]:
    rng = np.random.default_rng(20)
    first, second = rng.standard_normal((2, DRAWS))
    second = r * first + math.sqrt(1.0 - r * r) * second
    return t + ut * first, np.clip(rh + ur * second, 0.002, 1.2)


# JCGM 101:2008 (Monte Carlo) is the reference method for JCGM 100's first order. 5e4 draws give the deviation
# itself to 0.3 %; the bound is what the closed form promises.
def test_dew_and_frost_point_uncertainties_are_those_of_random_draws(record_check: RecordCheck) -> None:
    worst = {"dew point": 0.0, "frost point": 0.0}
    for case in CASES:
        air, humidity = draws(*case)
        dew = float(np.std(dew_point_from_rh_c(air, humidity)))
        worst["dew point"] = max(worst["dew point"], abs(u.dew_point_std_k(*case) / dew - 1.0))
        frost = frost_point_c(vapour_pressure_pa(air, humidity))
        if np.all(frost < 0.0) or np.all(frost > 0.1):
            worst["frost point"] = max(
                worst["frost point"], abs(frost_point_std_k(*case) / float(np.std(frost)) - 1.0)
            )
    for name, off in worst.items():
        record_check(
            f"standard uncertainty of the {name}",
            worst=100.0 * off,
            bound=6.0,
            unit="%",
            source=DRAWN,
        )


def test_humidity_ratio_uncertainty_is_that_of_random_draws(record_check: RecordCheck) -> None:
    worst = 0.0
    pressure = SEA_PA + 500.0 * np.random.default_rng(3).standard_normal(DRAWS)
    for case in CASES:
        air, humidity = draws(*case)
        drawn = float(np.std(humidity_ratio_kgkg(vapour_pressure_pa(air, humidity), pressure)))
        t, rh, ut, ur, r = case
        found = humidity_ratio_std_kgkg(t, rh, SEA_PA, ut, ur, r, pressure_std_pa=500.0)
        worst = max(worst, abs(found / drawn - 1.0))
    record_check(
        "standard uncertainty of the humidity ratio",
        worst=100.0 * worst,
        bound=6.0,
        unit="%",
        source=DRAWN,
    )


# A body at the air's own temperature, judged by the wall sensor alone: its margin shares the sensor's error.
def test_margin_of_a_body_at_air_temperature_is_that_of_random_draws(record_check: RecordCheck) -> None:
    worst = 0.0
    for case in CASES:
        air, humidity = draws(*case)
        drawn = float(np.std(air - dew_point_from_rh_c(air, humidity)))
        shared = air_dew_correlation(*case)
        found = u.margin_std_k(case[2], u.dew_point_std_k(*case), shared)
        worst = max(worst, abs(found / drawn - 1.0))
    record_check(
        "standard uncertainty of the margin, shared sensor",
        worst=100.0 * worst,
        bound=6.0,
        unit="%",
        source=DRAWN,
    )


def test_the_wet_probability_is_the_normal_distribution(record_check: RecordCheck) -> None:
    scores = np.linspace(-39.0, 39.0, 7801)
    worst = float(np.abs(u.wet_probability_frac(scores, 1.0) - norm.cdf(-scores)).max())
    source = "scipy.stats.norm, -39 to 39 standard deviations"
    record_check("probability that a surface is wet", worst=worst, bound=1e-7, unit="1", source=source)


def test_with_no_uncertainty_a_surface_is_wet_or_dry() -> None:
    found = u.wet_probability_frac(np.array([-0.1, 0.0, 0.1]), 0.0)
    assert found.tolist() == [1.0, 0.5, 0.0]


@given(st.floats(-50.0, 50.0), st.floats(0.01, 20.0))
def test_wet_and_dry_share_all_probability(margin_k: float, std_k: float) -> None:
    wet = u.wet_probability_frac(margin_k, std_k)
    assert 0.0 <= wet <= 1.0
    assert wet + u.wet_probability_frac(-margin_k, std_k) == pytest.approx(1.0, abs=2e-7)


@given(st.floats(-20.0, 20.0), st.floats(0.0, 5.0), st.floats(0.05, 5.0))
def test_a_larger_margin_is_never_wetter(margin_k: float, more_k: float, std_k: float) -> None:
    assert u.wet_probability_frac(margin_k + more_k, std_k) <= u.wet_probability_frac(margin_k, std_k) + 1e-9


@given(st.floats(-30.0, 50.0), st.floats(0.05, 1.0), st.floats(0.0, 2.0), st.floats(0.0, 0.1))
def test_independent_errors_add_as_squares(t: float, rh: float, ut: float, ur: float) -> None:
    alone = u.dew_point_std_k(t, rh, ut, 0.0) ** 2 + u.dew_point_std_k(t, rh, 0.0, ur) ** 2
    assert u.dew_point_std_k(t, rh, ut, ur) ** 2 == pytest.approx(alone, rel=1e-9)


def test_errors_that_cancel_leave_no_uncertainty() -> None:
    assert u.margin_std_k(0.3, 0.3, 1.0) == pytest.approx(0.0, abs=1e-9)
    assert u.margin_std_k(0.3, 0.4, 0.0) == pytest.approx(0.5)


@pytest.mark.parametrize("air_c", [5.0, 20.0, 35.0])
@pytest.mark.parametrize("humidity", [0.3, 0.6, 0.9])
def test_what_warms_a_whole_device_cancels_in_the_dew_point(air_c: float, humidity: float) -> None:
    """The vapour at a warmed element is the air's: PsychroLib gives the vapour and what the element reads."""
    warmer_k = 0.05
    psychrolib.SetUnitSystem(psychrolib.SI)
    vapour_pa = psychrolib.GetVapPresFromRelHum(air_c, humidity)
    read = psychrolib.GetRelHumFromVapPres(air_c + warmer_k, vapour_pa)
    assert read < humidity
    moved_k = dew_point_from_rh_c(air_c + warmer_k, read) - dew_point_from_rh_c(air_c, humidity)
    assert moved_k == pytest.approx(0.0, abs=0.001)
    fall = humidity - read
    apart = u.dew_point_std_k(air_c, humidity, warmer_k, fall)
    assert u.dew_point_std_k(air_c, humidity, warmer_k, fall, -1.0) < 0.01 * apart
    assert u.dew_point_std_k(air_c, humidity, warmer_k, fall, 0.5) > apart  # of the wrong sign for it


def test_without_any_error_there_is_no_correlation() -> None:
    assert air_dew_correlation(20.0, 0.5, 0.0, 0.0) == 0.0
    assert air_dew_correlation(20.0, 0.5, 0.3, 0.0) == pytest.approx(1.0)


# JCGM 100:2008, 4.3.7: half-width over the root of 3; 4.3.3: a stated multiple divided by it.
@pytest.mark.parametrize(
    ("stated_as", "expected"),
    [(StatedAs.LIMITS, 0.3 / math.sqrt(3.0)), (StatedAs.EXPANDED_K2, 0.15), (StatedAs.STANDARD, 0.3)],
)
def test_a_makers_figure_becomes_a_standard_uncertainty(stated_as: StatedAs, expected: float) -> None:
    assert std_from_stated(0.3, stated_as) == pytest.approx(expected)


def test_missing_stays_missing() -> None:
    assert math.isnan(u.dew_point_std_k(math.nan, 0.5, 0.1, 0.01))
    assert np.isnan(u.wet_probability_frac(np.array([math.nan, 1.0]), 0.5)).tolist() == [True, False]


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (lambda: u.dew_point_std_k(20.0, 0.5, -0.1, 0.01), "temperature_std_k: found -0.1"),
        (lambda: u.dew_point_std_k(20.0, 0.5, 0.1, 2.0), "relative_humidity_std_frac: found 2.0"),
        (lambda: u.dew_point_std_k(20.0, 0.5, 0.1, 0.01, 1.5), "correlation: found 1.5"),
        (lambda: std_from_stated(-1.0, StatedAs.LIMITS), "plus_minus: found -1.0"),
        (lambda: u.wet_probability_frac(1.0, -1.0), "margin_std_k: found -1.0"),
        (lambda: u.margin_std_k(-1.0, 1.0), "surface_std_k: found -1.0"),
        (
            lambda: humidity_ratio_std_kgkg(99.0, 1.0, 5e4, 0.1, 0.01),
            "vapour pressure of the air: found 97",
        ),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)


@given(st.floats(-60.0, 60.0), st.floats(0.0, 20.0))
def test_one_margin_is_as_likely_wet_as_it_is_in_a_column(margin_k: float, std_k: float) -> None:
    (column,) = u.wet_probability_frac(np.array([margin_k]), np.array([std_k]))
    assert u.wet_probability_frac(margin_k, std_k) == pytest.approx(float(column), rel=1e-13, abs=1e-300)
