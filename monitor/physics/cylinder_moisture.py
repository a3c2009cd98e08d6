"""Where a gas cylinder's water is: in the gas, condensed on the wall, or leaving as the pressure falls."""

from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from monitor.physics.elementwise import SCALAR, VECTOR, FloatArray, Maths, V, check_range, elementwise
from monitor.physics.gas_moisture import PPMV_RANGE, saturated_ppmv_kernel
from monitor.physics.gas_state import GAS_CONSTANT, check_stays_gas, ln_co2_pa
from monitor.physics.saturation import ZERO_C_K
from monitor.physics.shielding_gas import CARBON_DIOXIDE, GasMixture
from monitor.physics.water_in_gas import (
    MOISTURE_RANGE_PA,
    WATER_MOLAR_MASS_GMOL,
    compressibility,
    cubic_gas,
    ln_water_fugacity,
)

CYLINDER_RANGE_C = (-40.0, 60.0)
LIQUEFIED_RANGE_C = (-30.0, 26.0)
_GRID = 600  # pressures at which a cylinder's emptying is followed
_EMPTY_PA = 1.0e5
_BISECTIONS = 50


@dataclass(frozen=True, slots=True)
class CylinderFill:
    """A cylinder of compressed gas as it was filled; not for liquefied carbon dioxide.

    `moisture_ppmv` counts all water in it, condensed or not, against the dry gas; `pressure_pa` is absolute,
    at `temperature_c` (the rated one, 15 degC for example).
    """

    gas: GasMixture
    volume_m3: float
    pressure_pa: float
    temperature_c: float
    moisture_ppmv: float


class _Emptying(NamedTuple):
    pressure_pa: FloatArray  # falling
    saturated_ppmv: FloatArray
    condensed_molm3: FloatArray  # water on the wall per cubic metre of cylinder; below 0 once it is gone


def _check_fill(fill: CylinderFill) -> None:
    check_range("fill.volume_m3", fill.volume_m3, 1e-4, 10.0, "m3")
    check_range("fill.pressure_pa", fill.pressure_pa, *MOISTURE_RANGE_PA, "Pa")
    check_range("fill.temperature_c", fill.temperature_c, *CYLINDER_RANGE_C, "degC")
    check_range("fill.moisture_ppmv", fill.moisture_ppmv, *PPMV_RANGE, "ppmv")
    check_stays_gas(fill.temperature_c, fill.pressure_pa, fill.gas)


def _density(maths: Maths, temperature_k: Any, pressure_pa: Any, gas: GasMixture) -> Any:
    cubic = cubic_gas(maths, temperature_k, gas)
    z = compressibility(maths, cubic, temperature_k, pressure_pa, liquid=False)
    return pressure_pa / (z * GAS_CONSTANT * temperature_k)


def _filled_molm3(fill: CylinderFill) -> float:
    return float(_density(SCALAR, fill.temperature_c + ZERO_C_K, fill.pressure_pa, fill.gas))


def _full_pressure(maths: Maths, temperature_k: Any, fill: CylinderFill) -> Any:
    cubic = cubic_gas(maths, temperature_k, fill.gas)
    volume = 1.0 / _filled_molm3(fill)
    pull = cubic.attraction / (volume * (volume + cubic.size))
    return GAS_CONSTANT * temperature_k / (volume - cubic.size) - pull


def full_pressure_pa(temperature_c: V, fill: CylinderFill) -> V:
    """Pressure of the full cylinder at a temperature.

    Arguments:
        temperature_c: temperature of the whole cylinder, degC, any shape, -40 to 60.
        fill: the cylinder as filled.
    Returns:
        absolute pressure, Pa, same shape; within 3 % of a reference equation of state.
    Raises:
        RangeError: the temperature or a field of the fill outside its range.
    Reference:
        Constant density in Soave's equation, Chem. Eng. Sci. 27 (1972) 1197, doi
        10.1016/0009-2509(72)80096-4.
    """
    check_range("temperature_c", temperature_c, *CYLINDER_RANGE_C, "degC")
    _check_fill(fill)
    return elementwise(lambda m, t: _full_pressure(m, t + ZERO_C_K, fill), temperature_c)


def _condensed_molm3(maths: Maths, temperature_k: Any, fill: CylinderFill) -> Any:
    """Water of the full cylinder that its gas cannot hold; below 0 where it could hold more."""
    pressure_pa = _full_pressure(maths, temperature_k, fill)
    held = saturated_ppmv_kernel(maths, temperature_k, pressure_pa, fill.gas)
    return (fill.moisture_ppmv - held) * (1e-6 * _filled_molm3(fill))


