"""Density and heat content of dry shielding gases and their mixtures, at cylinder and at torch pressure."""

from functools import cache
from itertools import combinations
from typing import Any, NamedTuple

import numpy as np

from monitor.model.errors import Fault, InputError, RangeError
from monitor.physics.elementwise import Maths, V, Values, check_below, check_range, elementwise
from monitor.physics.saturation import ZERO_C_K
from monitor.physics.shielding_gas import CARBON_DIOXIDE, GasMixture

GAS_CONSTANT = 8.314462618  # J/(mol K), CODATA 2018
GAS_RANGE_C = (-120.0, 80.0)
GAS_RANGE_PA = (1.0e3, 3.0e7)
_STEPS = 60
_STEP_ENOUGH = 1e-11
_SATURATED = 1.001  # saturated gas, computed elsewhere, is let in

# Span and Wagner 2003: exponents (of 1/T, of density, of the damping) shared by a class of fluids
_NON_POLAR = (
    (0.25, 1, 0), (1.125, 1, 0), (1.5, 1, 0), (1.375, 2, 0), (0.25, 3, 0), (0.875, 7, 0),
    (0.625, 2, 1), (1.75, 5, 1), (3.625, 1, 2), (3.625, 4, 2), (14.5, 3, 3), (12.0, 4, 3),
)  # fmt: skip
_POLAR = (
    (0.25, 1, 0), (1.25, 1, 0), (1.5, 1, 0), (0.25, 3, 0), (0.875, 7, 0), (2.375, 1, 1),
    (2.0, 2, 1), (2.125, 5, 1), (3.5, 1, 2), (6.5, 1, 2), (4.75, 4, 2), (12.5, 2, 3),
)  # fmt: skip


class _Fluid(NamedTuple):
    critical_k: float
    critical_molm3: float
    exponents: tuple[tuple[float, int, int], ...]
    factors: tuple[float, ...]
    rigid: float  # heat capacity of the stiff molecule over the gas constant
    vibrations: tuple[tuple[float, float], ...]  # weight, and temperature in kelvin, of each


_FLUIDS = {
    "argon": _Fluid(
        150.687, 13407.43, _NON_POLAR,
        (0.85095715, -2.4003223, 0.54127841, 0.016919771, 0.068825965, 0.00021428033,
         0.17429895, -0.033654496, -0.13526800, -0.016387351, -0.024987667, 0.0088769205),
        2.5, (),
    ),
    "carbon_dioxide": _Fluid(
        304.1282, 10624.9, _POLAR,
        (0.89875108, -2.1281985, -0.068190320, 0.076355306, 0.00022053253, 0.41541823,
         0.71335657, 0.00030354234, -0.36643143, -0.0014407781, -0.089166707, -0.023699887),
        3.5, ((1.99427042, 958.49956), (0.62105248, 1858.80115), (0.41195293, 2061.10114),
              (1.04028922, 3443.89908), (0.08327678, 8238.20035)),
    ),
    "nitrogen": _Fluid(
        126.192, 11183.9, _NON_POLAR,
        (0.92296567, -2.5575012, 0.64482463, 0.01083102, 0.073924167, 0.00023532962,
         0.18024854, -0.045660299, -0.1552106, -0.03811149, -0.031962422, 0.015513532),
        3.5, ((1.0, 3352.0),),
    ),
    "oxygen": _Fluid(
        154.595, 13630.0, _NON_POLAR,
        (0.88878286, -2.4879433, 0.59750190, 0.0096501817, 0.071970429, 0.00022337443,
         0.18558686, -0.038129368, -0.15352245, -0.026726815, -0.025675299, 0.0095714302),
        3.5, ((1.0, 2239.0),),
    ),
}  # fmt: skip

# Factors on the geometric mean of a pair's critical temperatures and on the cubic mean of its critical
# volumes: fitted here, two numbers a pair, to heat content and density from EOS-CG (Gernert and Span 2016)
_PAIRS = {
    ("argon", "carbon_dioxide"): (1.0317, 1.1192),
    ("argon", "nitrogen"): (0.98543, 0.98680),
    ("argon", "oxygen"): (0.98844, 0.98985),
    ("carbon_dioxide", "nitrogen"): (1.0765, 1.1276),
    ("carbon_dioxide", "oxygen"): (1.0302, 1.0786),
    ("nitrogen", "oxygen"): (0.99312, 0.98604),
}

