"""Turns a forecaster's own past errors into bands that hold what they promise (conformal prediction)."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.bank import KNOTS_H
from monitor.outlook.hourly import DAY_H, FloatArray
from monitor.outlook.ridge import day_of

LEVEL = 0.8
WINDOW_DAYS = 28
LEARNING_DAYS = 10  # errors of a model that was still learning say nothing of what it does later
LEAST_ERRORS = 72
STEER = 2.0  # how strongly the band answers to having held too much or too little
STRICTEST, LOOSEST = 0.60, 0.94


@dataclass(frozen=True, slots=True)
class Bands:
    """By day and knot: value + centre ± half holds 80 %; `raw_half` is half without the correction."""

    centre: FloatArray
    half: FloatArray
    raw_half: FloatArray


def conformal_rank(count: int, level: float) -> int:
    """The order statistic that holds a new error with at least `level` (Vovk; Lei et al. 2018, eq. 3)."""
    return min(int(np.ceil((count + 1) * level)), count) - 1


def daily_bands(error: FloatArray) -> Bands:
    """Bands for each day from the errors known that morning; NaN where there are too few.

    The level asked of the quantile is steered by how many of the recent errors fell into their bands
    (after Gibbs and Candès 2021, adaptive conformal inference), because a shop's weather is not the same
    from month to month.
    """
    rows = error.shape[0]
    mornings = np.flatnonzero(np.diff(day_of(rows), prepend=-1))
    shape = (mornings.size, len(KNOTS_H))
    centre, half, raw = (np.full(shape, np.nan) for _ in range(3))
    for k, h in enumerate(KNOTS_H):
        inside = np.full(rows, np.nan)
        for day, morning in enumerate(mornings.tolist()):
            last = morning - h
            first = max(LEARNING_DAYS * DAY_H, last - WINDOW_DAYS * DAY_H)
            known = error[first:last, k][np.isfinite(error[first:last, k])] if last > first else error[:0, k]
            if known.size < LEAST_ERRORS:
                continue
            level = _steered(inside[first:last])
            known = np.sort(known)
            middle = 0.5 * float(known[(known.size - 1) // 2] + known[known.size // 2])
            size = np.sort(np.abs(known - middle))
            centre[day, k] = middle
            half[day, k] = size[conformal_rank(size.size, level)]
            raw[day, k] = size[conformal_rank(size.size, LEVEL)]
            block = slice(morning, morning + DAY_H)
            held = np.abs(error[block, k] - middle) <= half[day, k]
            inside[block] = np.where(np.isfinite(error[block, k]), held, np.nan)
    return Bands(centre, half, raw)


def _steered(inside: FloatArray) -> float:
    known = inside[np.isfinite(inside)]
    if known.size < LEAST_ERRORS:
        return LEVEL
    return float(np.clip(LEVEL + STEER * (LEVEL - known.mean()), STRICTEST, LOOSEST))


def coverage(error: FloatArray, bands: Bands) -> FloatArray:
    """Share of errors that fell into their band, by knot."""
    day = day_of(error.shape[0])
    known = np.isfinite(error) & np.isfinite(bands.half[day])
    held = known & (np.abs(error - bands.centre[day]) <= bands.half[day])
    total = known.sum(axis=0)
    result: FloatArray = np.divide(held.sum(axis=0), total, out=np.full(total.shape, np.nan), where=total > 0)
    return result