def condensed_water_g(temperature_c: V, fill: CylinderFill) -> V:
    """Water condensed (frozen below 0.01 degC) inside the full cylinder when it is cold.

    Arguments:
        temperature_c: temperature of the whole cylinder, degC, any shape, -40 to 60.
        fill: the cylinder as filled.
    Returns:
        condensed water, g, same shape; 0 where the gas holds all of it.
    Raises:
        RangeError: the temperature or a field of the fill outside its range.
    Reference:
        Water balance at constant volume with saturated_ppmv at full_pressure_pa.
    """
    check_range("temperature_c", temperature_c, *CYLINDER_RANGE_C, "degC")
    _check_fill(fill)

    def grams(m: Maths, t: Any) -> Any:
        excess = _condensed_molm3(m, t + ZERO_C_K, fill)
        return m.where(excess > 0.0, excess, 0.0 * excess) * (fill.volume_m3 * WATER_MOLAR_MASS_GMOL)

    return elementwise(grams, temperature_c)


def condensation_onset_c(fill: CylinderFill) -> float:
    """Temperature to which the full cylinder must cool for water to condense inside it.

    Arguments:
        fill: the cylinder as filled.
    Returns:
        temperature, degC; -40 where that is cold enough or more, 60 where it is wet inside even there.
    Raises:
        RangeError: a field of the fill outside its range.
    Reference:
        Zero of condensed_water_g by bisection: at constant density the gas holds more the warmer it is.
    """
    _check_fill(fill)
    low, high = CYLINDER_RANGE_C
    if _condensed_molm3(SCALAR, low + ZERO_C_K, fill) <= 0.0:
        return low
    if _condensed_molm3(SCALAR, high + ZERO_C_K, fill) > 0.0:
        return high
    for _ in range(_BISECTIONS):
        middle = 0.5 * (low + high)
        if _condensed_molm3(SCALAR, middle + ZERO_C_K, fill) > 0.0:
            low = middle
        else:
            high = middle
    return high


def _emptying(temperature_c: float, fill: CylinderFill) -> _Emptying:
    """The cylinder drawn down slowly, at one temperature, while the gas that leaves is saturated."""
    temperature_k = temperature_c + ZERO_C_K
    full = float(_full_pressure(SCALAR, temperature_k, fill))
    pressure = np.geomspace(full, min(_EMPTY_PA, 0.5 * full), _GRID)
    density = _density(VECTOR, np.full(_GRID, temperature_k), pressure, fill.gas)
    ratio = 1e-6 * saturated_ppmv_kernel(VECTOR, np.full(_GRID, temperature_k), pressure, fill.gas)
    left = np.concatenate(([0.0], np.cumsum(0.5 * (ratio[1:] + ratio[:-1]) * -np.diff(density))))
    water = 1e-6 * fill.moisture_ppmv * density[0] - left
    return _Emptying(pressure, 1e6 * ratio, water - ratio * density)


def _dry_pressure(emptying: _Emptying) -> float:
    """Pressure at which the last condensed water is gone, between two steps of the grid."""
    condensed = emptying.condensed_molm3
    gone = np.flatnonzero(condensed <= 0.0)
    if gone.size == 0:
        return float(emptying.pressure_pa[-1])
    after = int(gone[0])
    if after == 0:
        return float(emptying.pressure_pa[0])
    share = condensed[after - 1] / (condensed[after - 1] - condensed[after])
    ln_pressure = np.log(emptying.pressure_pa[after - 1 : after + 1])
    return float(np.exp(ln_pressure[0] + share * (ln_pressure[1] - ln_pressure[0])))


def _check_emptying(temperature_c: float, fill: CylinderFill) -> None:
    check_range("temperature_c", temperature_c, *CYLINDER_RANGE_C, "degC")
    _check_fill(fill)


def dry_pressure_pa(temperature_c: float, fill: CylinderFill) -> float:
    """Pressure down to which a cylinder drawn slowly has condensed water inside; there its wet tail ends.

    Arguments:
        temperature_c: temperature of the whole cylinder while it is drawn, degC, -40 to 60.
        fill: the cylinder as filled.
    Returns:
        absolute pressure, Pa; that of the full cylinder where nothing condensed, at least 1e5.
    Raises:
        RangeError: the temperature or a field of the fill outside its range.
    Reference:
        Water balance over saturated gas, integrated over 600 pressures. For an ideal gas it has the closed
        form p0 exp(1 - s), with s the moisture over that of the saturated full gas.
    """
    _check_emptying(temperature_c, fill)
    return _dry_pressure(_emptying(temperature_c, fill))


