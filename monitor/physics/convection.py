"""How fast still or moving air gives heat to the surfaces of a body.

The correlations refuse numbers outside their published range; `free_nusselt`, which the body model calls,
clamps the Rayleigh number to it instead: a body at air temperature (Rayleigh number 0) is a normal state.
"""

from dataclasses import dataclass
from enum import StrEnum

from monitor.physics.air_transport import (
    PRANDTL_AIR,
    STANDARD_PRESSURE_PA,
    conductivity_wmk,
    kinematic_viscosity_m2s,
)
from monitor.physics.elementwise import SCALAR, check_range
from monitor.physics.nusselt import (
    RAYLEIGH_FACE_STILL,
    RAYLEIGH_FACE_STIRRED,
    RAYLEIGH_HORIZONTAL_CYLINDER,
    RAYLEIGH_VERTICAL,
    REYNOLDS_CYLINDER,
    nusselt_forced_cylinder,
    nusselt_forced_plate,
    plate_factor,
    round_factor,
    slim_factor,
    slim_power,
)

# The correlations' constants at the Prandtl number of air, for the kernel
_PLATE_AIR: float = plate_factor(PRANDTL_AIR)
_ROUND_AIR: float = round_factor(PRANDTL_AIR)
_SLIM_FACTOR_AIR: float = slim_factor(PRANDTL_AIR)
_SLIM_POWER_AIR: float = slim_power(SCALAR, PRANDTL_AIR)
_SLIM_SCALE_AIR = 32.0**0.5 * PRANDTL_AIR**0.25


class Face(StrEnum):
    """The shapes a body's surface is made of."""

    VERTICAL_PLATE = "vertical_plate"
    VERTICAL_CYLINDER = "vertical_cylinder"
    HORIZONTAL_CYLINDER = "horizontal_cylinder"
    FACING_UP = "facing_up"
    FACING_DOWN = "facing_down"


@dataclass(frozen=True, slots=True)
class Surface:
    """A part of a body that meets the air: its shape, area, and the length that sets the flow along it.

    `length_m` is the height of a vertical surface, area over perimeter of a horizontal face, and the diameter
    of a horizontal cylinder; `slenderness` is height over diameter of a vertical cylinder, else 0.
    """

    face: Face
    area_m2: float
    length_m: float
    slenderness: float = 0.0


# Named once: of a call that takes a microsecond, looking them up in their class would be a third.
_UPRIGHT_ROUND, _UPRIGHT_FLAT, _FACING_DOWN = Face.VERTICAL_CYLINDER, Face.VERTICAL_PLATE, Face.FACING_DOWN
_UPRIGHT_FROM, _UPRIGHT_TO = RAYLEIGH_VERTICAL


def free_nusselt(surface: Surface, drive_m3: float, colder: bool) -> float:
    """Nusselt number of free convection on a surface of a body in air, whatever its shape.

    Arguments:
        surface: shape and length of the surface.
        drive_m3: Rayleigh number over the cube of its length, 1/m3, a float, not negative.
        colder: whether the surface is colder than the air.
    Returns:
        Nusselt number on `surface.length_m` (no unit).
    Raises:
        Nothing: the Rayleigh number is clamped to the upper end of the correlation's range; below the lower
        end the correlation runs out to conduction (upright, cylinder) or to zero (horizontal face).
    Reference:
        The correlation of `surface.face` above, at Prandtl number 0.71.
    """
    length = surface.length_m
    rayleigh = drive_m3 * length * length * length
    face = surface.face
    if face is _UPRIGHT_ROUND or face is _UPRIGHT_FLAT:
        if rayleigh < _UPRIGHT_FROM:
            rayleigh = _UPRIGHT_FROM
        elif rayleigh > _UPRIGHT_TO:
            rayleigh = _UPRIGHT_TO
        root: float = 0.825 + _PLATE_AIR * rayleigh ** (1 / 6)
        if face is _UPRIGHT_FLAT:
            return root * root
        slim = _SLIM_SCALE_AIR * surface.slenderness * rayleigh**-0.25
        slender: float = 1.0 + _SLIM_FACTOR_AIR * slim**_SLIM_POWER_AIR
        return root * root * slender
    if face is Face.HORIZONTAL_CYLINDER:
        across: float = 0.6 + _ROUND_AIR * min(rayleigh, RAYLEIGH_HORIZONTAL_CYLINDER[1]) ** (1 / 6)
        return across * across
    if colder == (face is _FACING_DOWN):
        rayleigh = min(rayleigh, RAYLEIGH_FACE_STIRRED[1])
        stirred: float = max(0.54 * rayleigh**0.25, 0.15 * rayleigh ** (1 / 3))
        return stirred
    still: float = 0.27 * min(rayleigh, RAYLEIGH_FACE_STILL[1]) ** 0.25
    return still


def forced_coefficient_wm2k(
    surface: Surface, air_temperature_c: float, draught_ms: float, pressure_pa: float = STANDARD_PRESSURE_PA
) -> float:
    """Coefficient of forced convection on one surface of a body in a draught.

    Arguments:
        surface: shape, area and length of the surface.
        air_temperature_c: air temperature, degC, a float. The film temperature is not needed: the coefficient
            changes by less than 0.1 % over 30 K, the powers of conductivity and viscosity cancelling.
        draught_ms: air speed, m/s, a float, 0 to 30.
        pressure_pa: station pressure, Pa, a float.
    Returns:
        coefficient, W/m2K; 0 in still air.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Churchill and Bernstein 1977 for cylinders, Incropera et al. eqs. (7.30), (7.38) for flat faces.
    """
    check_range("draught_ms", draught_ms, 0.0, 30.0, "m/s")
    length = surface.length_m
    if surface.face is Face.VERTICAL_CYLINDER:
        length /= surface.slenderness
    reynolds = draught_ms * length / kinematic_viscosity_m2s(air_temperature_c, pressure_pa)
    if reynolds < REYNOLDS_CYLINDER[0]:
        return 0.0
    is_round = surface.face in (Face.VERTICAL_CYLINDER, Face.HORIZONTAL_CYLINDER)
    nusselt = nusselt_forced_cylinder(reynolds) if is_round else nusselt_forced_plate(reynolds)
    return nusselt * conductivity_wmk(air_temperature_c) / length
