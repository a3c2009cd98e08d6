"""How much more water vapour a compressed gas holds than an ideal one: the enhancement factor of each gas.

One cubic equation of state for every gas, with water at infinite dilution in it. It serves moisture only; the
heat content of a gas comes from gas_state.
"""

import math
from typing import Any, NamedTuple

from monitor.physics.elementwise import Maths
from monitor.physics.gas_state import GAS_CONSTANT
from monitor.physics.saturation import TRIPLE_POINT_C, ZERO_C_K, ln_ice_pa, ln_water_pa
from monitor.physics.shielding_gas import GasMixture

MOISTURE_RANGE_C = (-80.0, 60.0)
MOISTURE_RANGE_PA = (5.0e4, 3.0e7)
WATER_MOLAR_MASS_GMOL = 18.015268

_LIQUID_M3MOL = 18.05e-6  # liquid water
_ICE_M3MOL = 19.65e-6
_STEPS = 40
_STEP_ENOUGH = 1e-12


class _Kind(NamedTuple):
    critical_k: float
    critical_pa: float
    acentric: float
    with_water: float  # binary parameter against water


_WATER = _Kind(647.096, 22.064e6, 0.3443, 0.0)

# Critical points and acentric factors of the reference equations of state. Binary parameters are chosen here
# where the sources disagree (see the notes beside the numbers page): nitrogen and oxygen near Greenspan's air
# (cross virial coefficient at 25 degC -33 cm3/mol), argon between EOS-CG (-31) and Rigby and Prausnitz 1968
# (-37, from memory), carbon dioxide between Soreide and Whitson 1992 and Coan and King 1971; helium without
# attraction to water, which gives its cross virial coefficient of about +17 cm3/mol; hydrogen a guess. In
# liquid carbon dioxide the parameter is set to a solubility of water of 0.3 mol % at 20 degC (from memory).
_KINDS = {
    "argon": _Kind(150.687, 4.863e6, -0.00219, 0.53),
    "carbon_dioxide": _Kind(304.1282, 7.3773e6, 0.22394, 0.12),
    "helium": _Kind(5.1953, 0.2276e6, -0.382, 1.0),
    "hydrogen": _Kind(33.145, 1.2964e6, -0.219, 0.6),
    "nitrogen": _Kind(126.192, 3.3958e6, 0.0372, 0.46),
    "oxygen": _Kind(154.581, 5.043e6, 0.0222, 0.50),
}
_WITH_WATER_IN_LIQUID_CO2 = 0.16


class CubicGas(NamedTuple):
    """A mixture in Soave's equation at one temperature: attraction, size, and water's attraction to it."""

    attraction: Any
    size: Any
    to_water: Any


def _root_attraction(kind: _Kind, root_temperature_k: Any) -> Any:
    m = 0.480 + 1.574 * kind.acentric - 0.176 * kind.acentric**2
    scale = math.sqrt(0.42748023 / kind.critical_pa) * GAS_CONSTANT * kind.critical_k
    return scale * (1.0 + m * (1.0 - root_temperature_k / math.sqrt(kind.critical_k)))


def _size(kind: _Kind) -> float:
    return 0.08664035 * GAS_CONSTANT * kind.critical_k / kind.critical_pa


def cubic_gas(maths: Maths, temperature_k: Any, gas: GasMixture, liquid: bool = False) -> CubicGas:
    """The mixture (or liquid carbon dioxide) at a temperature, by geometric means of attraction."""
    root = maths.sqrt(temperature_k)
    water = _root_attraction(_WATER, root)
    own: Any = 0.0
    to_water: Any = 0.0
    for name, x in zip(gas.names, gas.mole_frac, strict=True):
        part = x * _root_attraction(_KINDS[name], root)
        own = own + part
        to_water = to_water + part * (
            1.0 - (_WITH_WATER_IN_LIQUID_CO2 if liquid else _KINDS[name].with_water)
        )
    size = sum(x * _size(_KINDS[name]) for name, x in zip(gas.names, gas.mole_frac, strict=True))
    return CubicGas(own * own, size, water * to_water)


def compressibility(maths: Maths, cubic: CubicGas, temperature_k: Any, pressure_pa: Any, liquid: bool) -> Any:
    """Compressibility factor of the gas (or the liquid): Newton's steps from beyond the outermost root."""
    thermal = GAS_CONSTANT * temperature_k
    a = cubic.attraction * pressure_pa / (thermal * thermal)
    b = cubic.size * pressure_pa / thermal
    linear = a - b - b * b
    z = b if liquid else 1.0 + b
    for _ in range(_STEPS):
        step = (((z - 1.0) * z + linear) * z - a * b) / ((3.0 * z - 2.0) * z + linear)
        z = z - step
        if maths.largest(abs(step)) < _STEP_ENOUGH:
            break
    return z


def ln_water_fugacity(maths: Maths, cubic: CubicGas, temperature_k: Any, pressure_pa: Any, z: Any) -> Any:
    """ln of the fugacity coefficient of a trace of water in the gas (or liquid) of compressibility z."""
    thermal = GAS_CONSTANT * temperature_k
    b = cubic.size * pressure_pa / thermal
    ratio = _size(_WATER) / cubic.size
    pull = cubic.attraction / (cubic.size * thermal)
    return (
        ratio * (z - 1.0)
        - maths.log(z - b)
        - pull * (2.0 * cubic.to_water / cubic.attraction - ratio) * maths.log(1.0 + b / z)
    )


def ln_saturated_pa(maths: Maths, temperature_k: Any, pressure_pa: Any, gas: GasMixture) -> Any:
    """ln of the vapour pressure in the compressed gas over water, or over ice below 0.01 degC."""
    cubic = cubic_gas(maths, temperature_k, gas)
    z = compressibility(maths, cubic, temperature_k, pressure_pa, liquid=False)
    frozen = temperature_k < TRIPLE_POINT_C + ZERO_C_K
    cold = maths.where(frozen, temperature_k, TRIPLE_POINT_C + ZERO_C_K)
    ln_pure = maths.where(frozen, ln_ice_pa(maths, cold), ln_water_pa(maths, temperature_k))
    volume = maths.where(frozen, _ICE_M3MOL, _LIQUID_M3MOL)
    squeezed = volume * (pressure_pa - maths.exp(ln_pure)) / (GAS_CONSTANT * temperature_k)
    return ln_pure + squeezed - ln_water_fugacity(maths, cubic, temperature_k, pressure_pa, z)
