"""What moist air holds and does: humidity ratio, wet bulb, enthalpy, density, station pressure."""

from typing import Any

from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.saturation import (
    AIR_RANGE_C,
    HUMIDITY_RANGE,
    TRIPLE_POINT_C,
    WATER_RANGE_C,
    ZERO_C_K,
    ice_slope,
    ln_water_pa,
    water_slope,
)

MOLAR_MASS_RATIO = 0.621945  # water 18.015268 g/mol over dry air 28.966 g/mol
GAS_CONSTANT_VAPOUR = 461.523  # J/(kg K)

PRESSURE_RANGE_PA = (2.0e4, 2.0e6)
_STEPS = 60  # wet bulb: Halley's steps at most; four are usual
_STEP_ENOUGH_K = 1e-7

# ASHRAE 2017, ch. 1, eqs. (30), (33), (35): kJ/kg and kJ/(kg K)
_CP_AIR, _CP_VAPOUR = 1.006, 1.86
_LIQUID = (2501.0, -2.326, 4.186)  # latent at 0 degC, its slope, heat capacity of the water on the wick
_FROZEN = (2830.0, -0.24, 2.1)


# Cubic through IAPWS-95 (0.01 to 200 degC) and Murphy and Koop 2005, eq. (9), below
_LATENT = (2.50117379e6, -2.43474781e3, 1.65180417, -1.75660676e-2)
# Parabola through Murphy and Koop 2005, eq. (5), -100 to 0 degC
_SUBLIMATION = (2.83432012e6, -2.50849698e2, -3.68725962)


def _cubic(x: Any, c: tuple[float, float, float, float]) -> Any:
    return c[0] + x * (c[1] + x * (c[2] + x * c[3]))


def relative_humidity_frac(temperature_c: V, vapour_pressure_pa: Values) -> V:
    """Relative humidity of air of a vapour pressure, over liquid water at every temperature.

    Arguments:
        temperature_c: air temperature, degC, any shape, -120 to 350.
        vapour_pressure_pa: partial pressure of water vapour, Pa, broadcast, 0 to 2e7.
    Returns:
        relative humidity over liquid water, fraction, broadcast shape; above 1 means it condenses.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        WMO-No. 8 (2018) Annex 4.A, definition of relative humidity; saturation from Wagner and Pruss 1993,
        eq. (1), doi 10.1063/1.555926.
    """
    check_range("temperature_c", temperature_c, *WATER_RANGE_C, "degC")
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 2e7, "Pa")
    return elementwise(
        lambda m, t, e: e * m.exp(-ln_water_pa(m, t + ZERO_C_K)), temperature_c, vapour_pressure_pa
    )


def humidity_ratio_kgkg(vapour_pressure_pa: V, pressure_pa: Values) -> V:
    """Mass of water vapour carried by a kilogram of dry air.

    Arguments:
        vapour_pressure_pa: partial pressure of water vapour, Pa, any shape, 0 to below pressure_pa; multiply
            by enhancement_factor first where the last half per cent matters.
        pressure_pa: total pressure, Pa, broadcast, 1 to 1e8.
    Returns:
        humidity ratio, kg of water per kg of dry air, broadcast shape.
    Raises:
        RangeError: a negative vapour pressure, or one not below the total pressure.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (20), ratio of molar masses 0.621945.
    """
    check_range("pressure_pa", pressure_pa, 1.0, 1e8, "Pa")
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 1e8, "Pa")
    check_below("vapour_pressure_pa", vapour_pressure_pa, "pressure_pa", pressure_pa)
    return elementwise(lambda _, e, p: MOLAR_MASS_RATIO * e / (p - e), vapour_pressure_pa, pressure_pa)


def absolute_humidity_gm3(temperature_c: V, vapour_pressure_pa: Values) -> V:
    """Mass of water vapour in a cubic metre of air.

    Arguments:
        temperature_c: air temperature, degC, any shape, -120 to 1000.
        vapour_pressure_pa: partial pressure of water vapour, Pa, broadcast, 0 to 2e7.
    Returns:
        absolute humidity, g/m3, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Ideal gas law with 461.523 J/(kg K) (IAPWS R6-95 molar mass, CODATA 2018 gas constant); the vapour
        itself departs from it by under 0.5 % up to 60 degC saturated.
    """
    check_range("temperature_c", temperature_c, -120.0, 1000.0, "degC")
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 2e7, "Pa")
    return elementwise(
        lambda _, t, e: e / (t + ZERO_C_K) * (1000.0 / GAS_CONSTANT_VAPOUR), temperature_c, vapour_pressure_pa
    )


def station_pressure_pa(altitude_m: V) -> V:
    """Pressure of the standard atmosphere at an altitude, for a shop without a pressure sensor.

    Arguments:
        altitude_m: altitude above sea level, m, any shape, -1000 to 11000.
    Returns:
        pressure, Pa, same shape; the weather moves the true one by some 3 %.
    Raises:
        RangeError: altitude outside its range.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (3), the law of ISO 2533:1975 in the troposphere.
    """
    check_range("altitude_m", altitude_m, -1000.0, 11000.0, "m")
    return elementwise(
        lambda m, z: 101325.0 * m.exp(5.2559 * m.log(1.0 - 2.25577e-5 * z)),
        altitude_m,
    )


