"""Where water vapour is in balance with liquid water and with ice: saturation pressure, dew and frost point.

Over liquid water: Wagner and Pruss 1993, the auxiliary equation of the IAPWS-95 formulation, from the triple
point up; below it, for supercooled water, Hyland and Wexler 1983, because relative humidity is over liquid
water at every temperature. Over ice: IAPWS R14-08. All three give 611.657 Pa at the triple point.
"""

import math
from functools import lru_cache
from typing import Any

from monitor.physics.elementwise import SCALAR, Maths, V, Values, check_range, elementwise

ZERO_C_K = 273.15
TRIPLE_POINT_C = 0.01
TRIPLE_POINT_PA = 611.657

# Wagner and Pruss 1993, eq. (1): exponents 1, 1.5, 3, 3.5, 4, 7.5 of 1 - T/Tc
_CRITICAL_K = 647.096
_LN_CRITICAL_PA = math.log(22.064e6)
_W1, _W2, _W3 = -7.85951783, 1.84408259, -11.7866497
_W4, _W5, _W6 = 22.6807411, -15.9618719, 1.80122502

# Below the triple point: what Hyland and Wexler's equation over water adds to ln p there, as a polynomial in
# the distance from it, within 1.2e-4 (0.0015 K of dew point) down to -125 degC
_H2, _H3, _H4 = 2.17001177e-07, -2.10738933e-09, -1.30260122e-10

# IAPWS R14-08, Table 2 (sublimation curve)
_TRIPLE_K = 273.16
_LN_TRIPLE_PA = math.log(TRIPLE_POINT_PA)
_ICE_A = (-0.212144006e2, 0.273203819e2, -0.610598130e1)
_ICE_B = (0.333333333e-2, 0.120666667e1, 0.170333333e1)

# Starting values: 1/T as a polynomial in ln(e/Pa), fitted to the two curves above. Over water within 0.041 K
# from -125 to 215 degC, over ice within 0.0023 K from -150 to 0.01 degC; one Newton step leaves < 1e-5 K.
_WATER_START = (4.80785324e-03, -1.74317045e-04, -4.78816725e-07, -2.56390938e-08, -9.06082497e-10)
_ICE_START = (4.70430684e-03, -1.62735628e-04, 3.62299105e-08, -2.50470391e-09, -6.46114126e-11)

WATER_RANGE_C = (-120.0, 350.0)
DEW_RANGE_PA = (1e-4, 1.8e6)
AIR_RANGE_C = (-60.0, 200.0)
HUMIDITY_RANGE = (0.001, 1.2)
REMEMBERED = 1_024  # of each: pairs, pressures, points; what a tick of a large shop asks for again


def ln_water_pa(maths: Maths, temperature_k: Any) -> Any:
    """Natural logarithm of the saturation pressure over water; the kernel of the functions below."""
    inverse = _CRITICAL_K / temperature_k
    gap = 1.0 - temperature_k * (1.0 / _CRITICAL_K)
    root = maths.sqrt(gap)
    gap2 = gap * gap
    bracket = _W1 + root * _W2 + gap2 * (_W3 + root * _W4 + gap * _W5 + gap2 * gap2 * (root * _W6))
    below = maths.least(temperature_k - _TRIPLE_K, 0.0)
    supercooled = below * below * (_H2 + below * (_H3 + below * _H4))
    return _LN_CRITICAL_PA + inverse * gap * bracket + supercooled


def water_slope(maths: Maths, temperature_k: Any) -> tuple[Any, Any]:
    """ln p over water, and its derivative to the temperature."""
    inverse = 1.0 / temperature_k
    gap = 1.0 - temperature_k * (1.0 / _CRITICAL_K)
    root = maths.sqrt(gap)
    gap2 = gap * gap
    tail = gap2 * gap2 * (root * _W6)
    bracket = _W1 + root * _W2 + gap2 * (_W3 + root * _W4 + gap * _W5 + tail)
    powers = (
        _W1 + root * (1.5 * _W2) + gap2 * (3.0 * _W3 + root * (3.5 * _W4) + gap * (4.0 * _W5) + 7.5 * tail)
    )
    reduced = _CRITICAL_K * inverse * gap * bracket
    below = maths.least(temperature_k - _TRIPLE_K, 0.0)
    supercooled = below * below * (_H2 + below * (_H3 + below * _H4))
    bend = below * (2.0 * _H2 + below * (3.0 * _H3 + below * (4.0 * _H4)))
    return _LN_CRITICAL_PA + reduced + supercooled, bend - inverse * (reduced + powers)


def ln_ice_pa(maths: Maths, temperature_k: Any) -> Any:
    """Natural logarithm of the saturation pressure over ice; the kernel of the functions below."""
    return ice_slope(maths, temperature_k)[0]


