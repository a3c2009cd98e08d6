"""Turns a forecaster's own past errors into bands that hold what they promise (conformal prediction)."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.bank import Track
from monitor.outlook.early import YOUNG_DAYS
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import AHEAD_H, DAY_H, FloatArray
from monitor.outlook.ridge import day_of

LEVEL = 0.8
WINDOW_DAYS = 28
HALF_LIFE_DAYS = 5.0  # an error counts half as much as one five days younger
LEARNING_DAYS = 10  # errors of a model that was still learning say nothing of what it does later
LEAST_ERRORS = 72
STAND_IN_H, LEAST_MOVES = 72.0, 12  # hours a zone's spread counts for at first; changes that make a spread
FIRST_DAYS = 2  # errors of the very first days say nothing either; the zone's spread stands in for them
# How strongly the band answers to having held too much or too little, over which days, and from how many on.
STEER, STEERED_DAYS, SURE_DAYS = 2.0, 21, 14
FEW_DAYS = 0.35  # so many days' worth of doubt about how far a zone moves
STRICTEST, LOOSEST = 0.60, 0.94


@dataclass(frozen=True, slots=True)
class Bands:
    """By day and knot: value ± half holds 80 %; `raw_half` is that of the window without any correction."""

    half: FloatArray
    raw_half: FloatArray


def weighted_bounds(
    size: FloatArray, weight: FloatArray, level: FloatArray, order: np.ndarray | None = None
) -> FloatArray:
    """By row, the size of error that holds a new one, of weight 1, with at least `level`; else the largest.

    NaN sizes do not count. With equal weights it is the order statistic ceil((n + 1) level) of Lei et al.
    2018, Distribution-free predictive inference for regression, eq. 3; with others, Barber et al. 2023,
    Conformal prediction beyond exchangeability, eq. 10.
    """
    order = np.argsort(size, axis=1) if order is None else order  # unknown ones last
    mass = np.cumsum(np.take_along_axis(np.where(np.isfinite(size), weight, 0.0), order, axis=1), axis=1)
    held = (mass < level[:, None] * (mass[:, -1:] + 1.0)).sum(axis=1)
    last = np.maximum(np.isfinite(size).sum(axis=1) - 1, 0)
    row = np.arange(size.shape[0])
    bounds: FloatArray = size[row, order[row, np.minimum(held, last)]]
    return bounds


def bands_of(replay: Track, shape: FloatArray | None) -> Bands:
    """The bands of a replay; `shape` says how errors lie about a zone's own changes before it has any."""
    return daily_bands(replay.error, None if shape is None else OwnSpread(replay.moved, shape))


@dataclass(frozen=True, slots=True)
class OwnSpread:
    """What stands in for a young zone's errors: its own changes, by how errors lie about them elsewhere.

    `moved` (rows, knots) is the change over each horizon; `shape` (knots, levels) are quantiles of the size
    of an error over the mean of such changes.
    """

    moved: FloatArray
    shape: FloatArray

    def sizes(self, morning: int) -> FloatArray:
        """Stand-in sizes of error as known on a morning: (knots, levels); NaN where nothing has moved yet."""
        usual, reach = np.full(len(KNOTS_H), np.nan), np.nan
        for k, h in enumerate(KNOTS_H):
            known = self.moved[max(morning - h - WINDOW_DAYS * DAY_H, 0) : max(morning - h, 0), k]
            known = known[np.isfinite(known)]
            if known.size >= LEAST_MOVES:
                usual[k] = float(known.mean()) * (1.0 + FEW_DAYS * DAY_H / known.size)
                reach = usual[k] / np.sqrt(h)
            else:
                usual[k] = reach * np.sqrt(h)  # as a wanderer would go on
        return usual[:, None] * self.shape


