"""How sure a computed dew point, margin or humidity ratio is, from how sure the sensors are (JCGM 100)."""

import math
from enum import StrEnum
from typing import Any

from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.moist_air import MOLAR_MASS_RATIO, PRESSURE_RANGE_PA
from monitor.physics.saturation import (
    AIR_RANGE_C,
    HUMIDITY_RANGE,
    TRIPLE_POINT_PA,
    ZERO_C_K,
    dew_k_from_ln,
    frost_k_from_ln,
    ice_slope,
    ln_water_pa,
    water_slope,
)

# Hastings' approximation to the normal distribution: Abramowitz and Stegun 26.2.17
_HASTINGS_P = 0.2316419
_HASTINGS_B = (0.319381530, -0.356563782, 1.781477937, -1.821255978, 1.330274429)
_LARGEST_SCORE = 38.0  # beyond it the probability is below the smallest float


class StatedAs(StrEnum):
    """What a maker means by a plus-or-minus figure."""

    LIMITS = "limits"  # every device is within it, anywhere alike: rectangular
    EXPANDED_K2 = "expanded_k2"  # expanded uncertainty, coverage factor 2: about 95 %
    STANDARD = "standard"  # one standard deviation already


_PER_STANDARD = {StatedAs.LIMITS: math.sqrt(3.0), StatedAs.EXPANDED_K2: 2.0, StatedAs.STANDARD: 1.0}


def std_from_stated(plus_minus: V, stated_as: StatedAs) -> V:
    """Standard uncertainty from a maker's plus-or-minus figure.

    Arguments:
        plus_minus: half-width of the stated band, in any unit, any shape, 0 to 1e9.
        stated_as: what the figure means; a data sheet that does not say is read as limits.
    Returns:
        standard uncertainty, in the unit of plus_minus, same shape.
    Raises:
        RangeError: a negative half-width.
    Reference:
        JCGM 100:2008 (GUM), 4.3.7 (rectangular, half-width over the root of 3) and 4.3.3 (multiple of a
        standard deviation).
    """
    check_range("plus_minus", plus_minus, 0.0, 1e9, "")
    return elementwise(lambda _, a: a / _PER_STANDARD[stated_as], plus_minus)


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


def _frost_parts(maths: Maths, t: Any, rh: Any, t_std: Any, rh_std: Any) -> tuple[Any, Any]:
    ln_saturation, air_slope = water_slope(maths, t + ZERO_C_K)
    ln_pressure = ln_saturation + maths.log(rh)
    over_ice = ice_slope(maths, frost_k_from_ln(maths, ln_pressure))[1]
    over_water = water_slope(maths, dew_k_from_ln(maths, ln_pressure))[1]
    slope = maths.where(ln_pressure < math.log(TRIPLE_POINT_PA), over_ice, over_water)
    return air_slope / slope * t_std, rh_std / (rh * slope)


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
            where one device's humidity element is warmed with its thermometer.
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


def frost_point_std_k(
    temperature_c: V,
    relative_humidity_frac: Values,
    temperature_std_k: Values,
    relative_humidity_std_frac: Values,
    correlation: Values = 0.0,
) -> V:
    """Standard uncertainty of the frost point (dew point above 0.01 degC) from those of the air's readings.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0.001 to 1.2.
        temperature_std_k: standard uncertainty of the air temperature, K, broadcast, 0 to 50.
        relative_humidity_std_frac: standard uncertainty of the relative humidity, fraction, broadcast, 0 to
            1.
        correlation: correlation of the two errors, broadcast, -1 to 1.
    Returns:
        standard uncertainty of the frost point, K, broadcast shape; first order, as for the dew point.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008 (GUM), 5.2.2, eq. (13), with sensitivities from Wagner and Pruss 1993, eq. (1),
        doi 10.1063/1.555926, and IAPWS R14-08(2011), eq. (6).
    """
    _check_air(temperature_c, relative_humidity_frac)
    _check_std(temperature_std_k, relative_humidity_std_frac, correlation)
    return elementwise(
        lambda m, t, rh, ut, ur, r: _root(m, *_frost_parts(m, t, rh, ut, ur), r),
        temperature_c,
        relative_humidity_frac,
        temperature_std_k,
        relative_humidity_std_frac,
        correlation,
    )


