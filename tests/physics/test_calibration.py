"""Salt checks, corrections and drift against published tables, numpy's fit and random draws."""

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.errors import InputError, RangeError
from monitor.physics import calibration as c
from monitor.physics.saturation import saturation_pressure_water_pa
from monitor.settings.reference import load_toml
from tests.physics.oracles_doubt import corrected_humidity_frac, corrected_std_frac

RecordCheck = Callable[..., None]
SALTS = c.salts_from_mapping(load_toml("salts.toml"))
DAY_S = 86400.0


# CRC Handbook, "Constant Humidity Solutions": RH = A exp(B/T), stated to about +/-2 %: an independent fit.
@pytest.mark.parametrize(
    ("salt", "a", "b"),
    [
        ("lithium_chloride", 14.53, -75.0),
        ("magnesium_chloride", 29.26, 34.0),
        ("sodium_chloride", 69.20, 25.0),
        ("potassium_chloride", 49.38, 159.0),
        ("potassium_sulphate", 86.75, 34.0),
    ],
)
def test_salts_agree_with_the_handbook_formula(
    record_check: RecordCheck, salt: str, a: float, b: float
) -> None:
    celsius = np.array([20.0, 22.0, 25.0])
    expected = 0.01 * a * np.exp(b / (celsius + 273.15))
    record_check(
        "humidity over saturated salts, 20 to 25 degC",
        worst=100.0 * float(np.abs(c.salt_humidity_frac(celsius, SALTS[salt]) - expected).max()),
        bound=0.5,
        unit="%RH",
        source="CRC Handbook, Constant Humidity Solutions, A exp(B/T), stated to +/-2 %",
    )


# Published table of T. Padfield, printed to 0.1 %RH; its 75.7 for NaCl at 20 degC breaks its own trend.
@pytest.mark.parametrize(
    ("salt", "at_20", "at_25"),
    [
        ("lithium_chloride", 0.113, 0.113),
        ("magnesium_chloride", 0.331, 0.328),
        ("sodium_chloride", None, 0.753),
        ("potassium_chloride", 0.851, 0.843),
        ("potassium_sulphate", 0.976, 0.973),
    ],
)
def test_salts_agree_with_the_published_table(
    record_check: RecordCheck, salt: str, at_20: float | None, at_25: float
) -> None:
    for celsius, expected in ((20.0, at_20), (25.0, at_25)):
        if expected is not None:
            record_check(
                "humidity over saturated salts",
                worst=100.0 * abs(c.salt_humidity_frac(celsius, SALTS[salt]) - expected),
                bound=0.06,
                unit="%RH",
                source="T. Padfield's table of saturated salts, to 0.1 %RH",
            )


# Wexler and Hasegawa 1954: NaCl peaks at 75.6 %RH at 30 degC; a slightly other shape, so 0.6 %RH.
def test_salt_water_of_1954_is_near() -> None:
    assert c.salt_humidity_frac(30.0, SALTS["sodium_chloride"]) == pytest.approx(0.756, abs=0.006)


# Trade fact: at 25 degC a kelvin between salt and sensor is about 6 % of the reading, 4.5 %RH at NaCl. Here
# by a plain difference of saturation pressures.
def test_a_temperature_difference_weighs_as_saturation_says() -> None:
    salt = replace(SALTS["sodium_chloride"], plus_minus_frac=(0.0,) * 8)
    rise = saturation_pressure_water_pa(25.5) - saturation_pressure_water_pa(24.5)
    assert c.salt_std_frac(25.0, salt, 1.0) == pytest.approx(
        0.7529 * rise / saturation_pressure_water_pa(25.0), rel=0.01
    )
    assert c.salt_std_frac(25.0, salt, 1.0) == pytest.approx(0.045, abs=0.002)


def check(indicated: float, reference: float, std: float = 0.01, day: float = 0.0) -> c.CheckPoint:
    return c.CheckPoint(day * DAY_S, indicated, reference, std)


def test_two_salts_are_met_exactly() -> None:
    correction = c.correction_from_checks([check(0.35, 0.328), check(0.79, 0.753)])
    found = corrected_humidity_frac(np.array([0.35, 0.79]), correction)
    np.testing.assert_allclose(found, [0.328, 0.753], atol=1e-12)


def test_one_salt_shifts_and_leaves_the_gain_unsure() -> None:
    correction = c.correction_from_checks([check(0.79, 0.753)], unknown_gain_std=0.03)
    assert corrected_humidity_frac(0.50, correction) == pytest.approx(0.463)
    assert corrected_std_frac(0.79, correction) == pytest.approx(0.01)
    assert corrected_std_frac(0.29, correction) == pytest.approx(math.hypot(0.01, 0.015))


# JCGM 101:2008: the checks drawn at random a hundred thousand times, each time a new line through them.
def test_the_corrections_uncertainty_is_that_of_random_draws(record_check: RecordCheck) -> None:
    rng = np.random.default_rng(5)
    points = [check(0.12, 0.113, 0.012), check(0.35, 0.328, 0.008), check(0.79, 0.753, 0.010)]
    at = np.array([0.05, 0.3, 0.6, 0.95])
    weight = np.array([p.std_frac**-2 for p in points])
    x = np.array([p.indicated_frac for p in points])
    y = np.array([p.reference_frac for p in points]) - x
    drawn = y + np.array([p.std_frac for p in points]) * rng.standard_normal((100_000, 3))
    centre = weight @ x / weight.sum()
    lever = weight * (x - centre)
    lines = (drawn @ weight / weight.sum())[:, None] + (drawn @ lever / (lever @ (x - centre)))[:, None] * (
        at - centre
    )
    worst = np.abs(corrected_std_frac(at, c.correction_from_checks(points)) / lines.std(axis=0) - 1.0).max()
    record_check(
        "standard uncertainty of a corrected humidity",
        worst=100.0 * float(worst),
        bound=2.0,
        unit="%",
        source="JCGM 101:2008: 1e5 draws of three salt checks",
    )


