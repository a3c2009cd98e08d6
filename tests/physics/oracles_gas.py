"""Formulas for gases that only tests ask for, on the room's own kernels."""

import math
from typing import Any

from monitor.physics import cylinder_moisture, gas_moisture, gas_state, throttling, water_in_gas
from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.gas_state import (
    CO2_TRIPLE_K,
    CO2_TRIPLE_PA,
    GAS_CONSTANT,
    ReducedGas,
    density_kernel,
    enthalpy_kernel,
    ln_co2_pa,
    reduced_gas,
)
from monitor.physics.saturation import TRIPLE_POINT_C, ZERO_C_K, ln_ice_pa, ln_water_pa
from monitor.physics.shielding_gas import CARBON_DIOXIDE, MOLAR_MASS_KGMOL, GasMixture
from monitor.physics.water_in_gas import WATER_MOLAR_MASS_GMOL


def liquefied_water_ratio(temperature_c: V) -> V:
    """Moisture of the gas over that of the liquid in a cylinder of liquefied carbon dioxide.

    Arguments:
        temperature_c: temperature of the cylinder, degC, any shape, -30 to 26.
    Returns:
        mole ratio, dimensionless, same shape: below 1, so the gas drawn is drier than the filling and the
        rest grows wetter; within 30 % of EOS-CG.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Fugacities of a trace of water in both phases, Soave 1972, doi 10.1016/0009-2509(72)80096-4, at the
        saturation pressure of Span and Wagner 1996, doi 10.1063/1.555991.
    """
    check_range("temperature_c", temperature_c, *cylinder_moisture.LIQUEFIED_RANGE_C, "degC")
    return elementwise(lambda m, t: cylinder_moisture._liquefied(m, t + ZERO_C_K)[0], temperature_c)


def mgm3_from_ppmv(ppmv: V, temperature_c: Values, pressure_pa: Values) -> V:
    """Mass of water in a cubic metre of gas of a moisture, at the state the cubic metre is counted in.

    Arguments:
        ppmv: moisture, parts per million of the dry gas by volume, any shape, 0 to 5e5.
        temperature_c: temperature of the reference state (0, 15 or 20 degC by custom), degC, broadcast, -50
            to 50.
        pressure_pa: pressure of the reference state, Pa, broadcast, 5e4 to 2e5.
    Returns:
        water, mg per m3 of gas, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Ideal gas law, molar mass 18.015268 g/mol (IAPWS R6-95); within 0.1 % of a real gas at these
        pressures, and 0.8 % for carbon dioxide.
    """
    check_range("ppmv", ppmv, 0.0, gas_moisture.PPMV_RANGE[1], "ppmv")
    _check_reference(temperature_c, pressure_pa)
    return elementwise(
        lambda _, x, t, p: gas_moisture._vapour_pa(x, p) * _mg_per_pa(t), ppmv, temperature_c, pressure_pa
    )


def ppmv_from_mgm3(water_mgm3: V, temperature_c: Values, pressure_pa: Values) -> V:
    """Moisture of a gas that holds a mass of water in a cubic metre: the inverse of mgm3_from_ppmv.

    Arguments:
        water_mgm3: water, mg per m3 of gas, any shape, 0 to below all of it (about 8e5 at 0 degC and 1 atm).
        temperature_c: temperature of the reference state, degC, broadcast, -50 to 50.
        pressure_pa: pressure of the reference state, Pa, broadcast, 5e4 to 2e5.
    Returns:
        moisture, parts per million of the dry gas by volume, broadcast shape.
    Raises:
        RangeError: an argument outside its range, or more water than the cubic metre holds.
    Reference:
        Ideal gas law, molar mass 18.015268 g/mol (IAPWS R6-95).
    """
    check_range("water_mgm3", water_mgm3, 0.0, 1e7, "mg/m3")
    _check_reference(temperature_c, pressure_pa)
    vapour_pa = elementwise(lambda _, w, t: w / _mg_per_pa(t), water_mgm3, temperature_c)
    check_below("vapour pressure of the water", vapour_pa, "pressure_pa", pressure_pa)
    return elementwise(lambda _, e, p: gas_moisture._MILLION * e / (p - e), vapour_pa, pressure_pa)


def _check_reference(temperature_c: Values, pressure_pa: Values) -> None:
    check_range("temperature_c", temperature_c, -50.0, 50.0, "degC")
    check_range("pressure_pa", pressure_pa, 5.0e4, 2.0e5, "Pa")


def _mg_per_pa(temperature_c: Any) -> Any:
    return 1000.0 * WATER_MOLAR_MASS_GMOL / (GAS_CONSTANT * (temperature_c + ZERO_C_K))


