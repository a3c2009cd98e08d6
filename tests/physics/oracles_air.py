"""Formulas for moist air that only tests ask for, on the room's own kernels."""

from typing import Any

import numpy as np

from monitor.consumables.materials import SorptionData
from monitor.physics import moist_air, saturation, sorption
from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.saturation import HUMIDITY_RANGE, WATER_RANGE_C, ZERO_C_K, ln_water_pa

GAS_CONSTANT_DRY_AIR = 287.042  # J/(kg K)


# Greenspan 1976, Table 4: alpha and ln(beta) as cubics in degC, over water, above and below 0 degC
_ALPHA_WARM = (3.53624e-4, 2.9328363e-5, 2.6168979e-7, 8.5813609e-9)


_BETA_WARM = (-10.7588, 6.3268134e-2, -2.5368934e-4, 6.3405286e-7)


_ALPHA_COLD = (3.62183e-4, 2.6061244e-5, 3.8667770e-7, 3.8268958e-9)


_BETA_COLD = (-10.7604, 6.3987441e-2, -2.6351566e-4, 1.6725084e-6)


def _enhance(maths: Maths, temperature_c: Any, pressure_pa: Any) -> Any:
    saturation_pa = maths.exp(ln_water_pa(maths, temperature_c + ZERO_C_K))
    warm = temperature_c >= 0.0
    alpha = maths.where(
        warm, moist_air._cubic(temperature_c, _ALPHA_WARM), moist_air._cubic(temperature_c, _ALPHA_COLD)
    )
    ln_beta = maths.where(
        warm, moist_air._cubic(temperature_c, _BETA_WARM), moist_air._cubic(temperature_c, _BETA_COLD)
    )
    ratio = saturation_pa / pressure_pa
    return maths.exp(alpha * (1.0 - ratio) + maths.exp(ln_beta) * (1.0 / ratio - 1.0))


def enhancement_factor(temperature_c: V, pressure_pa: Values) -> V:
    """How much more vapour saturated air holds over water than an ideal gas would.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 100.
        pressure_pa: total pressure, Pa, broadcast, 2e4 to 2e6.
    Returns:
        enhancement factor, dimensionless (1.004 at 20 degC and sea level), broadcast shape.
    Raises:
        RangeError: an argument outside its range, or a pressure below saturation (water boils there).
    Reference:
        Greenspan, J. Res. NBS 80A (1976) 41, eq. (8) and Table 4 (over water, -50 to 100 degC),
        doi 10.6028/jres.080A.007; continued to -60 degC.
    """
    check_range("temperature_c", temperature_c, -60.0, 100.0, "degC")
    check_range("pressure_pa", pressure_pa, *moist_air.PRESSURE_RANGE_PA, "Pa")
    saturation = elementwise(lambda m, t: m.exp(ln_water_pa(m, t + ZERO_C_K)), temperature_c)
    check_below("saturation pressure at temperature_c", saturation, "pressure_pa", pressure_pa)
    return elementwise(_enhance, temperature_c, pressure_pa)


def vapour_pressure_deficit_pa(temperature_c: V, relative_humidity_frac: Values) -> V:
    """How much vapour pressure air lacks to saturation over water: what drives drying.

    Arguments:
        temperature_c: air temperature, degC, any shape, -120 to 350.
        relative_humidity_frac: relative humidity over liquid water, fraction, broadcast, 0 to 1.2.
    Returns:
        saturation pressure less vapour pressure, Pa, broadcast shape; negative above a humidity of 1.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Definition; saturation from Wagner and Pruss 1993, eq. (1), doi 10.1063/1.555926.
    """
    check_range("temperature_c", temperature_c, *WATER_RANGE_C, "degC")
    check_range("relative_humidity_frac", relative_humidity_frac, 0.0, HUMIDITY_RANGE[1], "(a fraction)")
    return elementwise(
        lambda m, t, rh: (1.0 - rh) * m.exp(ln_water_pa(m, t + ZERO_C_K)),
        temperature_c,
        relative_humidity_frac,
    )


def vapour_pressure_from_humidity_ratio_pa(humidity_ratio_kgkg: V, pressure_pa: Values) -> V:
    """Vapour pressure of air of a humidity ratio: the inverse of humidity_ratio_kgkg.

    Arguments:
        humidity_ratio_kgkg: kg of water per kg of dry air, any shape, 0 to 100.
        pressure_pa: total pressure, Pa, broadcast, 1 to 1e8.
    Returns:
        partial pressure of water vapour, Pa, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (20) solved for the vapour pressure.
    """
    check_range("humidity_ratio_kgkg", humidity_ratio_kgkg, 0.0, 100.0, "kg/kg")
    check_range("pressure_pa", pressure_pa, 1.0, 1e8, "Pa")
    return elementwise(
        lambda _, w, p: p * w / (moist_air.MOLAR_MASS_RATIO + w), humidity_ratio_kgkg, pressure_pa
    )


