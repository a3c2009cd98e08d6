"""Water and frost on a cold surface: how fast vapour arrives or leaves, its latent heat, when it runs off."""

import math

import numpy as np

from monitor.model.errors import RangeError
from monitor.physics.air_transport import HEAT_CAPACITY_AIR_JKGK
from monitor.physics.saturation import saturation_pressure_pa

FREEZING_C = 0.0
HEAT_OF_FUSION_JG = 333.4  # IAPWS R10-06: 333 427 J/kg at 0.0025 degC
DRY_BELOW_GM2 = 0.5  # a film thinner than half a micrometre counts as gone
LEWIS_NUMBER = 0.857  # thermal diffusivity of air over the diffusivity of vapour in it

_MOLAR_MASS_RATIO = 0.621945
LEWIS_FACTOR_KGKJ = _MOLAR_MASS_RATIO / (HEAT_CAPACITY_AIR_JKGK * LEWIS_NUMBER ** (2 / 3)) * 1000.0

# Saturation pressure for the inner loop: the published curves, read off every quarter of a degree and joined
# straight in their logarithm (within 1.5e-5 of them), because a call of the curves costs ten times as much.
_TABLE_LOW_C = -80.0
_TABLE_HIGH_C = 110.0
_PER_DEGREE = 4
_GRID_C = np.linspace(_TABLE_LOW_C, _TABLE_HIGH_C, int((_TABLE_HIGH_C - _TABLE_LOW_C) * _PER_DEGREE) + 1)
_LN_SATURATION: list[float] = np.log(saturation_pressure_pa(_GRID_C)).tolist()


def latent_heat_jg(surface_c: float) -> float:
    """Heat set free by a gram of vapour settling on a surface: as frost below 0 degC, as water from there on.

    Arguments:
        surface_c: surface temperature, degC, a float, -60 to 90.
    Returns:
        latent heat, J/g.
    Raises:
        Nothing; the lines are used beyond their ends.
    Reference:
        Water: straight line through IAPWS-95's 2500.9 J/g at 0 degC and 2406.0 J/g at 40 degC, within 0.1 %
        of it to 60 degC. Ice: 2834.3 J/g at 0 degC (IAPWS R10-06 and IAPWS-95), within 0.2 % to -40 degC.
    """
    return 2834.3 if surface_c < FREEZING_C else 2500.9 - 2.372 * surface_c


def surface_saturation_pa(surface_c: float) -> tuple[float, float]:
    """Vapour pressure at a wet or frosted surface and its slope, fast, for one temperature.

    Arguments:
        surface_c: surface temperature, degC, a float, -80 to 110.
    Returns:
        saturation pressure, Pa, over ice below 0.01 degC, and its slope, Pa/K.
    Raises:
        RangeError: temperature outside the table.
    Reference:
        `saturation_pressure_pa`, read off every 0.25 K; within 1.5e-5 of it, 2e-4 between 0 and 0.25 degC.
    """
    place = (surface_c - _TABLE_LOW_C) * _PER_DEGREE
    index = int(place)
    if not 0.0 <= place < len(_LN_SATURATION) - 1:
        raise RangeError("surface_c", surface_c, f"{_TABLE_LOW_C:g} to {_TABLE_HIGH_C:g} degC")
    low = _LN_SATURATION[index]
    rise = _LN_SATURATION[index + 1] - low
    pressure = math.exp(low + (place - index) * rise)
    return pressure, pressure * rise * _PER_DEGREE


def change_phase(
    surface_c: float, film_gm2: float, frost_gm2: float, capacity_jm2k: float
) -> tuple[float, float]:
    """Melts frost on a surface that rose through 0 degC, or freezes water on one that fell through it.

    Arguments:
        surface_c: surface temperature if nothing melted or froze, degC, a float.
        film_gm2: water and frost together, g/m2, a float, not negative.
        frost_gm2: the frozen part of it, g/m2, a float, 0 to film_gm2.
        capacity_jm2k: heat capacity behind a square metre of the surface, J/m2K, a float, positive.
    Returns:
        surface temperature, degC, and the frozen part, g/m2, with the same total heat as before.
    Raises:
        Nothing.
    Reference:
        Heat balance with the heat of fusion of IAPWS R10-06; freezing starts at 0 degC, supercooling of the
        film is left out.
    """
    if surface_c > FREEZING_C and frost_gm2 > 0.0:
        meltable = capacity_jm2k * surface_c / HEAT_OF_FUSION_JG
        if meltable <= frost_gm2:
            return FREEZING_C, frost_gm2 - meltable
        return surface_c - frost_gm2 * HEAT_OF_FUSION_JG / capacity_jm2k, 0.0
    if surface_c < FREEZING_C and frost_gm2 < film_gm2:
        freezable = -capacity_jm2k * surface_c / HEAT_OF_FUSION_JG
        if freezable <= film_gm2 - frost_gm2:
            return FREEZING_C, frost_gm2 + freezable
        return surface_c + (film_gm2 - frost_gm2) * HEAT_OF_FUSION_JG / capacity_jm2k, film_gm2
    return surface_c, frost_gm2