def gas_density_molm3(temperature_c: V, pressure_pa: Values, gas: GasMixture) -> V:
    """Amount of a dry shielding gas in a cubic metre.

    Arguments:
        temperature_c: gas temperature, degC, any shape, -120 to 80.
        pressure_pa: absolute pressure, Pa, broadcast, 1e3 to 3e7, below the pressure at which it condenses.
        gas: mixture of argon, carbon dioxide, nitrogen and oxygen.
    Returns:
        density of the gas, mol/m3, broadcast shape.
    Raises:
        RangeError: an argument outside its range, or a pressure at which part of the gas would be liquid.
        InputError: a gas without an equation of state here.
    Reference:
        Span and Wagner, Int. J. Thermophys. 24 (2003) 41, doi 10.1023/A:1022390430888 (argon, nitrogen,
        oxygen), and 24 (2003) 111, doi 10.1023/A:1022362231796 (carbon dioxide); mixed by corresponding
        states as in EOS-CG, Gernert and Span, J. Chem. Thermodyn. 93 (2016) 274, with two numbers a pair.
    """
    check_range("temperature_c", temperature_c, *gas_state.GAS_RANGE_C, "degC")
    check_range("pressure_pa", pressure_pa, *gas_state.GAS_RANGE_PA, "Pa")
    gas_state.check_stays_gas(temperature_c, pressure_pa, gas)
    reduced = gas_state.reduced_gas(gas)
    return elementwise(
        lambda m, t, p: gas_state.density_kernel(m, reduced, t + ZERO_C_K, p), temperature_c, pressure_pa
    )


_COLDEST_K = 154.0


_WARMEST_K = 353.0


_SLOPE_GUESS = 30.0  # J/(mol K), only where a secant has no length


_LIQUID_MOLM3 = 26.2e3  # liquid carbon dioxide near its triple point, Span and Wagner 1996


_ICE_MOLM3 = 35.5e3  # its ice, about 1560 kg/m3


def _frost_k(maths: Maths, pressure_pa: Any) -> Any:
    """Inverse of ln_co2_pa by Newton's steps in 1/T, in which it is nearly straight."""
    ln_pressure = maths.log(pressure_pa)
    above = ln_pressure - math.log(CO2_TRIPLE_PA)
    inverse = 1.0 / CO2_TRIPLE_K - above / maths.where(above < 0.0, throttling._ICE_K, throttling._LIQUID_K)
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
    for _ in range(throttling._STEPS):
        value = enthalpy_kernel(maths, r, now, outlet_pa) - held
        run = now - before
        still = run == 0.0
        slope = maths.where(still, _SLOPE_GUESS, (value - value_before) / maths.where(still, 1.0, run))
        before, value_before = now, value
        now = now - value / slope
        now = maths.where(now < coldest_k, coldest_k, maths.where(now > _WARMEST_K, _WARMEST_K, now))
        if maths.largest(abs(now - before)) < throttling._STEP_ENOUGH_K:
            break
    return now, lacking


def _coldest_k(maths: Maths, gas: GasMixture, outlet_pa: Any) -> Any:
    share = gas.share_frac("carbon_dioxide")
    return _frost_k(maths, share * outlet_pa) if share > 0.0 else _COLDEST_K + 0.0 * outlet_pa


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
    throttling._check(inlet_c, inlet_pa, outlet_pa)
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
    throttling._check(inlet_c, inlet_pa, outlet_pa)
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


def gas_enhancement_factor(temperature_c: V, pressure_pa: Values, gas: GasMixture) -> V:
    """How much more vapour a compressed gas holds over water (ice below 0.01 degC) than an ideal gas would.

    Arguments:
        temperature_c: temperature of the gas and of the water, degC, any shape, -80 to 60.
        pressure_pa: absolute pressure, Pa, broadcast, 5e4 to 3e7; carbon dioxide as a gas, so below its own
            saturation pressure.
        gas: any mixture of the gases of shielding_gas.
    Returns:
        enhancement factor, dimensionless, broadcast shape. Within 2 % of Greenspan's air to 20 bar, 8 %
        of EOS-CG for argon to 200 bar, 20 % of it for carbon dioxide up to saturation; unchecked for helium
        and hydrogen.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Soave, Chem. Eng. Sci. 27 (1972) 1197, doi 10.1016/0009-2509(72)80096-4, with water at infinite
        dilution and the pressure on the condensed water (Poynting); binary parameters as named in this
        module.
    """
    check_range("temperature_c", temperature_c, *water_in_gas.MOISTURE_RANGE_C, "degC")
    check_range("pressure_pa", pressure_pa, *water_in_gas.MOISTURE_RANGE_PA, "Pa")

    def factor(m: Maths, t: Any, p: Any) -> Any:
        frozen = t < TRIPLE_POINT_C
        kelvin = t + ZERO_C_K
        cold = m.where(frozen, kelvin, TRIPLE_POINT_C + ZERO_C_K)
        ln_pure = m.where(frozen, ln_ice_pa(m, cold), ln_water_pa(m, kelvin))
        return m.exp(water_in_gas.ln_saturated_pa(m, kelvin, p, gas) - ln_pure)

    return elementwise(factor, temperature_c, pressure_pa)


def molar_mass_kgmol(gas: GasMixture) -> float:
    """Mass of a mole of a mixture, kg."""
    return sum(MOLAR_MASS_KGMOL[name] * x for name, x in zip(gas.names, gas.mole_frac, strict=True))
