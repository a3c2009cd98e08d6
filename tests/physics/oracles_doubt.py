"""Uncertainties that only tests ask for, on the room's own kernels."""

import math
from enum import StrEnum
from typing import Any

from monitor.physics import calibration, uncertainty
from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.moist_air import MOLAR_MASS_RATIO, PRESSURE_RANGE_PA
from monitor.physics.saturation import (
    TRIPLE_POINT_PA,
    ZERO_C_K,
    dew_k_from_ln,
    frost_k_from_ln,
    ice_slope,
    ln_water_pa,
    water_slope,
)


def corrected_humidity_frac(indicated_frac: V, correction: calibration.Correction) -> V:
    """Relative humidity after the sensor's correction.

    Arguments:
        indicated_frac: relative humidity as the sensor gives it, fraction, any shape, 0 to 1.2.
        correction: from correction_from_checks.
    Returns:
        corrected relative humidity, fraction, same shape; not clipped to 0 or 1.
    Raises:
        RangeError: humidity outside its range.
    Reference:
        Straight line of correction_from_checks.
    """
    check_range("indicated_frac", indicated_frac, 0.0, 1.2, "(a fraction)")
    c = correction
    return elementwise(lambda _, x: x + c.shift_frac + c.gain_error * (x - c.centre_frac), indicated_frac)


def corrected_std_frac(
    indicated_frac: V, correction: calibration.Correction, reading_std_frac: Values = 0.0
) -> V:
    """Standard uncertainty of a corrected relative humidity.

    Arguments:
        indicated_frac: relative humidity as the sensor gives it, fraction, any shape, 0 to 1.2.
        correction: from correction_from_checks.
        reading_std_frac: what a single reading adds (repeatability, hysteresis, resolution), fraction,
            broadcast, 0 to 0.5.
    Returns:
        standard uncertainty, fraction, broadcast shape: least at the checks, growing away from them.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008, H.3.4, with shift and gain referred to the centre, so uncorrelated.
    """
    check_range("indicated_frac", indicated_frac, 0.0, 1.2, "(a fraction)")
    check_range("reading_std_frac", reading_std_frac, 0.0, 0.5, "(a fraction)")
    c = correction

    def std(m: Maths, x: Any, reading: Any) -> Any:
        by_gain = c.gain_std * (x - c.centre_frac)
        return m.sqrt(c.shift_std_frac**2 + by_gain * by_gain + reading * reading)

    return elementwise(std, indicated_frac, reading_std_frac)


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


def _frost_parts(maths: Maths, t: Any, rh: Any, t_std: Any, rh_std: Any) -> tuple[Any, Any]:
    ln_saturation, air_slope = water_slope(maths, t + ZERO_C_K)
    ln_pressure = ln_saturation + maths.log(rh)
    over_ice = ice_slope(maths, frost_k_from_ln(maths, ln_pressure))[1]
    over_water = water_slope(maths, dew_k_from_ln(maths, ln_pressure))[1]
    slope = maths.where(ln_pressure < math.log(TRIPLE_POINT_PA), over_ice, over_water)
    return air_slope / slope * t_std, rh_std / (rh * slope)


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
    uncertainty._check_air(temperature_c, relative_humidity_frac)
    uncertainty._check_std(temperature_std_k, relative_humidity_std_frac, correlation)
    return elementwise(
        lambda m, t, rh, ut, ur, r: uncertainty._root(m, *_frost_parts(m, t, rh, ut, ur), r),
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
    uncertainty._check_air(temperature_c, relative_humidity_frac)
    uncertainty._check_std(temperature_std_k, relative_humidity_std_frac, correlation)

    def shared(m: Maths, t: Any, rh: Any, ut: Any, ur: Any, r: Any) -> Any:
        by_temperature, by_humidity = uncertainty._dew_parts(m, t, rh, ut, ur)
        total = uncertainty._root(m, by_temperature, by_humidity, r)
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
    uncertainty._check_air(temperature_c, relative_humidity_frac)
    uncertainty._check_std(temperature_std_k, relative_humidity_std_frac, correlation)
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
    by_air = uncertainty._root(maths, by_vapour * vapour * slope * t_std, by_vapour * vapour / rh * rh_std, r)
    return uncertainty._root(maths, by_air, MOLAR_MASS_RATIO * vapour / (dry * dry) * p_std, 0.0)
