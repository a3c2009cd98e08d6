"""The published correlations of convection: Nusselt number from Rayleigh, Reynolds and Prandtl numbers.

Equation numbers of Incropera et al., Fundamentals of Heat and Mass Transfer, are those of the 6th edition and
from memory; the formulas are checked against `ht`.
"""

from typing import Any

from monitor.physics.air_transport import PRANDTL_AIR
from monitor.physics.elementwise import Maths, V, Values, check_range, elementwise

RAYLEIGH_VERTICAL = (1e-1, 1e12)
RAYLEIGH_FACE_STIRRED = (1e4, 1e11)
RAYLEIGH_FACE_STILL = (1e5, 1e10)
RAYLEIGH_HORIZONTAL_CYLINDER = (1e-5, 1e12)
REYNOLDS_PLATE = (1.0, 1e8)
REYNOLDS_CYLINDER = (1.0, 1e7)
_REYNOLDS_TURBULENT = 5e5


def nusselt_forced_plate(reynolds: V, prandtl: Values = PRANDTL_AIR) -> V:
    """Mean Nusselt number of a draught along a flat face.

    Arguments:
        reynolds: Reynolds number on the length along the flow, any shape, 1 to 1e8.
        prandtl: Prandtl number, broadcast, 0.6 to 60.
    Returns:
        Nusselt number on that length (no unit), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Incropera et al., eq. (7.30) laminar, 0.664 Re^(1/2) Pr^(1/3), and eq. (7.38) mixed,
        (0.037 Re^(4/5) - 871) Pr^(1/3), with transition at Re 5e5.
    """
    check_range("reynolds", reynolds, *REYNOLDS_PLATE, "")
    check_range("prandtl", prandtl, 0.6, 60.0, "")
    return elementwise(_forced_plate, reynolds, prandtl)


def nusselt_forced_cylinder(reynolds: V, prandtl: Values = PRANDTL_AIR) -> V:
    """Mean Nusselt number of a draught across a cylinder.

    Arguments:
        reynolds: Reynolds number on the diameter, any shape, 1 to 1e7.
        prandtl: Prandtl number, broadcast, 0.6 to 60.
    Returns:
        Nusselt number on the diameter (no unit), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Churchill and Bernstein, J. Heat Transfer 99 (1977) 300, doi 10.1115/1.3450685; for
        Re Pr > 0.2.
    """
    check_range("reynolds", reynolds, *REYNOLDS_CYLINDER, "")
    check_range("prandtl", prandtl, 0.6, 60.0, "")
    return elementwise(_forced_cylinder, reynolds, prandtl)


def plate_factor(prandtl: Any) -> Any:
    return 0.387 * (1.0 + (0.492 / prandtl) ** (9 / 16)) ** (-8 / 27)


def round_factor(prandtl: Any) -> Any:
    return 0.387 * (1.0 + (0.559 / prandtl) ** (9 / 16)) ** (-8 / 27)


def slim_factor(prandtl: Any) -> Any:
    return 0.0571322 + 0.20305 * prandtl**-0.43


def slim_power(maths: Maths, prandtl: Any) -> Any:
    return 0.9165 - 0.0043 * prandtl**0.5 + 0.01333 * maths.log(prandtl) + 0.0004809 / prandtl


def _forced_plate(maths: Maths, reynolds: Any, prandtl: Any) -> Any:
    laminar = 0.664 * reynolds**0.5
    turbulent = 0.037 * reynolds**0.8 - 871.0
    return maths.where(reynolds <= _REYNOLDS_TURBULENT, laminar, turbulent) * prandtl ** (1 / 3)


def _forced_cylinder(_: Maths, reynolds: Any, prandtl: Any) -> Any:
    damping = (1.0 + (0.4 / prandtl) ** (2 / 3)) ** 0.25
    bend = (1.0 + (reynolds / 282_000.0) ** (5 / 8)) ** (4 / 5)
    return 0.3 + 0.62 * reynolds**0.5 * prandtl ** (1 / 3) / damping * bend
