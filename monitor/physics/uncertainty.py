"""How sure a computed dew point, margin or humidity ratio is, from how sure the sensors are (JCGM 100)."""

import math
from typing import Any

from monitor.physics.elementwise import SCALAR, Maths, V, Values, check_range, elementwise
from monitor.physics.saturation import (
    AIR_RANGE_C,
    HUMIDITY_RANGE,
    ZERO_C_K,
    dew_k_from_ln,
    water_slope,
)

# Hastings' approximation to the normal distribution: Abramowitz and Stegun 26.2.17
_HASTINGS_P = 0.2316419
_HASTINGS_B = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_LARGEST_SCORE = 38.0  # beyond it the probability is below the smallest float


def _check_air(temperature_c: Values, humidity_frac: Values) -> None:
    check_range("temperature_c", temperature_c, *AIR_RANGE_C, "degC")
    check_range("relative_humidity_frac", humidity_frac, *HUMIDITY_RANGE, "(a fraction)")


def _check_std(temperature_std_k: Values, humidity_std_frac: Values, correlation: Values) -> None:
    check_range("temperature_std_k", temperature_std_k, 0.0, 50.0, "K")
    check_range("relative_humidity_std_frac", humidity_std_frac, 0.0, 1.0, "(a fraction)")
    check_range("correlation", correlation, -1.0, 1.0, "")


def _root(maths: Maths, a: Any, b: Any, correlation: Any) -> Any:
    square = a * a + b * b + 2.0 * correlation * a * b
    return maths.sqrt(maths.where(square > 0.0, square, 0.0))


def _dew_parts(maths: Maths, t: Any, rh: Any, t_std: Any, rh_std: Any) -> tuple[Any, Any]:
    """What each sensor adds to the dew point, in kelvin."""
    ln_saturation, air_slope = water_slope(maths, t + ZERO_C_K)
    dew_slope = water_slope(maths, dew_k_from_ln(maths, ln_saturation + maths.log(rh)))[1]
    return air_slope / dew_slope * t_std, rh_std / (rh * dew_slope)


def dew_point_std_k(
    temperature_c: V,
    relative_humidity_frac: Values,
    temperature_std_k: Values,
    relative_humidity_std_frac: Values,
    correlation: Values = 0.0,
) -> V:
    """Standard uncertainty of the dew point from those of air temperature and relative humidity.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0.001 to 1.2.
        temperature_std_k: standard uncertainty of the air temperature, K, broadcast, 0 to 50.
        relative_humidity_std_frac: standard uncertainty of the relative humidity, fraction, broadcast, 0 to
            1.
        correlation: correlation of the two errors, broadcast, -1 to 1; 0 for separate elements, negative
            where one device's humidity element is warmed with its thermometer: the vapour stays, so the
            humidity falls by its own slope and the dew point keeps its value.
    Returns:
        standard uncertainty of the dew point over water, K, broadcast shape; first order, so within 6 %
        while the humidity's is below a quarter of the humidity.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008 (GUM), 5.2.2, eq. (13), with sensitivities from Wagner and Pruss 1993, eq. (1),
        doi 10.1063/1.555926.
    """
    _check_air(temperature_c, relative_humidity_frac)
    _check_std(temperature_std_k, relative_humidity_std_frac, correlation)
    return elementwise(
        lambda m, t, rh, ut, ur, r: _root(m, *_dew_parts(m, t, rh, ut, ur), r),
        temperature_c,
        relative_humidity_frac,
        temperature_std_k,
        relative_humidity_std_frac,
        correlation,
    )


def margin_std_k(surface_std_k: V, dew_point_std_k: Values, correlation: Values = 0.0) -> V:
    """Standard uncertainty of the margin: surface temperature less dew (or frost) point.

    Arguments:
        surface_std_k: standard uncertainty of the surface temperature, K, any shape, 0 to 50.
        dew_point_std_k: standard uncertainty of the dew point, K, broadcast, 0 to 200.
        correlation: correlation of the two errors, broadcast, -1 to 1: 0 for a probe of its own, that of
            air_dew_correlation for a body taken to be at the temperature of the same sensor.
    Returns:
        standard uncertainty of the margin, K, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008 (GUM), 5.2.2, eq. (13), for a difference.
    """
    check_range("surface_std_k", surface_std_k, 0.0, 50.0, "K")
    check_range("dew_point_std_k", dew_point_std_k, 0.0, 200.0, "K")
    check_range("correlation", correlation, -1.0, 1.0, "")
    return elementwise(lambda m, s, d, r: _root(m, s, -d, r), surface_std_k, dew_point_std_k, correlation)


def _upper_tail(maths: Maths, score: Any) -> Any:
    """Probability that a standard normal number exceeds a score of 0 or more."""
    k = 1.0 / (1.0 + _HASTINGS_P * score)
    series: Any = 0.0
    for b in reversed(_HASTINGS_B):
        series = (series + b) * k
    return maths.exp(-0.5 * score * score) * (1.0 / math.sqrt(2.0 * math.pi)) * series


def _wet(maths: Maths, margin: Any, std: Any) -> Any:
    known = std > 0.0
    score = margin / maths.where(known, std, 1.0)
    size = maths.where(score < 0.0, -score, score)
    tail = _upper_tail(maths, maths.where(size < _LARGEST_SCORE, size, _LARGEST_SCORE))
    certain = maths.where(margin > 0.0, 0.0, maths.where(margin < 0.0, 1.0, 0.5))
    likely = maths.where(score < 0.0, 1.0 - tail, tail)
    return maths.where(known, likely, certain) + 0.0 * margin


def _wet_one(margin_k: float, margin_std_k: float) -> float:
    """As `_wet` of two floats, the second above zero: every body asks for it at every tick."""
    score = margin_k / margin_std_k
    tail: float = _upper_tail(SCALAR, min(abs(score), _LARGEST_SCORE))
    return 1.0 - tail if score < 0.0 else tail


def wet_probability_frac(margin_k: V, margin_std_k: Values) -> V:
    """Probability that a surface is at or below the dew point, so that it sweats.

    Arguments:
        margin_k: surface temperature less dew (or frost) point, K, any shape, -500 to 500.
        margin_std_k: standard uncertainty of the margin, K, broadcast, 0 to 200.
    Returns:
        probability, fraction, broadcast shape; with no uncertainty 0, 0.5 or 1.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Normal distribution of the error (JCGM 100:2008, G.2), by Hastings' approximation, Abramowitz and
        Stegun 1964, 26.2.17: within 7.5e-8.
    """
    check_range("margin_k", margin_k, -500.0, 500.0, "K")
    check_range("margin_std_k", margin_std_k, 0.0, 200.0, "K")
    if margin_k.__class__ is float and margin_std_k.__class__ is float and margin_std_k > 0.0:
        return _wet_one(margin_k, margin_std_k)
    return elementwise(_wet, margin_k, margin_std_k)