# Span and Wagner 1996, eqs. (3.12) and (3.13): where carbon dioxide gas meets its ice, and its liquid
CO2_TRIPLE_K, CO2_TRIPLE_PA = 216.592, 0.51795e6
_CO2_CRITICAL_K, _CO2_CRITICAL_PA = 304.1282, 7.3773e6
_CO2_ICE = ((1.0, -14.740846), (1.9, 2.4327015), (2.9, -5.3061778))
_CO2_LIQUID = ((1.0, -7.0602087), (1.5, 1.9391218), (2.0, -1.6463597), (4.0, -3.2995634))
CO2_RANGE_C = (-120.0, 30.97)


class ReducedGas(NamedTuple):
    """A mixture as one fluid, as the kernels need it."""

    critical_k: float
    critical_molm3: float
    terms: tuple[tuple[float, float, int, int], ...]
    rigid: float
    vibrations: tuple[tuple[float, float], ...]


@cache
def reduced_gas(gas: GasMixture) -> ReducedGas:
    """The mixture as one fluid with its own critical point and the terms of all its gases."""
    unknown = [name for name in gas.names if name not in _FLUIDS]
    if unknown:
        fix = f"heat content is known here for {', '.join(sorted(_FLUIDS))}"
        raise InputError([Fault("gas", name, fix) for name in unknown])
    parts = [(_FLUIDS[name], x) for name, x in zip(gas.names, gas.mole_frac, strict=True)]
    temperature = sum(x * x * fluid.critical_k for fluid, x in parts)
    volume = sum(x * x / fluid.critical_molm3 for fluid, x in parts)
    for (name_a, a), (name_b, b) in combinations(zip(gas.names, parts, strict=True), 2):
        for_temperature, for_volume = _PAIRS[name_a, name_b]
        both = 2.0 * a[1] * b[1]
        temperature += both * for_temperature * (a[0].critical_k * b[0].critical_k) ** 0.5
        edge = a[0].critical_molm3 ** (-1 / 3) + b[0].critical_molm3 ** (-1 / 3)
        volume += both * for_volume * edge**3 / 8.0
    return ReducedGas(
        temperature,
        1.0 / volume,
        tuple(
            (x * factor, *exponents)
            for fluid, x in parts
            for factor, exponents in zip(fluid.factors, fluid.exponents, strict=True)
        ),
        sum(x * fluid.rigid for fluid, x in parts),
        tuple((x * weight, kelvin) for fluid, x in parts for weight, kelvin in fluid.vibrations),
    )


def _residual(maths: Maths, r: ReducedGas, temperature_k: Any, density_molm3: Any) -> tuple[Any, Any, Any]:
    """d a_d, d2 a_dd and t a_t of the residual Helmholtz energy a(t, d) over RT."""
    tau = r.critical_k / temperature_k
    delta = density_molm3 / r.critical_molm3
    damping: dict[int, tuple[Any, Any]] = {0: (0.0, 1.0)}
    for power in (1, 2, 3):
        raised = delta**power
        damping[power] = (power * raised, maths.exp(-raised))
    first: Any = 0.0
    second: Any = 0.0
    warmth: Any = 0.0
    for factor, t, d, power in r.terms:
        shift, damped = damping[power]
        term = factor * tau**t * delta**d * damped
        first = first + term * (d - shift)
        second = second + term * ((d - shift) * (d - 1 - shift) - power * shift)
        warmth = warmth + term * t
    return first, second, warmth


def density_kernel(maths: Maths, r: ReducedGas, temperature_k: Any, pressure_pa: Any) -> Any:
    """Gas-side density, mol/m3, by Newton's steps from the ideal gas; refuses what must condense."""
    thermal = GAS_CONSTANT * temperature_k
    density = pressure_pa / thermal
    for _ in range(_STEPS):
        first, second, _warmth = _residual(maths, r, temperature_k, density)
        slope = thermal * (1.0 + 2.0 * first + second)
        if maths.largest(-slope) > 0.0:
            break
        step = (density * thermal * (1.0 + first) - pressure_pa) / slope
        density = density - step
        if maths.largest(abs(step) / density) < _STEP_ENOUGH:
            return density
    raise RangeError(
        "pressure_pa", pressure_pa, "a pressure at which all of the gas stays gas at this temperature"
    )


