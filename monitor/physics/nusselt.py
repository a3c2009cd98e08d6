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


def nusselt_vertical_plate(rayleigh: V, prandtl: Values = PRANDTL_AIR) -> V:
    """Mean Nusselt number of free convection on a vertical plate, laminar and turbulent.

    Arguments:
        rayleigh: Rayleigh number on the height, any shape, 0.1 to 1e12.
        prandtl: Prandtl number, broadcast, 0.5 to 100.
    Returns:
        Nusselt number on the height (no unit), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1323,
        doi 10.1016/0017-9310(75)90243-4.
    """
    check_range("rayleigh", rayleigh, *RAYLEIGH_VERTICAL, "")
    check_range("prandtl", prandtl, 0.5, 100.0, "")
    return elementwise(_vertical_plate, rayleigh, prandtl)


def nusselt_vertical_cylinder(rayleigh: V, slenderness: Values, prandtl: Values = PRANDTL_AIR) -> V:
    """Mean Nusselt number of free convection on the side of a vertical cylinder.

    Arguments:
        rayleigh: Rayleigh number on the height, any shape, 0.1 to 1e12 (source: Gr 1e2 to 1e11 in use).
        slenderness: height over diameter, broadcast, 0.1 to 100.
        prandtl: Prandtl number, broadcast, 0.5 to 100.
    Returns:
        Nusselt number on the height (no unit), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Popiel, Wojtkowiak and Bober, Exp. Therm. Fluid Sci. 32 (2007) 607,
        doi 10.1016/j.expthermflusci.2007.07.003, times the plate correlation of Churchill and Chu 1975.
        Published correlations for such cylinders spread by about 15 %.
    """
    check_range("rayleigh", rayleigh, *RAYLEIGH_VERTICAL, "")
    check_range("slenderness", slenderness, 0.1, 100.0, "")
    check_range("prandtl", prandtl, 0.5, 100.0, "")
    return elementwise(_vertical_cylinder, rayleigh, slenderness, prandtl)


def nusselt_horizontal_cylinder(rayleigh: V, prandtl: Values = PRANDTL_AIR) -> V:
    """Mean Nusselt number of free convection on a horizontal cylinder.

    Arguments:
        rayleigh: Rayleigh number on the diameter, any shape, 1e-5 to 1e12.
        prandtl: Prandtl number, broadcast, 0.5 to 100.
    Returns:
        Nusselt number on the diameter (no unit), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1049,
        doi 10.1016/0017-9310(75)90222-7.
    """
    check_range("rayleigh", rayleigh, *RAYLEIGH_HORIZONTAL_CYLINDER, "")
    check_range("prandtl", prandtl, 0.5, 100.0, "")
    return elementwise(_horizontal_cylinder, rayleigh, prandtl)


def nusselt_stirred_face(rayleigh: V) -> V:
    """Mean Nusselt number of a horizontal face with overturning air: warm facing up, or cold facing down.

    Arguments:
        rayleigh: Rayleigh number on area over perimeter, any shape, 1e4 to 1e11.
    Returns:
        Nusselt number on area over perimeter (no unit), same shape.
    Raises:
        RangeError: Rayleigh number outside its range.
    Reference:
        Lloyd and Moran 1974 as in Incropera et al., eqs. (9.30), (9.31): 0.54 Ra^(1/4), 0.15 Ra^(1/3); here
        the larger of the two, which changes over at Ra 4.7e6 instead of jumping by 6 % at 1e7.
    """
    check_range("rayleigh", rayleigh, *RAYLEIGH_FACE_STIRRED, "")
    return elementwise(_stirred_face, rayleigh)


def nusselt_still_face(rayleigh: V) -> V:
    """Mean Nusselt number of a horizontal face with resting air: cold facing up, or warm facing down.

    Arguments:
        rayleigh: Rayleigh number on area over perimeter, any shape, 1e5 to 1e10.
    Returns:
        Nusselt number on area over perimeter (no unit), same shape.
    Raises:
        RangeError: Rayleigh number outside its range.
    Reference:
        McAdams as in Incropera et al. (6th ed.), eq. (9.32): 0.27 Ra^(1/4). The 7th edition gives
        0.52 Ra^(1/5), which is 17 % lower at Ra 1e7.
    """
    check_range("rayleigh", rayleigh, *RAYLEIGH_FACE_STILL, "")
    return elementwise(_still_face, rayleigh)


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


def _vertical_plate(_: Maths, rayleigh: Any, prandtl: Any) -> Any:
    return (0.825 + plate_factor(prandtl) * rayleigh ** (1 / 6)) ** 2


def _vertical_cylinder(maths: Maths, rayleigh: Any, slenderness: Any, prandtl: Any) -> Any:
    slim = 32.0**0.5 * (rayleigh / prandtl) ** -0.25 * slenderness
    curved = 1.0 + slim_factor(prandtl) * slim ** slim_power(maths, prandtl)
    return _vertical_plate(maths, rayleigh, prandtl) * curved


def _horizontal_cylinder(_: Maths, rayleigh: Any, prandtl: Any) -> Any:
    return (0.6 + round_factor(prandtl) * rayleigh ** (1 / 6)) ** 2


def _stirred_face(maths: Maths, rayleigh: Any) -> Any:
    laminar, turbulent = 0.54 * rayleigh**0.25, 0.15 * rayleigh ** (1 / 3)
    return maths.where(laminar > turbulent, laminar, turbulent)


def _still_face(_: Maths, rayleigh: Any) -> Any:
    return 0.27 * rayleigh**0.25


def _forced_plate(maths: Maths, reynolds: Any, prandtl: Any) -> Any:
    laminar = 0.664 * reynolds**0.5
    turbulent = 0.037 * reynolds**0.8 - 871.0
    return maths.where(reynolds <= _REYNOLDS_TURBULENT, laminar, turbulent) * prandtl ** (1 / 3)


def _forced_cylinder(_: Maths, reynolds: Any, prandtl: Any) -> Any:
    damping = (1.0 + (0.4 / prandtl) ** (2 / 3)) ** 0.25
    bend = (1.0 + (reynolds / 282_000.0) ** (5 / 8)) ** (4 / 5)
    return 0.3 + 0.62 * reynolds**0.5 * prandtl ** (1 / 3) / damping * bend
