"""Formulas for heat and convection that only tests ask for, on the room's own kernels."""

import math
from typing import Any

import numpy as np

from monitor.physics import air_transport, bodies, clearing, film, night_sky, nusselt
from monitor.physics.air_transport import PRANDTL_AIR, STANDARD_PRESSURE_PA
from monitor.physics.bodies import Body
from monitor.physics.convection import Face, Surface
from monitor.physics.elementwise import Maths, V, Values, check_range, elementwise
from monitor.physics.lag import start_state
from monitor.physics.saturation import ZERO_C_K, saturation_pressure_pa


def rayleigh_number(
    surface_c: V,
    air_temperature_c: Values,
    length_m: Values,
    pressure_pa: Values = air_transport.STANDARD_PRESSURE_PA,
) -> V:
    """Rayleigh number of a surface in air, properties at the film temperature (mean of surface and air).

    Arguments:
        surface_c: surface temperature, degC, any shape, -60 to 120.
        air_temperature_c: air temperature, degC, broadcast, -60 to 120.
        length_m: characteristic length, m, broadcast, 0.001 to 30.
        pressure_pa: station pressure, Pa, broadcast, 50 000 to 110 000.
    Returns:
        Rayleigh number (no unit, never negative), broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Incropera et al., Fundamentals of Heat and Mass Transfer, eq. (9.25), beta = 1/T; properties of Lemmon
        and Jacobsen 2004 as a power law within 0.5 % over -45..60 degC. Buoyancy of the vapour is left out.
    """
    check_range("surface_c", surface_c, *air_transport.AIR_RANGE_C, "degC")
    check_range("air_temperature_c", air_temperature_c, *air_transport.AIR_RANGE_C, "degC")
    check_range("length_m", length_m, 1e-3, 30.0, "m")
    check_range("pressure_pa", pressure_pa, *air_transport.PRESSURE_RANGE_PA, "Pa")
    return elementwise(_rayleigh, surface_c, air_temperature_c, length_m, pressure_pa)


def _rayleigh(_: Maths, surface_c: Any, air_c: Any, length_m: Any, pressure_pa: Any) -> Any:
    film_ratio = (0.5 * (surface_c + air_c) + ZERO_C_K) / ZERO_C_K
    at_standard = air_transport.buoyancy_at(film_ratio, abs(surface_c - air_c)) * length_m**3
    return at_standard * (pressure_pa / air_transport.STANDARD_PRESSURE_PA) ** 2


def regulator_body(
    data: bodies.BodyData,
    *,
    mass_kg: float,
    diameter_m: float = 0.06,
    length_m: float = 0.15,
    cooling_w: float = 0.0,
    emissivity: float = 0.3,
    material: str = "brass",
) -> bodies.Body:
    """A pressure regulator: a lump of brass in the air, chilled from inside by the gas it throttles.

    Arguments:
        data: reference numbers.
        mass_kg: kg, a float, 0.05 to 20.
        diameter_m: of a horizontal cylinder of like surface, m, a float, 0.01 to 0.5.
        length_m: its length, m, a float, 0.01 to 1.
        cooling_w: heat the throttled gas takes from the body, W, a float, 0 to 5000.
        emissivity: a float, 0 to 1; 0.3 for bright brass.
        material: name of the material in the reference numbers.
    Returns:
        the body.
    Raises:
        RangeError: a number outside its range.
        InputError: a material that is not in the reference numbers.
    Reference:
        Shape as a horizontal cylinder, both ends counted: our choice; the mass and the cooling decide.
    """
    check_range("mass_kg", mass_kg, 0.05, 20.0, "kg")
    check_range("diameter_m", diameter_m, 0.01, 0.5, "m")
    check_range("length_m", length_m, 0.01, 1.0, "m")
    check_range("cooling_w", cooling_w, 0.0, 5000.0, "W")
    check_range("emissivity", emissivity, 0.0, 1.0, "")
    metal = bodies._named(data.materials, "material", material)
    area_m2 = math.pi * diameter_m * (length_m + 0.5 * diameter_m)
    return bodies.Body(
        surfaces=(Surface(Face.HORIZONTAL_CYLINDER, area_m2, diameter_m),),
        area_m2=area_m2,
        emissivity=emissivity,
        shell_jk=mass_kg * metal.heat_capacity_jkgk,
        content_c=(),
        content_j=(),
        coupling_wk=0.0,
        run_off_gm2=data.upright_run_off_gm2,
        internal_w=-cooling_w,
        exchange_std_frac=data.exchange_std_frac,
        drift_kh=data.drift_kh,
        air_wander_kh=data.air_wander_kh,
        sky_doubt=data.sky_doubt,
    )