def daily_bands(error: FloatArray, spread: OwnSpread | None = None) -> Bands:
    """Bands for each day from the errors known that morning; NaN where there are too few.

    A shop's weather is not the same from month to month. So young errors count more than old, and the level
    asked is steered by how many of the recent errors fell into their bands (after Gibbs and Candès 2021,
    adaptive conformal inference). In a zone's first weeks its own spread stands in for errors it has not
    made yet, and counts less with every hour that it has.
    """
    rows = error.shape[0]
    first = (LEARNING_DAYS if spread is None else FIRST_DAYS) * DAY_H
    mornings = np.flatnonzero(np.diff(day_of(rows), prepend=-1))
    half, raw = (np.full((mornings.size, len(KNOTS_H)), np.nan) for _ in range(2))
    size = np.abs(error).T
    known, inside = (np.full((len(KNOTS_H), rows + AHEAD_H + DAY_H), np.nan) for _ in range(2))
    for k, h in enumerate(KNOTS_H):  # an error stands where it became known
        known[k, first + h : max(rows, first) + h] = size[k, first:]
    youth = 0.5 ** (np.arange(WINDOW_DAYS * DAY_H)[::-1] / (HALF_LIFE_DAYS * DAY_H))
    for day, morning in enumerate(mornings.tolist()):
        window = known[:, max(morning - WINDOW_DAYS * DAY_H, 0) : morning]
        weight = np.broadcast_to(youth[youth.size - window.shape[1] :], window.shape)
        count = np.isfinite(window).sum(axis=1)
        order = np.argsort(window, axis=1)
        raw[day] = _plain_quantile(window, order, count)
        if spread is not None and (count < YOUNG_DAYS * DAY_H).any():
            window, weight = _with_stand_ins(window, weight, count, spread.sizes(morning))
            order = np.argsort(window, axis=1)
            count = np.isfinite(window).sum(axis=1) * LEAST_ERRORS
        enough = count >= LEAST_ERRORS
        if not enough.any():
            continue
        level = _steered(inside[:, max(morning - STEERED_DAYS * DAY_H, 0) : morning])
        half[day] = np.where(enough, weighted_bounds(window, weight, level, order), np.nan)
        block = size[:, morning : morning + DAY_H]
        held = np.where(np.isfinite(block) & enough[:, None], block <= half[day][:, None], np.nan)
        for k, h in enumerate(KNOTS_H):
            inside[k, morning + h : morning + h + block.shape[1]] = held[k]
    return Bands(half, np.where(np.isfinite(raw), raw, half))


def _plain_quantile(window: FloatArray, order: np.ndarray, count: np.ndarray) -> FloatArray:
    """What `weighted_bounds` gives with equal weights: the order statistic ceil((n + 1) level)."""
    if not window.shape[1]:
        return np.full(window.shape[0], np.nan)
    place = np.clip(np.ceil(LEVEL * (count + 1.0)) - 1.0, 0.0, np.maximum(count - 1.0, 0.0)).astype(np.int64)
    row = np.arange(count.size)
    return np.where(count >= LEAST_ERRORS, window[row, order[row, place]], np.nan)


def _with_stand_ins(
    window: FloatArray, weight: FloatArray, count: np.ndarray, sizes: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The errors of a window, and beside them those that stand in for what is not known yet."""
    left = np.clip(1.0 - count / (YOUNG_DAYS * DAY_H), 0.0, 1.0)[:, None]
    beside = np.where(left > 0.0, left * STAND_IN_H / sizes.shape[1], 0.0)
    sizes = np.where(left > 0.0, sizes, np.nan)
    return (
        np.concatenate([window, sizes], axis=1),
        np.concatenate([weight, np.broadcast_to(beside, sizes.shape)], axis=1),
    )


def _steered(inside: FloatArray) -> FloatArray:
    """The level to ask for, by knot, from what fell inside of late."""
    count = np.isfinite(inside).sum(axis=1)
    share = np.nansum(inside, axis=1) / np.maximum(count, 1)
    steer = STEER * np.minimum(count / (SURE_DAYS * DAY_H), 1.0)  # a few days may be out of the usual
    level = np.clip(LEVEL + steer * (LEVEL - share), STRICTEST, LOOSEST)
    return np.where(count >= LEAST_ERRORS, level, LEVEL)


def coverage(error: FloatArray, bands: Bands) -> FloatArray:
    """Share of errors that fell into their band, by knot."""
    day = day_of(error.shape[0])
    known = np.isfinite(error) & np.isfinite(bands.half[day])
    held = known & (np.abs(error) <= bands.half[day])
    total = known.sum(axis=0)
    result: FloatArray = np.divide(held.sum(axis=0), total, out=np.full(total.shape, np.nan), where=total > 0)
    return result