def ice_slope(maths: Maths, temperature_k: Any) -> tuple[Any, Any]:
    """ln p over ice, and its derivative to the temperature."""
    ln_ratio = maths.log(temperature_k * (1.0 / _TRIPLE_K))
    terms = [a * maths.exp((b - 1.0) * ln_ratio) for a, b in zip(_ICE_A, _ICE_B, strict=True)]
    slope = sum((b - 1.0) * term for b, term in zip(_ICE_B, terms, strict=True))
    return _LN_TRIPLE_PA + sum(terms), slope / temperature_k


def _start(ln_pressure: Any, c: tuple[float, ...]) -> Any:
    return 1.0 / (
        c[0] + ln_pressure * (c[1] + ln_pressure * (c[2] + ln_pressure * (c[3] + ln_pressure * c[4])))
    )


def dew_k_from_ln(maths: Maths, ln_pressure: Any) -> Any:
    """Dew point over water in kelvin from ln(e/Pa); the kernel of the functions below."""
    temperature_k = _start(ln_pressure, _WATER_START)
    value, slope = water_slope(maths, temperature_k)
    return temperature_k + (ln_pressure - value) / slope


def frost_k_from_ln(maths: Maths, ln_pressure: Any) -> Any:
    """Frost point over ice in kelvin from ln(e/Pa); the kernel of the functions below."""
    temperature_k = _start(ln_pressure, _ICE_START)
    value, slope = ice_slope(maths, temperature_k)
    return temperature_k + (ln_pressure - value) / slope


def _over_water(maths: Maths, temperature_c: Any) -> Any:
    return maths.exp(ln_water_pa(maths, temperature_c + ZERO_C_K))


def _over_ice(maths: Maths, temperature_c: Any) -> Any:
    return maths.exp(ln_ice_pa(maths, temperature_c + ZERO_C_K))


def _over_surface(maths: Maths, temperature_c: Any) -> Any:
    frozen = temperature_c < TRIPLE_POINT_C
    return maths.where(frozen, _over_ice(maths, temperature_c), _over_water(maths, temperature_c))


def _humid(maths: Maths, temperature_c: Any, humidity_frac: Any) -> Any:
    return humidity_frac * _over_water(maths, temperature_c)


def _dew(maths: Maths, pressure_pa: Any) -> Any:
    return dew_k_from_ln(maths, maths.log(pressure_pa)) - ZERO_C_K


def _frost(maths: Maths, pressure_pa: Any) -> Any:
    ln_pressure = maths.log(pressure_pa)
    if maths is SCALAR:  # of one number only one of the two is asked for
        over_which = frost_k_from_ln if pressure_pa < TRIPLE_POINT_PA else dew_k_from_ln
        return over_which(maths, ln_pressure) - ZERO_C_K
    over_water = dew_k_from_ln(maths, ln_pressure)
    over_ice = frost_k_from_ln(maths, ln_pressure)
    return maths.where(pressure_pa < TRIPLE_POINT_PA, over_ice, over_water) - ZERO_C_K


def _dew_from_humidity(maths: Maths, temperature_c: Any, humidity_frac: Any) -> Any:
    ln_pressure = ln_water_pa(maths, temperature_c + ZERO_C_K) + maths.log(humidity_frac)
    return dew_k_from_ln(maths, ln_pressure) - ZERO_C_K


def saturation_pressure_water_pa(temperature_c: V) -> V:
    """Pressure of water vapour in balance with liquid water (supercooled below 0 degC).

    Arguments:
        temperature_c: water temperature, degC, any shape, -120 to 350.
    Returns:
        saturation pressure, Pa, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        From 0.01 degC up Wagner and Pruss, J. Phys. Chem. Ref. Data 22 (1993) 783, eq. (1),
        doi 10.1063/1.555926 (IAPWS SR1-86(1992)); below, Hyland and Wexler, ASHRAE Trans. 89(2A) (1983) 500,
        eq. (17) over water, within 1.2e-4.
    """
    check_range("temperature_c", temperature_c, *WATER_RANGE_C, "degC")
    return elementwise(_over_water, temperature_c)


def saturation_pressure_pa(temperature_c: V) -> V:
    """Pressure of water vapour in balance with a surface: over ice below 0.01 degC, over water above.

    Arguments:
        temperature_c: surface temperature, degC, any shape, -120 to 350.
    Returns:
        saturation pressure, Pa, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        IAPWS R14-08(2011), eq. (6), below the triple point; Wagner and Pruss 1993, eq. (1),
        doi 10.1063/1.555926, above it. The two meet at 611.657 Pa.
    """
    check_range("temperature_c", temperature_c, *WATER_RANGE_C, "degC")
    return elementwise(_over_surface, temperature_c)