def held_air(
    time_s: float,
    temperature_c: float,
    relative_humidity_frac: float,
    *,
    hours: float = clearing.HORIZON_S / clearing._S_PER_H,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    draught_ms: float = 0.0,
    humidity_std_frac: float = 0.0,
) -> clearing.Air:
    """Air that stays as it is now.

    Arguments:
        time_s: from when, epoch seconds UTC.
        temperature_c: degC, a float, -60 to 80.
        relative_humidity_frac: over liquid water, a float, 0 to 1.2.
        hours: for how long, h, a float, positive.
        pressure_pa: station pressure, Pa, a float, 50 000 to 110 000.
        draught_ms: air speed, m/s, a float, 0 to 30.
        humidity_std_frac: standard uncertainty of the humidity, a float, 0 to 0.2.
    Returns:
        the air.
    Raises:
        RangeError: hours not positive.
    Reference:
        None: an assumption, not a forecast.
    """
    check_range("hours", hours, 0.01, 1000.0, "h")
    return clearing.Air(
        np.array([time_s, time_s + hours * clearing._S_PER_H]),
        np.full(2, temperature_c),
        np.full(2, relative_humidity_frac),
        pressure_pa,
        draught_ms,
        humidity_std_frac,
    )


def if_brought_in(
    body: Body, start_temperature_c: float, air: clearing.Air, *, margin_k: float = clearing.PLANNING_MARGIN_K
) -> clearing.Clearing:
    """What would happen to a dry body of a given temperature brought into this air at its first sample.

    Arguments:
        body: the body.
        start_temperature_c: of the body, degC, a float, -60 to 90.
        air: the air it would come into.
        margin_k: planning margin, K, a float, 0.1 to 20.
    Returns:
        as `clearing`; `peak_film_gm2` says how wet it would get.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        As `clearing`.
    """
    state = start_state(body, float(air.times_s[0]), start_temperature_c)
    return clearing.clearing(body, state, air, margin_k=margin_k)


_MIXING_EXPONENT = 3.0


def mixed_coefficient_wm2k(free_wm2k: V, forced_wm2k: Values) -> V:
    """Coefficient where free and forced convection act together (crossing or along each other).

    Arguments:
        free_wm2k: coefficient of free convection, W/m2K, any shape, not negative.
        forced_wm2k: coefficient of forced convection, W/m2K, broadcast, not negative.
    Returns:
        joint coefficient, W/m2K, broadcast shape.
    Raises:
        RangeError: a negative coefficient.
    Reference:
        Churchill 1977 as in Incropera et al., eq. (9.64), with exponent 3.
    """
    check_range("free_wm2k", free_wm2k, 0.0, 1e6, "W/m2K")
    check_range("forced_wm2k", forced_wm2k, 0.0, 1e6, "W/m2K")
    return elementwise(_mixed, free_wm2k, forced_wm2k)


def _mixed(_: Maths, free: Any, forced: Any) -> Any:
    return (free**_MIXING_EXPONENT + forced**_MIXING_EXPONENT) ** (1.0 / _MIXING_EXPONENT)


SURFACE_RANGE_C = (-60.0, 90.0)