def leaving_ppmv(pressure_pa: V, temperature_c: float, fill: CylinderFill) -> V:
    """Moisture of the gas that leaves a cylinder at each pressure on its way down.

    With condensed water inside, the gas leaves saturated, and saturated gas is the wetter the lower the
    pressure; from the pressure at which the last water is gone it stays as wet as it was there.

    Arguments:
        pressure_pa: absolute pressure in the cylinder, Pa, any shape, 1e5 to that of the full cylinder (a
            higher one is taken as full).
        temperature_c: temperature of the whole cylinder while it is drawn, degC, -40 to 60.
        fill: the cylinder as filled.
    Returns:
        moisture leaving, parts per million of the dry gas by volume, same shape.
    Raises:
        RangeError: an argument or a field of the fill outside its range.
    Reference:
        As for dry_pressure_pa; slow drawing, so wall, water and gas are at one temperature.
    """
    check_range("pressure_pa", pressure_pa, _EMPTY_PA, MOISTURE_RANGE_PA[1], "Pa")
    _check_emptying(temperature_c, fill)
    emptying = _emptying(temperature_c, fill)
    full_pa, dry_pa = float(emptying.pressure_pa[0]), _dry_pressure(emptying)
    kelvin = temperature_c + ZERO_C_K

    def moisture(m: Maths, p: Any) -> Any:
        if dry_pa >= full_pa:
            return fill.moisture_ppmv + 0.0 * p
        wet = m.where(p > dry_pa, m.where(p < full_pa, p, full_pa), dry_pa)
        return saturated_ppmv_kernel(m, kelvin + 0.0 * wet, wet, fill.gas)

    return elementwise(moisture, pressure_pa)


def _liquefied(maths: Maths, temperature_k: Any) -> tuple[Any, Any]:
    """Water in gas over water in liquid carbon dioxide (per mole), and the pressure over the liquid."""
    pressure_pa = maths.exp(ln_co2_pa(maths, temperature_k))
    gas = cubic_gas(maths, temperature_k, CARBON_DIOXIDE)
    liquid = cubic_gas(maths, temperature_k, CARBON_DIOXIDE, liquid=True)
    z_gas = compressibility(maths, gas, temperature_k, pressure_pa, liquid=False)
    z_liquid = compressibility(maths, liquid, temperature_k, pressure_pa, liquid=True)
    in_gas = ln_water_fugacity(maths, gas, temperature_k, pressure_pa, z_gas)
    in_liquid = ln_water_fugacity(maths, liquid, temperature_k, pressure_pa, z_liquid)
    return maths.exp(in_liquid - in_gas), pressure_pa


def liquefied_leaving_ppmv(liquid_left_frac: V, temperature_c: float, moisture_ppmv: float) -> V:
    """Moisture of the gas drawn from a cylinder of liquefied carbon dioxide as its liquid is used up.

    Arguments:
        liquid_left_frac: share of the liquid that is left, fraction, any shape, 0.001 to 1.
        temperature_c: temperature of the cylinder, degC, -30 to 26.
        moisture_ppmv: moisture of the liquid as filled, parts per million by volume of its gas, 0.1 to 5e5.
    Returns:
        moisture of the gas drawn, ppmv, same shape, at most that of gas over water at that temperature.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Rayleigh's law of slow distillation, x = x0 m^(k - 1), y = k x, with k of liquefied_water_ratio; the
        water in the gas space itself is left out (under a fifth of the filling's moles).
    """
    check_range("liquid_left_frac", liquid_left_frac, 1e-3, 1.0, "(a fraction)")
    check_range("temperature_c", temperature_c, *LIQUEFIED_RANGE_C, "degC")
    check_range("moisture_ppmv", moisture_ppmv, *PPMV_RANGE, "ppmv")
    kelvin = temperature_c + ZERO_C_K
    ratio, pressure_pa = _liquefied(SCALAR, kelvin)
    most = float(saturated_ppmv_kernel(SCALAR, kelvin, pressure_pa, CARBON_DIOXIDE))

    def drawn(m: Maths, left: Any) -> Any:
        ppmv = ratio * moisture_ppmv * m.exp((ratio - 1.0) * m.log(left))
        return m.where(ppmv < most, ppmv, most)

    return elementwise(drawn, liquid_left_frac)
