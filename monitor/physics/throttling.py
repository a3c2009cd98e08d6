"""How cold a gas leaves a regulator's seat, where its pressure falls without heat or work from outside."""

import math
from typing import Any

from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.gas_state import (
    CO2_TRIPLE_K,
    CO2_TRIPLE_PA,
    ReducedGas,
    density_kernel,
    enthalpy_kernel,
    ln_co2_pa,
    reduced_gas,
)
from monitor.physics.saturation import ZERO_C_K
from monitor.physics.shielding_gas import CARBON_DIOXIDE, GasMixture

INLET_RANGE_C = (-40.0, 60.0)
INLET_RANGE_PA = (1.0e5, 3.0e7)
OUTLET_RANGE_PA = (5.0e4, 1.0e6)

_COLDEST_K = 154.0
_WARMEST_K = 353.0
_STEPS = 60
_STEP_ENOUGH_K = 1e-7
_SLOPE_GUESS = 30.0  # J/(mol K), only where a secant has no length
_ICE_K, _LIQUID_K = (
    3100.0,
    1950.0,
)  # heat of sublimation and of vaporisation over the gas constant, for a start
_LIQUID_MOLM3 = 26.2e3  # liquid carbon dioxide near its triple point, Span and Wagner 1996
_ICE_MOLM3 = 35.5e3  # its ice, about 1560 kg/m3


def _frost_k(maths: Maths, pressure_pa: Any) -> Any:
    """Inverse of ln_co2_pa by Newton's steps in 1/T, in which it is nearly straight."""
    ln_pressure = maths.log(pressure_pa)
    above = ln_pressure - math.log(CO2_TRIPLE_PA)
    inverse = 1.0 / CO2_TRIPLE_K - above / maths.where(above < 0.0, _ICE_K, _LIQUID_K)
    for _ in range(6):
        slope = _ln_slope(maths, 1.0 / inverse)
        inverse = inverse + (ln_pressure - ln_co2_pa(maths, 1.0 / inverse)) / slope
    return 1.0 / inverse


def _ln_slope(maths: Maths, temperature_k: Any) -> Any:
    """d ln p / d(1/T) on the carbon dioxide line, by a difference over 0.02 K away from the triple point."""
    step = maths.where(temperature_k < CO2_TRIPLE_K, -0.02, 0.02)
    change = ln_co2_pa(maths, temperature_k + step) - ln_co2_pa(maths, temperature_k)
    return change / (1.0 / (temperature_k + step) - 1.0 / temperature_k)


def _jet_k(
    maths: Maths, r: ReducedGas, inlet: tuple[Any, Any], outlet_pa: Any, coldest_k: Any
) -> tuple[Any, Any]:
    """Temperature behind the seat, and the heat per mole that is lacking where snow or mist holds it up."""
    inlet_k, inlet_pa = inlet
    held = enthalpy_kernel(maths, r, inlet_k, inlet_pa)
    at_coldest = enthalpy_kernel(maths, r, coldest_k, outlet_pa)
    lacking = maths.where(held < at_coldest, at_coldest - held, 0.0)
    held = held + lacking
    before, value_before = inlet_k, enthalpy_kernel(maths, r, inlet_k, outlet_pa) - held
    now = maths.where(inlet_k - 1.0 < coldest_k, coldest_k, inlet_k - 1.0)
    for _ in range(_STEPS):
        value = enthalpy_kernel(maths, r, now, outlet_pa) - held
        run = now - before
        still = run == 0.0
        slope = maths.where(still, _SLOPE_GUESS, (value - value_before) / maths.where(still, 1.0, run))
        before, value_before = now, value
        now = now - value / slope
        now = maths.where(now < coldest_k, coldest_k, maths.where(now > _WARMEST_K, _WARMEST_K, now))
        if maths.largest(abs(now - before)) < _STEP_ENOUGH_K:
            break
    return now, lacking


def _coldest_k(maths: Maths, gas: GasMixture, outlet_pa: Any) -> Any:
    share = gas.share_frac("carbon_dioxide")
    return _frost_k(maths, share * outlet_pa) if share > 0.0 else _COLDEST_K + 0.0 * outlet_pa


def _check(inlet_c: Values, inlet_pa: Values, outlet_pa: Values) -> None:
    check_range("inlet_c", inlet_c, *INLET_RANGE_C, "degC")
    check_range("inlet_pa", inlet_pa, *INLET_RANGE_PA, "Pa")
    check_range("outlet_pa", outlet_pa, *OUTLET_RANGE_PA, "Pa")
    check_below("outlet_pa", outlet_pa, "inlet_pa", inlet_pa)


