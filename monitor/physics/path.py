"""What a followed body was like on the way: its moments as columns, and points between them."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.physics.bodies import Body
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import frost_point_c
from monitor.physics.stepping import Moment

LEAST_VAPOUR_PA = 1e-3
_FILL = 4  # parts into which a step is divided when crossings are read off


@dataclass(frozen=True, slots=True)
class Trajectory:
    """A body followed through the air; all arrays have the length of `time_s`."""

    time_s: FloatArray
    skin_c: FloatArray
    content_c: FloatArray
    film_gm2: FloatArray
    frost_gm2: FloatArray
    air_temperature_c: FloatArray
    saturation_c: FloatArray  # frost point of the air below 0.01 degC, dew point above
    margin_k: FloatArray  # skin above that point


def told_path(moments: Sequence[Moment]) -> Trajectory:
    """Moments as columns, with the saturation point of the air and the margin to it.

    Arguments:
        moments: in rising time, at least one.
    Returns:
        the path at these moments.
    Raises:
        Nothing.
    Reference:
        `frost_point_c`.
    """
    return _trajectory(_table(moments))


def filled_path(body: Body, moments: Sequence[Moment]) -> Trajectory:
    """Three points between each two moments: the skin by its rates, all else straight.

    Arguments:
        body: the body.
        moments: in rising time, at least one.
    Returns:
        the path at the moments and between them.
    Raises:
        Nothing.
    Reference:
        The cubic through both ends' temperatures and rates (Hermite). Rates beyond three times the mean one,
        or against it, belong to a bend within the step and are clipped (Fritsch and Carlson 1980, SIAM J.
        Numer. Anal. 17, 238), so that the cubic stays between its ends.
    """
    table = _table(moments)
    if len(moments) < 2:
        return _trajectory(table)
    heat_w = [now.exchange.heat_w + body.coupling_wk * (now.content_c - now.skin_c) for now in moments]
    rate = np.array(heat_w) / body.shell_jk
    shares = np.linspace(0.0, 1.0, _FILL + 1)[:-1]
    step = np.diff(table, axis=1)
    low, high = np.minimum(3.0 * step[1], 0.0), np.maximum(3.0 * step[1], 0.0)
    lead = np.clip(rate[:-1] * step[0], low, high) - step[1]
    trail = step[1] - np.clip(rate[1:] * step[0], low, high)
    filled = table[:, :-1, None] + step[:, :, None] * shares
    filled[1] += shares * (1.0 - shares) * ((1.0 - shares) * lead[:, None] + shares * trail[:, None])
    return _trajectory(np.concatenate([filled.reshape(len(table), -1), table[:, -1:]], axis=1))


def _table(moments: Sequence[Moment]) -> FloatArray:
    """Time, skin, content, film, frost, air temperature and vapour pressure; a row each."""
    rows = [
        (
            now.air.time_s,
            now.skin_c,
            now.content_c,
            now.film_gm2,
            now.frost_gm2,
            now.air.temperature_c,
            now.air.vapour_pressure_pa,
        )
        for now in moments
    ]
    return np.array(rows).T


def _trajectory(table: FloatArray) -> Trajectory:
    saturation = frost_point_c(np.maximum(table[6], LEAST_VAPOUR_PA))
    time, skin, content, film, frost, air = table[:6]
    return Trajectory(time, skin, content, film, frost, air, saturation, skin - saturation)