@given(
    st.lists(
        st.tuples(st.floats(0.05, 0.95), st.floats(-0.08, 0.08), st.floats(0.002, 0.05)),
        min_size=1,
        max_size=6,
    ),
    st.floats(0.0, 1.0),
)
def test_a_fit_is_that_of_numpy(rows: list[tuple[float, float, float]], at: float) -> None:
    points = [check(x, min(max(x + shift, 0.0), 1.0), std) for x, shift, std in rows]
    x = np.array([p.indicated_frac for p in points])
    correction = c.correction_from_checks(points)
    if np.ptp(x) < 0.2:
        assert correction.gain_error == 0.0
        return
    error = np.array([p.reference_frac for p in points]) - x
    weight = np.array([1.0 / p.std_frac for p in points])
    line = np.polynomial.Polynomial.fit(x, error, 1, w=weight)
    assert corrected_humidity_frac(at, correction) == pytest.approx(at + line(at), abs=1e-6)


def test_drift_is_told_from_noise() -> None:
    slow = c.drift_between(check(0.753, 0.753, 0.01), check(0.758, 0.753, 0.01, day=365.25))
    assert slow.rate_per_year_frac == pytest.approx(0.005)
    assert slow.rate_per_year_std_frac == pytest.approx(math.sqrt(2.0) * 0.01)
    assert not slow.significant
    fast = c.drift_between(check(0.753, 0.753, 0.01), check(0.803, 0.753, 0.01, day=365.25))
    assert fast.significant


def test_the_tables_own_error_cancels_between_two_checks_over_one_salt() -> None:
    drift = c.drift_between(check(0.75, 0.753), check(0.76, 0.753, day=365.25), shared_std_frac=0.01)
    assert drift.rate_per_year_std_frac == pytest.approx(0.0, abs=1e-12)


def test_the_next_check_comes_before_the_tolerance_is_left() -> None:
    last, drift = check(0.763, 0.753, 0.004, day=100.0), c.Drift(0.02, 0.004)
    due = c.next_check_s(last, drift, 0.05)
    years = (due - last.time_s) / c.YEAR_S
    assert 0.01 + 0.02 * years + 1.96 * math.hypot(0.004, 0.004 * years) <= 0.05
    assert 0.01 + 0.02 * (years + 0.01) + 1.96 * math.hypot(0.004, 0.004 * (years + 0.01)) > 0.05
    assert c.next_check_s(check(0.85, 0.753, 0.004), drift, 0.05) == 0.0
    assert c.next_check_s(last, c.Drift(0.0, 0.0), 0.05) == pytest.approx(
        last.time_s + 5 * c.YEAR_S, rel=0.01
    )


def test_checks_that_cannot_be_compared_are_refused() -> None:
    with pytest.raises(InputError, match=r"second\.time_s"):
        c.drift_between(check(0.75, 0.753, day=2.0), check(0.75, 0.753, day=1.0))
    with pytest.raises(InputError, match="over the same salt"):
        c.drift_between(check(0.75, 0.753), check(0.33, 0.328, day=9.0))
    with pytest.raises(InputError, match="at least one salt"):
        c.correction_from_checks([])


@pytest.mark.parametrize(
    ("salts", "named"),
    [
        ({}, "salts: found no table"),
        ({"x": {"temperature_c": [20, 25]}}, "salts.x: found 'humidity_frac'"),
        (
            {
                "x": {
                    "temperature_c": [25, 20],
                    "humidity_frac": [0.5, 1.5],
                    "plus_minus_frac": [0.1],
                    "status": "published",
                    "source": "nobody",
                }
            },
            "salts.x: found columns of unequal length",
        ),
    ],
)
def test_a_damaged_table_of_salts_is_named_in_full(salts: dict[str, object], named: str) -> None:
    with pytest.raises(InputError) as caught:
        c.salts_from_mapping({"salts": salts})
    assert str(caught.value).startswith(named)


@pytest.mark.parametrize(
    ("call", "named"),
    [
        (
            lambda: c.salt_humidity_frac(50.0, SALTS["sodium_chloride"]),
            "temperature_c: found 50.0; valid is 5 to 40",
        ),
        (lambda: c.salt_std_frac(20.0, SALTS["sodium_chloride"], -1.0), "difference_std_k: found -1.0"),
        (lambda: c.correction_from_checks([check(0.5, 0.5, 0.0)]), "std_frac: found 0.0"),
        (lambda: corrected_humidity_frac(50.0, c.Correction(0, 0, 0, 0, 0)), "indicated_frac: found 50.0"),
        (
            lambda: corrected_std_frac(0.5, c.Correction(0, 0, 0, 0, 0), -1.0),
            "reading_std_frac: found -1.0",
        ),
        (lambda: c.next_check_s(check(0.5, 0.5), c.Drift(0, 0), 0.0), "tolerance_frac: found 0.0"),
        (
            lambda: c.drift_between(check(0.5, 0.5), check(0.5, 0.5, day=1.0), 0.1),
            "shared_std_frac: found 0.1",
        ),
    ],
)
def test_a_number_outside_the_range_is_named(call: Callable[[], object], named: str) -> None:
    with pytest.raises(RangeError) as caught:
        call()
    assert str(caught.value).startswith(named)
