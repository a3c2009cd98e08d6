"""Moisture of shielding gas in the units people use: parts per million, dew point at a pressure, mg/m3."""

from typing import Any

from monitor.physics.elementwise import Maths, V, Values, check_range, elementwise
from monitor.physics.gas_state import check_stays_gas
from monitor.physics.saturation import TRIPLE_POINT_PA, ZERO_C_K, dew_k_from_ln, frost_k_from_ln
from monitor.physics.shielding_gas import GasMixture
from monitor.physics.water_in_gas import (
    MOISTURE_RANGE_C,
    MOISTURE_RANGE_PA,
    ln_saturated_pa,
)

PPMV_RANGE = (0.1, 5.0e5)
_MILLION = 1.0e6
_STEPS = 100
_STEP_ENOUGH_K = 1e-8


def _vapour_pa(ppmv: Any, pressure_pa: Any) -> Any:
    return pressure_pa * ppmv / (_MILLION + ppmv)


def saturated_ppmv_kernel(maths: Maths, temperature_k: Any, pressure_pa: Any, gas: GasMixture) -> Any:
    """Moisture of the saturated gas; the kernel of saturated_ppmv, for floats and blocks of arrays."""
    vapour_pa = maths.exp(ln_saturated_pa(maths, temperature_k, pressure_pa, gas))
    return _MILLION * vapour_pa / (pressure_pa - vapour_pa)


def saturated_ppmv(temperature_c: V, pressure_pa: Values, gas: GasMixture) -> V:
    """Moisture of a gas that stands over water, or over ice below 0.01 degC: the most it can hold.

    Arguments:
        temperature_c: temperature of gas and water, degC, any shape, -80 to 60.
        pressure_pa: absolute pressure, Pa, broadcast, 5e4 to 3e7, at which the gas is a gas.
        gas: any mixture of the gases of shielding_gas.
    Returns:
        moisture, parts per million of the dry gas by volume, broadcast shape.
    Raises:
        RangeError: an argument outside its range, or carbon dioxide above its saturation pressure.
    Reference:
        Saturation pressure with the enhancement factor of water_in_gas (Soave 1972,
        doi 10.1016/0009-2509(72)80096-4), whose bounds hold for it.
    """
    check_range("temperature_c", temperature_c, *MOISTURE_RANGE_C, "degC")
    check_range("pressure_pa", pressure_pa, *MOISTURE_RANGE_PA, "Pa")
    check_stays_gas(temperature_c, pressure_pa, gas)
    return elementwise(
        lambda m, t, p: saturated_ppmv_kernel(m, t + ZERO_C_K, p, gas), temperature_c, pressure_pa
    )


def ppmv_from_frost_point(frost_point_c: V, pressure_pa: Values, gas: GasMixture) -> V:
    """Moisture of a gas of a frost point (dew point above 0.01 degC) at a pressure.

    Arguments:
        frost_point_c: frost point at that pressure, degC, any shape, -80 to 60.
        pressure_pa: absolute pressure, Pa, broadcast, 5e4 to 3e7, at which the gas is a gas.
        gas: any mixture of the gases of shielding_gas.
    Returns:
        moisture, parts per million of the dry gas by volume, broadcast shape.
    Raises:
        RangeError: an argument outside its range, or carbon dioxide above its saturation pressure.
    Reference:
        Definition of the frost point (WMO-No. 8 Annex 4.A) with saturated_ppmv.
    """
    check_range("frost_point_c", frost_point_c, *MOISTURE_RANGE_C, "degC")
    return saturated_ppmv(frost_point_c, pressure_pa, gas)


def _frost(maths: Maths, ppmv: Any, pressure_pa: Any, gas: GasMixture) -> Any:
    """Frost point in kelvin: the ideal one, corrected by the enhancement factor there until it stands."""
    ln_vapour = maths.log(_vapour_pa(ppmv, pressure_pa))
    ln_ideal = ln_vapour
    temperature_k = _either(maths, ln_ideal)
    for _ in range(_STEPS):
        excess = ln_saturated_pa(maths, temperature_k, pressure_pa, gas) - ln_ideal
        ln_ideal = ln_ideal - 0.9 * (excess - (ln_vapour - ln_ideal))
        before, temperature_k = temperature_k, _either(maths, ln_ideal)
        if maths.largest(abs(temperature_k - before)) < _STEP_ENOUGH_K:
            break
    return temperature_k


def _either(maths: Maths, ln_pressure: Any) -> Any:
    frozen = maths.exp(ln_pressure) < TRIPLE_POINT_PA
    return maths.where(frozen, frost_k_from_ln(maths, ln_pressure), dew_k_from_ln(maths, ln_pressure))


def frost_point_from_ppmv_c(ppmv: V, pressure_pa: Values, gas: GasMixture) -> V:
    """Frost point (dew point above 0.01 degC) of a gas of a moisture at a pressure, the bottle's for example.

    Arguments:
        ppmv: moisture, parts per million of the dry gas by volume, any shape, 0.1 to 5e5.
        pressure_pa: absolute pressure, Pa, broadcast, 5e4 to 3e7.
        gas: any mixture of the gases of shielding_gas.
    Returns:
        frost point over ice, or dew point over water above 0.01 degC, at that pressure, degC, broadcast
        shape.
    Raises:
        RangeError: an argument outside its range, a frost point outside -80 to 60 degC, or carbon dioxide
            that would condense before its water does.
    Reference:
        Inverse of ppmv_from_frost_point by fixed-point steps, each an inverse of the saturation curve.
    """
    check_range("ppmv", ppmv, *PPMV_RANGE, "ppmv")
    check_range("pressure_pa", pressure_pa, *MOISTURE_RANGE_PA, "Pa")
    frost_c = elementwise(lambda m, x, p: _frost(m, x, p, gas) - ZERO_C_K, ppmv, pressure_pa)
    check_stays_gas(frost_c, pressure_pa, gas)
    check_range("frost point of the gas", frost_c, *MOISTURE_RANGE_C, "degC")
    return frost_c
