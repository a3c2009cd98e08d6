"""What a surface outdoors loses to the sky: longwave radiation of clear and of clouded skies.

The sun is left out at every hour, and so is ground that is warmer than the air: what is told of a surface is
then colder, and sooner wet, than it is. Left out too is ground that is colder than the air (grass, snow): a
face turned down to it may be colder than told.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.physics.elementwise import FloatArray, Maths, V, Values, check_range, elementwise
from monitor.physics.saturation import ZERO_C_K

STEFAN_BOLTZMANN_WM2K4 = 5.670374419e-8  # CODATA 2018, exact
CLEAR = 0.0  # the cloud of which a surface loses most: taken where none is forecast

_BRUTSAERT = 1.24
_BRUTSAERT_POWER = 1.0 / 7.0
_CLOUD_SHARE = 0.84  # Unsworth and Monteith: how far full cloud closes the gap to a black sky


@dataclass(frozen=True, slots=True)
class Clouds:
    """Cloud cover as forecast, by the hour; an hour that is missing or not a number is not known."""

    times_s: tuple[float, ...] = ()
    cover_frac: tuple[float, ...] = ()

    def at_one(self, time_s: float) -> float | None:
        """Cover at one time; None where it is not known."""
        if len(self.times_s) < 2:
            return None
        cover = float(self.at(np.array([time_s]))[0])
        return None if math.isnan(cover) else cover

    def at(self, times_s: FloatArray) -> FloatArray:
        """Cover at some times, joined straight; NaN before, after and beside what is known."""
        if len(self.times_s) < 2:
            return np.full(times_s.shape, np.nan)
        return np.interp(times_s, self.times_s, self.cover_frac, left=np.nan, right=np.nan)


NO_FORECAST = Clouds()


@dataclass(frozen=True, slots=True)
class Sky:
    """What a zone's bodies see above them; `view_frac` 0: a closed roof, as warm as the air.

    `deviations` moves the loss by as many standard deviations to the warm side.
    """

    view_frac: float = 0.0
    clouds: Clouds = NO_FORECAST
    deviations: float = 0.0


ROOFED = Sky()


@dataclass(frozen=True, slots=True)
class SkyDoubt:
    """How far off the sky may be: the formula, and the forecast cover; standard uncertainties."""

    formula_wm2: float
    cover_frac: float


def clear_emissivity(temperature_c: V, vapour_pressure_pa: Values) -> V:
    """Emissivity of the cloudless sky as a whole, by the air near the ground.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 80.
        vapour_pressure_pa: of the air, Pa, broadcast, 0 to 70 000.
    Returns:
        emissivity, at most 1, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Brutsaert 1975, Water Resources Research 11, 742, doi 10.1029/WR011i005p00742: 1.24 (e/T)^(1/7), with
        e in hPa and T in K. Against a month of measured nights at Payerne: -0.4 K of sky temperature with a
        deviation of 0.6 K over steady clear minutes.
    """
    check_range("temperature_c", temperature_c, -60.0, 80.0, "degC")
    check_range("vapour_pressure_pa", vapour_pressure_pa, 0.0, 70_000.0, "Pa")
    return elementwise(_clear, temperature_c, vapour_pressure_pa)


def sky_loss_wm2(temperature_c: V, vapour_pressure_pa: Values, cover_frac: Values) -> V:
    """Longwave radiation that a black surface facing the whole sky, as warm as the air, loses to it.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 80.
        vapour_pressure_pa: of the air, Pa, broadcast, 0 to 70 000.
        cover_frac: how much of the sky is clouded, broadcast, 0 to 1; NaN (not known) counts as clear.
    Returns:
        net loss, W/m2, never negative, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        `clear_emissivity`; clouds by Unsworth and Monteith 1975, Q. J. R. Meteorol. Soc. 101, 13,
        doi 10.1002/qj.49710142703: (1 - 0.84 c) of the clear emissivity and 0.84 c of a black sky.
    """
    known = np.nan_to_num(cover_frac, nan=CLEAR) if isinstance(cover_frac, np.ndarray) else cover_frac
    if isinstance(known, float) and math.isnan(known):
        known = CLEAR
    check_range("cover_frac", known, 0.0, 1.0, "(a fraction)")
    gap = clear_gap_wm2(temperature_c, vapour_pressure_pa)
    return elementwise(lambda _, open_wm2, cover: open_wm2 * (1.0 - _CLOUD_SHARE * cover), gap, known)


def clear_gap_wm2(temperature_c: V, vapour_pressure_pa: Values) -> V:
    """Loss to a cloudless sky, as `sky_loss_wm2` tells it.

    Arguments:
        temperature_c: air temperature, degC, any shape, -60 to 80.
        vapour_pressure_pa: of the air, Pa, broadcast, 0 to 70 000.
    Returns:
        net loss, W/m2, never negative, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        `clear_emissivity`; Stefan and Boltzmann.
    """
    emissivity = clear_emissivity(temperature_c, vapour_pressure_pa)
    return elementwise(_gap, temperature_c, emissivity)


def seen(
    sky: Sky, doubt: SkyDoubt, air: tuple[FloatArray, FloatArray, FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """What a surface that faces all of a zone's sky loses, and the standard uncertainty of that.

    Arguments:
        sky: what the zone leaves open of it, and the clouds.
        doubt: of formula and forecast.
        air: times (epoch seconds UTC), temperature (degC) and vapour pressure (Pa), arrays of one length.
    Returns:
        loss and its standard uncertainty, W/m2, arrays. Where the cover is not known the loss is that of a
        clear sky: the worse end of the range, and never its middle.
    Raises:
        RangeError: the air outside its range.
    Reference:
        `sky_loss_wm2`; uncertainties add in squares (JCGM 100:2008, 5.1.2).
    """
    times_s, temperature_c, vapour_pressure_pa = air
    cover = sky.clouds.at(times_s)
    loss = sky_loss_wm2(temperature_c, vapour_pressure_pa, cover)
    range_wm2 = _CLOUD_SHARE * clear_gap_wm2(temperature_c, vapour_pressure_pa)
    by_cover = np.where(np.isnan(cover), 0.0, doubt.cover_frac * range_wm2)
    std = sky.view_frac * np.hypot(doubt.formula_wm2, by_cover)
    moved = np.maximum(sky.view_frac * loss - sky.deviations * std, 0.0)
    return moved, std


def _clear(maths: Maths, temperature_c: Any, vapour_pa: Any) -> Any:
    least = maths.where(vapour_pa > 1e-3, vapour_pa, 1e-3)
    ratio = 0.01 * least / (temperature_c + ZERO_C_K)
    return maths.least(_BRUTSAERT * maths.exp(_BRUTSAERT_POWER * maths.log(ratio)), 1.0)


def _gap(_: Maths, temperature_c: Any, emissivity: Any) -> Any:
    return (1.0 - emissivity) * STEFAN_BOLTZMANN_WM2K4 * (temperature_c + ZERO_C_K) ** 4