def latent_heat_jkg(temperature_c: V) -> V:
    """Heat taken up by evaporating a kilogram of liquid water, and given off when it condenses.

    Arguments:
        temperature_c: water temperature, degC, any shape, -40 (supercooled) to 200.
    Returns:
        latent heat of vaporisation, J/kg, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Own cubic through IAPWS R6-95 (IAPWS-95) above 0.01 degC, within 0.03 %, and through Murphy and Koop,
        Q. J. R. Meteorol. Soc. 131 (2005) 1539, eq. (9), doi 10.1256/qj.04.94, below, within 0.25 %.
    """
    check_range("temperature_c", temperature_c, -40.0, 200.0, "degC")
    return elementwise(lambda _, t: _cubic(t, _LATENT), temperature_c)


def latent_heat_sublimation_jkg(temperature_c: V) -> V:
    """Heat given off when a kilogram of vapour settles as frost, and taken up when it sublimes.

    Arguments:
        temperature_c: ice temperature, degC, any shape, -100 to 0.01.
    Returns:
        latent heat of sublimation, J/kg, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Own parabola through Murphy and Koop, Q. J. R. Meteorol. Soc. 131 (2005) 1539, eq. (5),
        doi 10.1256/qj.04.94, within 0.005 %.
    """
    check_range("temperature_c", temperature_c, -100.0, TRIPLE_POINT_C, "degC")
    return elementwise(lambda _, t: _cubic(t, (*_SUBLIMATION, 0.0)), temperature_c)


def _saturate(maths: Maths, air: tuple[Any, Any, Any], start_c: Any, frozen: bool) -> Any:
    """Temperature at which water (or ice) brings the air to saturation without heat from outside.

    The balance, multiplied by (pressure - saturation pressure), rises with the wick's temperature and curves
    upwards like the saturation pressure, so Halley's steps close in on its only root from any start.
    """
    temperature_c, humidity_ratio, pressure_pa = air
    latent, latent_slope, cp_wick = _FROZEN if frozen else _LIQUID
    slope_of = ice_slope if frozen else water_slope
    held = _CP_AIR * temperature_c + humidity_ratio * (latent + _CP_VAPOUR * temperature_c)
    cools = _CP_AIR + humidity_ratio * cp_wick
    wick_c = start_c
    for _ in range(_STEPS):
        ln_pressure, ln_slope = slope_of(maths, wick_c + ZERO_C_K)
        saturation_pa = maths.exp(ln_pressure)
        saturation_slope = saturation_pa * ln_slope
        heat = MOLAR_MASS_RATIO * (latent + latent_slope * wick_c)
        given = held - cools * wick_c
        balance = heat * saturation_pa - (pressure_pa - saturation_pa) * given
        slope = (
            (heat + given) * saturation_slope
            + MOLAR_MASS_RATIO * latent_slope * saturation_pa
            + (pressure_pa - saturation_pa) * cools
        )
        curve = (heat + given) * saturation_slope * ln_slope
        step = balance / (slope - 0.5 * balance * curve / slope)
        wick_c = wick_c - step
        if max(maths.largest(step), maths.largest(-step)) < _STEP_ENOUGH_K:
            break
    return wick_c


def _vapour(maths: Maths, temperature_c: Any, humidity_frac: Any) -> Any:
    return humidity_frac * maths.exp(ln_water_pa(maths, temperature_c + ZERO_C_K))


def _wet_bulb(maths: Maths, temperature_c: Any, humidity_frac: Any, pressure_pa: Any) -> Any:
    vapour_pa = _vapour(maths, temperature_c, humidity_frac)
    air = (temperature_c, MOLAR_MASS_RATIO * vapour_pa / (pressure_pa - vapour_pa), pressure_pa)
    liquid_c = _saturate(maths, air, temperature_c, frozen=False)
    if maths.largest(TRIPLE_POINT_C - liquid_c) <= 0.0:
        return liquid_c
    start_c = maths.where(liquid_c < TRIPLE_POINT_C, liquid_c, TRIPLE_POINT_C)
    frozen_c = _saturate(maths, air, start_c, frozen=True)
    frozen_c = maths.where(frozen_c < temperature_c, frozen_c, temperature_c)
    return maths.where(liquid_c < TRIPLE_POINT_C, frozen_c, liquid_c)


def wet_bulb_c(temperature_c: V, relative_humidity_frac: Values, pressure_pa: Values) -> V:
    """Thermodynamic wet bulb: where a ventilated wet wick settles, iced below 0.01 degC.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 200.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0 to 1.2; the vapour
            pressure it stands for must be below the total pressure.
        pressure_pa: total pressure, Pa, broadcast, 2e4 to 2e6.
    Returns:
        wet-bulb temperature, degC, broadcast shape; the air temperature where the air is more humid than
        saturation over ice, since an iced wick cannot cool it.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eqs. (33) and (35), without enhancement factor (which would
        lower it by up to 0.03 K in dry air).
    """
    check_range("temperature_c", temperature_c, *AIR_RANGE_C, "degC")
    check_range("relative_humidity_frac", relative_humidity_frac, 0.0, HUMIDITY_RANGE[1], "(a fraction)")
    check_range("pressure_pa", pressure_pa, *PRESSURE_RANGE_PA, "Pa")
    vapour_pa = elementwise(_vapour, temperature_c, relative_humidity_frac)
    check_below("vapour pressure of the air", vapour_pa, "pressure_pa", pressure_pa)
    return elementwise(_wet_bulb, temperature_c, relative_humidity_frac, pressure_pa)