def carbon_dioxide_frost_c(pressure_pa: V) -> V:
    """Temperature at which carbon dioxide gas of a pressure turns to ice, or above 5.18 bar to liquid.

    Arguments:
        pressure_pa: (partial) pressure of the carbon dioxide, Pa, any shape, 2e3 to 5e6.
    Returns:
        sublimation or saturation temperature, degC, same shape.
    Raises:
        RangeError: pressure outside its range.
    Reference:
        Inverse of carbon_dioxide_saturation_pa: Span and Wagner 1996, eqs. (3.12) and (3.13),
        doi 10.1063/1.555991.
    """
    check_range("pressure_pa", pressure_pa, 2.0e3, 5.0e6, "Pa")
    return elementwise(lambda m, p: _frost_k(m, p) - ZERO_C_K, pressure_pa)


def throttled_c(inlet_c: V, inlet_pa: Values, outlet_pa: Values, gas: GasMixture) -> V:
    """Temperature of the gas right behind a regulator's seat, before it takes heat from the body.

    Arguments:
        inlet_c: gas temperature before the seat, degC, any shape, -40 to 60.
        inlet_pa: absolute pressure before the seat, Pa, broadcast, 1e5 to 3e7; carbon dioxide at most at its
            saturation pressure.
        outlet_pa: absolute pressure behind it, Pa, broadcast, 5e4 to 1e6 and below inlet_pa.
        gas: mixture of argon, carbon dioxide, nitrogen and oxygen.
    Returns:
        temperature behind the seat, degC, broadcast shape; where carbon dioxide turns to snow or mist there,
        the temperature at which it does.
    Raises:
        RangeError: an argument outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Constant enthalpy (Joule and Thomson) with the equations of state of gas_state: Span and Wagner 2003,
        doi 10.1023/A:1022390430888 and 10.1023/A:1022362231796.
    """
    _check(inlet_c, inlet_pa, outlet_pa)
    r = reduced_gas(gas)

    def jet_c(m: Maths, t: Any, p: Any, q: Any) -> Any:
        return _jet_k(m, r, (t + ZERO_C_K, p), q, _coldest_k(m, gas, q))[0] - ZERO_C_K

    return elementwise(jet_c, inlet_c, inlet_pa, outlet_pa)


def throttled_snow_frac(inlet_c: V, inlet_pa: Values, outlet_pa: Values, gas: GasMixture) -> V:
    """Mole fraction of the jet behind a regulator's seat that is carbon dioxide snow, or mist above 5.18 bar.

    Arguments:
        inlet_c: gas temperature before the seat, degC, any shape, -40 to 60.
        inlet_pa: absolute pressure before the seat, Pa, broadcast, 1e5 to 3e7; carbon dioxide at most at its
            saturation pressure.
        outlet_pa: absolute pressure behind it, Pa, broadcast, 5e4 to 1e6 and below inlet_pa.
        gas: mixture of argon, carbon dioxide, nitrogen and oxygen.
    Returns:
        condensed share of the whole gas, mole fraction, broadcast shape; 0 where it stays gas. For a mixture
        an upper estimate: the carbon dioxide left in the gas is not lowered.
    Raises:
        RangeError: an argument outside its range, or an inlet at which part of the gas is liquid.
        InputError: a gas without an equation of state in gas_state.
    Reference:
        Heat lacking to keep the jet gas, over the heat of sublimation or vaporisation by Clausius and
        Clapeyron along Span and Wagner 1996, eqs. (3.12) and (3.13), doi 10.1063/1.555991.
    """
    _check(inlet_c, inlet_pa, outlet_pa)
    r = reduced_gas(gas)
    share = gas.share_frac("carbon_dioxide")

    def snow(m: Maths, t: Any, p: Any, q: Any) -> Any:
        coldest_k = _coldest_k(m, gas, q)
        _, lacking = _jet_k(m, r, (t + ZERO_C_K, p), q, coldest_k)
        if share == 0.0:
            return 0.0 * lacking
        condensed_molm3 = m.where(coldest_k < CO2_TRIPLE_K, _ICE_MOLM3, _LIQUID_MOLM3)
        gas_molm3 = density_kernel(m, reduced_gas(CARBON_DIOXIDE), coldest_k, share * q)
        expansion_m3mol = 1.0 / gas_molm3 - 1.0 / condensed_molm3
        heat = -_ln_slope(m, coldest_k) * share * q / coldest_k * expansion_m3mol
        return m.where(lacking / heat < share, lacking / heat, share)

    return elementwise(snow, inlet_c, inlet_pa, outlet_pa)