def enthalpy_jkg(temperature_c: V, humidity_ratio_kgkg: Values) -> V:
    """Heat content of moist air per kilogram of its dry air, from 0 degC dry air and liquid water.

    Arguments:
        temperature_c: air temperature, degC, any shape, -100 to 200.
        humidity_ratio_kgkg: kg of water per kg of dry air, broadcast, 0 to 100.
    Returns:
        enthalpy, J per kg of dry air, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (30).
    """
    check_range("temperature_c", temperature_c, -100.0, 200.0, "degC")
    check_range("humidity_ratio_kgkg", humidity_ratio_kgkg, 0.0, 100.0, "kg/kg")
    return elementwise(
        lambda _, t, w: (
            1000.0 * (moist_air._CP_AIR * t + w * (moist_air._LIQUID[0] + moist_air._CP_VAPOUR * t))
        ),
        temperature_c,
        humidity_ratio_kgkg,
    )


def specific_volume_m3kg(temperature_c: V, humidity_ratio_kgkg: Values, pressure_pa: Values) -> V:
    """Volume of moist air per kilogram of its dry air.

    Arguments:
        temperature_c: air temperature, degC, any shape, -120 to 1000.
        humidity_ratio_kgkg: kg of water per kg of dry air, broadcast, 0 to 100.
        pressure_pa: total pressure, Pa, broadcast, 1 to 1e8.
    Returns:
        specific volume, m3 per kg of dry air, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        ASHRAE Handbook Fundamentals 2017, ch. 1, eq. (26): ideal gas, 287.042 J/(kg K) for dry air.
    """
    check_range("temperature_c", temperature_c, -120.0, 1000.0, "degC")
    check_range("humidity_ratio_kgkg", humidity_ratio_kgkg, 0.0, 100.0, "kg/kg")
    check_range("pressure_pa", pressure_pa, 1.0, 1e8, "Pa")
    return elementwise(
        lambda _, t, w, p: (
            GAS_CONSTANT_DRY_AIR * (t + ZERO_C_K) * (1.0 + w * (1.0 / moist_air.MOLAR_MASS_RATIO)) / p
        ),
        temperature_c,
        humidity_ratio_kgkg,
        pressure_pa,
    )


ICE_RANGE_C = (-140.0, saturation.TRIPLE_POINT_C)


def saturation_pressure_ice_pa(temperature_c: V) -> V:
    """Pressure of water vapour in balance with ice.

    Arguments:
        temperature_c: ice temperature, degC, any shape, -140 to 0.01.
    Returns:
        saturation pressure, Pa, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        IAPWS R14-08(2011), eq. (6) and Table 2 (sublimation pressure, 50 to 273.16 K);
        Wagner et al., J. Phys. Chem. Ref. Data 40 (2011) 043103, doi 10.1063/1.3657937.
    """
    check_range("temperature_c", temperature_c, *ICE_RANGE_C, "degC")
    return elementwise(saturation._over_ice, temperature_c)


def saturation_share(duration_s: V, parameters: sorption.SorptionParameters) -> V:
    """Share of the equilibrium that a dry slab has taken, over its whole depth, in steady air at 27 degC.

    Arguments:
        duration_s: in that air, s, any shape, 0 to 1e10.
        parameters: the material.
    Returns:
        mean uptake over equilibrium, dimensionless, same shape, 0 to 1.
    Raises:
        RangeError: duration outside its range.
    Reference:
        J. Crank, The Mathematics of Diffusion, 2nd ed. (1975), eq. (4.20) to Dt/l² = 0.2 (the square root of
        time, with its first correction left out: below 1e-6 of the share), eq. (4.18) beyond.
    """
    check_range("duration_s", duration_s, 0.0, 1e10, "s")
    scale = parameters.diffusivity_m2s / parameters.depth_m**2

    def law(maths: Maths, duration: Any) -> Any:
        fourier = scale * duration
        early = 2.0 * maths.sqrt(fourier / np.pi)
        quarter = 0.25 * np.pi**2
        late = 1.0 - (8.0 / np.pi**2) * (
            maths.exp(-quarter * fourier) + maths.exp(-9.0 * quarter * fourier) / 9.0
        )
        return maths.where(fourier < 0.2, early, late)

    return elementwise(law, duration_s)


def hydrogen_rise(data: SorptionData, uptake_kgkg: float) -> float:
    """Estimated rise of diffusible hydrogen of a cored wire, mL per 100 g deposited metal."""
    return uptake_kgkg * data.hydrogen_per_water.value * data.hydrogen_transfer.value