def air_dew_correlation(
    temperature_c: V,
    relative_humidity_frac: Values,
    temperature_std_k: Values,
    relative_humidity_std_frac: Values,
    correlation: Values = 0.0,
) -> V:
    """Correlation between the errors of an air temperature and of the dew point computed from it.

    A body that has taken the air's temperature, judged by the same sensor, shares its error: give this to
    margin_std_k, or the margin looks less sure than it is.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0.001 to 1.2.
        temperature_std_k: standard uncertainty of the air temperature, K, broadcast, 0 to 50.
        relative_humidity_std_frac: standard uncertainty of the relative humidity, fraction, broadcast, 0 to
            1.
        correlation: correlation of the two sensors' errors, broadcast, -1 to 1.
    Returns:
        correlation, -1 to 1, broadcast shape; 0 where neither sensor has an error.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008 (GUM), F.1.2.3, eq. (F.2), with the sensitivities of dew_point_std_k.
    """
    _check_air(temperature_c, relative_humidity_frac)
    _check_std(temperature_std_k, relative_humidity_std_frac, correlation)

    def shared(m: Maths, t: Any, rh: Any, ut: Any, ur: Any, r: Any) -> Any:
        by_temperature, by_humidity = _dew_parts(m, t, rh, ut, ur)
        total = _root(m, by_temperature, by_humidity, r)
        known = total > 0.0
        return m.where(known, (by_temperature + r * by_humidity) / m.where(known, total, 1.0), 0.0 * total)

    return elementwise(
        shared,
        temperature_c,
        relative_humidity_frac,
        temperature_std_k,
        relative_humidity_std_frac,
        correlation,
    )


def humidity_ratio_std_kgkg(
    temperature_c: V,
    relative_humidity_frac: Values,
    pressure_pa: Values,
    temperature_std_k: Values,
    relative_humidity_std_frac: Values,
    correlation: Values = 0.0,
    *,
    pressure_std_pa: Values = 0.0,
) -> V:
    """Standard uncertainty of the humidity ratio from those of the air's readings and of the pressure.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0.001 to 1.2.
        pressure_pa: total pressure, Pa, broadcast, 2e4 to 2e6, above the vapour pressure.
        temperature_std_k: standard uncertainty of the air temperature, K, broadcast, 0 to 50.
        relative_humidity_std_frac: standard uncertainty of the relative humidity, fraction, broadcast, 0 to
            1.
        correlation: correlation of the errors of temperature and humidity, broadcast, -1 to 1.
        pressure_std_pa: standard uncertainty of the pressure, Pa, broadcast, 0 to 1e6; independent of the
            others.
    Returns:
        standard uncertainty of the humidity ratio, kg/kg, broadcast shape; first order.
    Raises:
        RangeError: an argument outside its range, or a vapour pressure not below the total pressure.
    Reference:
        JCGM 100:2008 (GUM), 5.2.2, eq. (13); ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (20).
    """
    _check_air(temperature_c, relative_humidity_frac)
    _check_std(temperature_std_k, relative_humidity_std_frac, correlation)
    check_range("pressure_pa", pressure_pa, *PRESSURE_RANGE_PA, "Pa")
    check_range("pressure_std_pa", pressure_std_pa, 0.0, 1e6, "Pa")
    vapour = elementwise(_vapour, temperature_c, relative_humidity_frac)
    check_below("vapour pressure of the air", vapour, "pressure_pa", pressure_pa)
    return elementwise(
        _ratio_std,
        temperature_c,
        relative_humidity_frac,
        pressure_pa,
        temperature_std_k,
        relative_humidity_std_frac,
        correlation,
        pressure_std_pa,
    )


def _vapour(maths: Maths, t: Any, rh: Any) -> Any:
    return rh * maths.exp(ln_water_pa(maths, t + ZERO_C_K))


def _ratio_std(maths: Maths, t: Any, rh: Any, p: Any, t_std: Any, rh_std: Any, r: Any, p_std: Any) -> Any:
    ln_saturation, slope = water_slope(maths, t + ZERO_C_K)
    vapour = rh * maths.exp(ln_saturation)
    dry = p - vapour
    by_vapour = MOLAR_MASS_RATIO * p / (dry * dry)
    by_air = _root(maths, by_vapour * vapour * slope * t_std, by_vapour * vapour / rh * rh_std, r)
    return _root(maths, by_air, MOLAR_MASS_RATIO * vapour / (dry * dry) * p_std, 0.0)


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
    return elementwise(_wet, margin_k, margin_std_k)