def vapour_flux_gm2s(vapour_pressure_pa: V, surface_c: V, coefficient_wm2k: Values, pressure_pa: Values) -> V:
    """Water vapour going to a wet or cold surface (positive: condensing; negative: evaporating).

    Arguments:
        vapour_pressure_pa: vapour pressure of the air, Pa, any shape, 0 to 70 000.
        surface_c: surface temperature, degC, broadcast, -60 to 90; below 0.01 degC the surface is ice.
        coefficient_wm2k: coefficient of convection (without radiation), W/m2K, broadcast, not negative.
        pressure_pa: station pressure, Pa, broadcast, 50 000 to 110 000.
    Returns:
        vapour flux, g/m2s, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Lewis analogy (Chilton and Colburn 1934; Incropera et al., eq. (6.60)) with exponent 2/3 and Lewis
        number 0.857 (Massman, Atmos. Environ. 32 (1998) 1111, doi 10.1016/S1352-2310(97)00391-9, for the
        diffusivity), and the mean vapour pressure taken off the station pressure for the drift of the vapour.
    """
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 70_000.0, "Pa")
    check_range("surface_c", surface_c, *SURFACE_RANGE_C, "degC")
    check_range("coefficient_wm2k", coefficient_wm2k, 0.0, 1e4, "W/m2K")
    check_range("pressure_pa", pressure_pa, 50_000.0, 110_000.0, "Pa")
    at_surface = saturation_pressure_pa(surface_c)
    return elementwise(_flux, vapour_pressure_pa, at_surface, coefficient_wm2k, pressure_pa)


def _flux(_: Maths, vapour_pa: Any, surface_pa: Any, coefficient_wm2k: Any, pressure_pa: Any) -> Any:
    carrier_pa = pressure_pa - 0.5 * (vapour_pa + surface_pa)
    return film.LEWIS_FACTOR_KGKJ * coefficient_wm2k * (vapour_pa - surface_pa) / carrier_pa


def sky_temperature_c(temperature_c: V, vapour_pressure_pa: Values, cover_frac: Values) -> V:
    """Temperature of a black sky that radiates as much.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 80.
        vapour_pressure_pa: of the air, Pa, broadcast, 0 to 70 000.
        cover_frac: how much of the sky is clouded, broadcast, 0 to 1; NaN (not known) counts as clear.
    Returns:
        sky temperature, degC, at most the air's, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        `sky_loss_wm2`.
    """
    loss = night_sky.sky_loss_wm2(temperature_c, vapour_pressure_pa, cover_frac)
    return elementwise(_radiant_c, temperature_c, loss)


def _radiant_c(_: Maths, temperature_c: Any, loss_wm2: Any) -> Any:
    return ((temperature_c + ZERO_C_K) ** 4 - loss_wm2 / night_sky.STEFAN_BOLTZMANN_WM2K4) ** 0.25 - ZERO_C_K


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
    check_range("rayleigh", rayleigh, *nusselt.RAYLEIGH_VERTICAL, "")
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
    check_range("rayleigh", rayleigh, *nusselt.RAYLEIGH_VERTICAL, "")
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
    check_range("rayleigh", rayleigh, *nusselt.RAYLEIGH_HORIZONTAL_CYLINDER, "")
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
    check_range("rayleigh", rayleigh, *nusselt.RAYLEIGH_FACE_STIRRED, "")
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
    check_range("rayleigh", rayleigh, *nusselt.RAYLEIGH_FACE_STILL, "")
    return elementwise(_still_face, rayleigh)


def _vertical_plate(_: Maths, rayleigh: Any, prandtl: Any) -> Any:
    return (0.825 + nusselt.plate_factor(prandtl) * rayleigh ** (1 / 6)) ** 2


def _vertical_cylinder(maths: Maths, rayleigh: Any, slenderness: Any, prandtl: Any) -> Any:
    slim = 32.0**0.5 * (rayleigh / prandtl) ** -0.25 * slenderness
    curved = 1.0 + nusselt.slim_factor(prandtl) * slim ** nusselt.slim_power(maths, prandtl)
    return _vertical_plate(maths, rayleigh, prandtl) * curved


def _horizontal_cylinder(_: Maths, rayleigh: Any, prandtl: Any) -> Any:
    return (0.6 + nusselt.round_factor(prandtl) * rayleigh ** (1 / 6)) ** 2


def _stirred_face(maths: Maths, rayleigh: Any) -> Any:
    laminar, turbulent = 0.54 * rayleigh**0.25, 0.15 * rayleigh ** (1 / 3)
    return maths.where(laminar > turbulent, laminar, turbulent)


def _still_face(_: Maths, rayleigh: Any) -> Any:
    return 0.27 * rayleigh**0.25
