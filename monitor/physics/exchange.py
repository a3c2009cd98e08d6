"""What a body and the air around it give each other at one moment: convection, radiation and vapour."""

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from monitor.physics.air_transport import STANDARD_PRESSURE_PA, buoyancy_at, conductivity_at
from monitor.physics.bodies import Body
from monitor.physics.convection import Surface, forced_coefficient_wm2k, free_nusselt
from monitor.physics.film import LEWIS_FACTOR_KGKJ, latent_heat_jg, surface_saturation_pa
from monitor.physics.saturation import ZERO_C_K

REMEMBERED = 1_024  # forced coefficients; a surface or three for each body of a large shop
_FREE_EXPONENT = 0.28  # how the free coefficient grows with the temperature gap, for the slope only


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What stays the same while a body is followed: pressure, draught on each surface, learned exchange."""

    pressure_pa: float
    pressure_ratio2: float
    forced: tuple[tuple[Surface, float], ...]  # each surface with the cube of its forced coefficient
    exchange_factor: float


class Exchange(NamedTuple):
    """Heat to the body and vapour to its surface, with their slopes for the implicit step."""

    heat_w: float
    slope_wk: float  # how the heat falls as the skin warms
    air_slope_wk: float  # how it rises with the air temperature
    vapour_slope_wpa: float  # how it rises with the vapour pressure
    vapour_gm2s: float
    convective_wm2k: float
    radiative_wm2k: float


def surroundings(
    body: Body, air_temperature_c: float, pressure_pa: float, draught_ms: float, exchange_factor: float = 1.0
) -> Surroundings:
    """Works out once what `exchange` needs at every step.

    Arguments:
        body: the body.
        air_temperature_c: air temperature, degC, a float, -60 to 90.
        pressure_pa: station pressure, Pa, a float, 50 000 to 110 000.
        draught_ms: air speed, m/s, a float, 0 to 30.
        exchange_factor: learned factor on all exchange with the air, a float, 1 where nothing was learned.
    Returns:
        the surroundings.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        `forced_coefficient_wm2k`.
    """
    # warmer air conducts as much better as it is thinner: less than 0.1 % over 30 K, so whole tens will do
    air_c = round(air_temperature_c / 10.0) * 10.0
    forced = tuple(
        [(surface, _forced_cubed(surface, air_c, draught_ms, pressure_pa)) for surface in body.surfaces]
    )
    return Surroundings(pressure_pa, (pressure_pa / STANDARD_PRESSURE_PA) ** 2, forced, exchange_factor)


@lru_cache(maxsize=REMEMBERED)
def _forced_cubed(surface: Surface, air_c: float, draught_ms: float, pressure_pa: float) -> float:
    """All that is alike stands in much the same air."""
    return forced_coefficient_wm2k(surface, air_c, draught_ms, pressure_pa) ** 3


def exchange(
    body: Body,
    skin_c: float,
    air: tuple[float, float],
    around: Surroundings,
    wet: bool,
    sky_loss_wm2: float = 0.0,
) -> Exchange:
    """Heat and vapour exchanged by a body at one moment.

    Arguments:
        body: the body.
        skin_c: skin temperature, degC, a float, -80 to 110.
        air: air temperature, degC, and vapour pressure, Pa, floats; walls and ground are as warm as the air.
        around: from `surroundings`.
        wet: whether there is water or frost to evaporate; vapour condenses in any case.
        sky_loss_wm2: what a black face that sees all of the place's sky loses to it, W/m2, a float.
    Returns:
        the exchange; heat and vapour are positive towards the body.
    Raises:
        RangeError: skin temperature outside the saturation table.
    Reference:
        Mixed convection: Incropera et al., eq. (9.64). Radiation: grey body in a large room, eq. (1.7),
        and less by what its share of the sky sends less than the air's warmth would (`night_sky`).
        Vapour: Lewis analogy, see `vapour_flux_gm2s`.
    """
    air_c, vapour_pa = air
    gap_k = air_c - skin_c
    convective, radiative = _dry_coefficients(body, skin_c, air_c, around)
    at_surface, rise = surface_saturation_pa(skin_c)
    lewis = LEWIS_FACTOR_KGKJ * convective / (around.pressure_pa - 0.5 * (vapour_pa + at_surface))
    vapour = lewis * (vapour_pa - at_surface)
    latent = latent_heat_jg(skin_c) * lewis  # W/m2 per Pa
    slope = dry_slope = (1.0 + _FREE_EXPONENT) * convective + radiative
    if vapour < 0.0 and not wet:
        vapour = latent = 0.0
    else:
        slope += latent * rise
    scale = body.area_m2 * around.exchange_factor
    return Exchange(
        scale * ((convective + radiative) * gap_k + latent * (vapour_pa - at_surface))
        + body.internal_w
        - body.sky_area_m2 * sky_loss_wm2,
        scale * slope,
        scale * dry_slope,
        scale * latent,
        vapour * around.exchange_factor,
        convective,
        radiative,
    )


def _dry_coefficients(body: Body, skin_c: float, air_c: float, around: Surroundings) -> tuple[float, float]:
    """Mean coefficients of convection and of radiation over the body's surfaces, W/m2K."""
    skin_k, air_k = skin_c + ZERO_C_K, air_c + ZERO_C_K
    film_ratio = (skin_k + air_k) / (2.0 * ZERO_C_K)
    drive = around.pressure_ratio2 * buoyancy_at(film_ratio, abs(air_c - skin_c))
    conductivity = conductivity_at(film_ratio)
    total = 0.0
    for surface, forced_cubed in around.forced:
        free = conductivity * free_nusselt(surface, drive, skin_c < air_c) / surface.length_m
        if forced_cubed:
            free = (free * free * free + forced_cubed) ** (1 / 3)
        total += surface.area_m2 * free
    radiative = body.radiance_wm2k4 * (skin_k * skin_k + air_k * air_k) * (skin_k + air_k)
    return total / body.area_m2, radiative