def vapour_pressure_pa(temperature_c: V, relative_humidity_frac: Values) -> V:
    """Pressure of the water vapour in air of a relative humidity, over liquid water at every temperature.

    Arguments:
        temperature_c: air temperature, degC, any shape, -120 to 350.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0 to 1.2 (a sensor
            in fog may read above 1).
    Returns:
        vapour pressure, Pa, broadcast shape.
    Raises:
        RangeError: an argument outside its range (a percentage given for a fraction is caught here).
    Reference:
        WMO-No. 8 (2018) Annex 4.A, definition of relative humidity (over water below 0 degC too), without
        enhancement factor, which cancels in the dew point; saturation from Wagner and Pruss 1993.
    """
    check_range("temperature_c", temperature_c, *WATER_RANGE_C, "degC")
    check_range("relative_humidity_frac", relative_humidity_frac, 0.0, HUMIDITY_RANGE[1], "(a fraction)")
    return elementwise(_humid, temperature_c, relative_humidity_frac)


@lru_cache(maxsize=REMEMBERED)
def vapour_of(temperature_c: float, relative_humidity_frac: float) -> float:
    """As `vapour_pressure_pa` for one pair of floats; every body of a zone asks for that of the same air."""
    warm = WATER_RANGE_C[0] <= temperature_c <= WATER_RANGE_C[1]
    if warm and 0.0 <= relative_humidity_frac <= HUMIDITY_RANGE[1]:
        return float(_humid(SCALAR, temperature_c, relative_humidity_frac))
    return vapour_pressure_pa(temperature_c, relative_humidity_frac)


@lru_cache(maxsize=REMEMBERED)
def frost_point_of(vapour_pressure_pa: float) -> float:
    """As `frost_point_c` for one float; every body of a zone asks for that of the same air."""
    if DEW_RANGE_PA[0] <= vapour_pressure_pa <= DEW_RANGE_PA[1]:
        return float(_frost(SCALAR, vapour_pressure_pa))
    return frost_point_c(vapour_pressure_pa)


def dew_point_c(vapour_pressure_pa: V) -> V:
    """Temperature at which liquid water begins to condense from air of a vapour pressure.

    Arguments:
        vapour_pressure_pa: partial pressure of water vapour, Pa, any shape, 1e-4 to 1.8e6.
    Returns:
        dew point over liquid water (supercooled below 0 degC), degC, same shape.
    Raises:
        RangeError: vapour pressure outside its range; dry air (0 Pa) has no dew point.
    Reference:
        Inverse of Wagner and Pruss 1993, eq. (1), doi 10.1063/1.555926: a fitted start within 0.041 K, then
        one Newton step; the residual is below 1e-5 K over the whole range.
    """
    check_range("vapour_pressure_pa", vapour_pressure_pa, *DEW_RANGE_PA, "Pa")
    return elementwise(_dew, vapour_pressure_pa)


def frost_point_c(vapour_pressure_pa: V) -> V:
    """Temperature at which frost, or dew above 0.01 degC, begins to form from air of a vapour pressure.

    Arguments:
        vapour_pressure_pa: partial pressure of water vapour, Pa, any shape, 1e-4 to 1.8e6.
    Returns:
        frost point over ice below the triple point, dew point above it, degC, same shape.
    Raises:
        RangeError: vapour pressure outside its range; dry air (0 Pa) has no frost point.
    Reference:
        Inverse of IAPWS R14-08(2011), eq. (6): a fitted start within 0.0023 K, then one Newton step; above
        611.657 Pa the inverse of Wagner and Pruss 1993, eq. (1), doi 10.1063/1.555926.
    """
    check_range("vapour_pressure_pa", vapour_pressure_pa, *DEW_RANGE_PA, "Pa")
    return elementwise(_frost, vapour_pressure_pa)


def dew_point_from_rh_c(temperature_c: V, relative_humidity_frac: Values) -> V:
    """Dew point of air from what a wall sensor measures.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0.001 to 1.2.
    Returns:
        dew point over liquid water, degC, broadcast shape.
    Raises:
        RangeError: an argument outside its range; at 0 relative humidity there is no dew point.
    Reference:
        Wagner and Pruss 1993, eq. (1), doi 10.1063/1.555926, forwards at the air temperature and backwards
        as in dew_point_c. Does not depend on the station pressure.
    """
    check_range("temperature_c", temperature_c, *AIR_RANGE_C, "degC")
    check_range("relative_humidity_frac", relative_humidity_frac, *HUMIDITY_RANGE, "(a fraction)")
    return elementwise(_dew_from_humidity, temperature_c, relative_humidity_frac)