def enthalpy_kernel(maths: Maths, r: ReducedGas, temperature_k: Any, pressure_pa: Any) -> Any:
    """Molar enthalpy; the kernel of gas_enthalpy_jmol, for floats and blocks of arrays."""
    density = density_kernel(maths, r, temperature_k, pressure_pa)
    first, _second, warmth = _residual(maths, r, temperature_k, density)
    own = r.rigid * temperature_k
    for weight, kelvin in r.vibrations:
        own = own + weight * kelvin / (maths.exp(kelvin / temperature_k) - 1.0)
    return GAS_CONSTANT * (own + temperature_k * (first + warmth))


def check_stays_gas(temperature_c: Values, pressure_pa: Values, gas: GasMixture) -> None:
    """Raises RangeError for carbon dioxide at a pressure at which it is liquid or ice."""
    if gas != CARBON_DIOXIDE:
        return
    celsius = np.asarray(temperature_c, dtype=np.float64)
    limit = _SATURATED * carbon_dioxide_saturation_pa(np.clip(celsius, *CO2_RANGE_C))
    limit = np.where(celsius < CO2_RANGE_C[1], limit, np.inf)
    check_below("pressure_pa", pressure_pa, "the pressure at which carbon dioxide condenses", limit)


def ln_co2_pa(maths: Maths, temperature_k: Any) -> Any:
    """ln of the pressure at which carbon dioxide gas meets its liquid, or below the triple point its ice."""
    gap_ice = maths.where(temperature_k < CO2_TRIPLE_K, 1.0 - temperature_k / CO2_TRIPLE_K, 0.0)
    gap_liquid = maths.where(temperature_k < _CO2_CRITICAL_K, 1.0 - temperature_k / _CO2_CRITICAL_K, 0.0)
    ice = maths.log(CO2_TRIPLE_PA) + CO2_TRIPLE_K / temperature_k * sum(
        a * gap_ice**power for power, a in _CO2_ICE
    )
    liquid = maths.log(_CO2_CRITICAL_PA) + _CO2_CRITICAL_K / temperature_k * sum(
        a * gap_liquid**power for power, a in _CO2_LIQUID
    )
    return maths.where(temperature_k < CO2_TRIPLE_K, ice, liquid)


def carbon_dioxide_saturation_pa(temperature_c: V) -> V:
    """Pressure of carbon dioxide gas in balance with its liquid, or with its ice below -56.6 degC.

    Arguments:
        temperature_c: temperature, degC, any shape, -120 to 30.97 (above it there is no liquid).
    Returns:
        saturation or sublimation pressure, Pa, same shape.
    Raises:
        RangeError: temperature outside its range.
    Reference:
        Span and Wagner, J. Phys. Chem. Ref. Data 25 (1996) 1509, eqs. (3.12), (3.13), doi 10.1063/1.555991.
    """
    check_range("temperature_c", temperature_c, *CO2_RANGE_C, "degC")
    return elementwise(lambda m, t: m.exp(ln_co2_pa(m, t + ZERO_C_K)), temperature_c)


def gas_enthalpy_jmol(temperature_c: V, pressure_pa: Values, gas: GasMixture) -> V:
    """Heat content of a dry shielding gas, counted from the ideal gas at absolute zero.

    Arguments:
        temperature_c: gas temperature, degC, any shape, -120 to 80.
        pressure_pa: absolute pressure, Pa, broadcast, 1e3 to 3e7, below the pressure at which it condenses.
        gas: mixture of argon, carbon dioxide, nitrogen and oxygen.
    Returns:
        enthalpy, J/mol, broadcast shape.
    Raises:
        RangeError: an argument outside its range, or a pressure at which part of the gas would be liquid.
        InputError: a gas without an equation of state here.
    Reference:
        As for gas_density_molm3; ideal part by vibrations: Span and Wagner 1996, Table 27,
        doi 10.1063/1.555991 (carbon dioxide), one vibration each for nitrogen (3352 K) and oxygen (2239 K).
    """
    check_range("temperature_c", temperature_c, *GAS_RANGE_C, "degC")
    check_range("pressure_pa", pressure_pa, *GAS_RANGE_PA, "Pa")
    check_stays_gas(temperature_c, pressure_pa, gas)
    reduced = reduced_gas(gas)
    return elementwise(
        lambda m, t, p: enthalpy_kernel(m, reduced, t + ZERO_C_K, p), temperature_c, pressure_pa
    )
