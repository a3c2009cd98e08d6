"""Fits a ridge regression anew for every day of a record, from sums that are computed once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.outlook.hourly import DAY_H, FloatArray

LEAST_ROWS = 48.0
ROWS_PER_INPUT = 3.0
SCALE_DAYS = 14
LEAST_SPREAD = 0.02  # K or hPa: an input that hardly moved in the window cannot be learnt from


@dataclass(frozen=True, slots=True)
class DailyFits:
    """Coefficients by day: target = inputs @ slope + level; NaN level where too little was known."""

    slope: FloatArray  # (days, inputs)
    level: FloatArray  # (days,)

    def predict(self, inputs: FloatArray, day: npt.NDArray[np.int64]) -> FloatArray:
        """Each row's target by the fit of its day."""
        result: FloatArray = np.einsum("ij,ij->i", inputs, self.slope[day]) + self.level[day]
        return result


def day_of(rows: int, ahead_rows: int = 0) -> npt.NDArray[np.int64]:
    """Days counted so that the newest row begins one: a fit made then has seen everything before it."""
    first = (rows - 1) % DAY_H
    return (np.arange(rows) + ahead_rows - first) // DAY_H + (1 if first else 0)


def daily_fits(
    inputs: FloatArray,
    target: FloatArray,
    *,
    horizon_h: int,
    window_days: int,
    shrink: float,
    weight: FloatArray | None = None,
) -> DailyFits:
    """A ridge for each day, on the rows whose target was known that morning and no older than the window.

    Inputs are standardised within the window; `shrink` is the ridge in units of their correlation matrix.
    """
    rows, count = inputs.shape
    table = np.concatenate([inputs, np.ones((rows, 1)), target[:, None]], axis=1)
    use = np.isfinite(table).all(axis=1)
    table = np.where(use[:, None], table, 0.0)
    weight = use.astype(np.float64) if weight is None else use * np.where(np.isfinite(weight), weight, 0.0)
    days = int(day_of(rows)[-1]) + 1
    sums = window_sums(table, weight, day_of(rows, horizon_h), days, window_days)
    mass = sums[:, count, count]
    enough = mass >= max(LEAST_ROWS, ROWS_PER_INPUT * count)
    slope, level = np.zeros((days, count)), np.full(days, np.nan)
    if enough.any():
        slope[enough], level[enough] = _solve(sums[enough], mass[enough], shrink)
    return DailyFits(slope, level)


def window_sums(
    table: FloatArray, weight: FloatArray, target_day: npt.NDArray[np.int64], days: int, window_days: int
) -> FloatArray:
    """Weighted products of the columns, summed over each day's window of targets."""
    first = int(target_day[0])
    lead = int(np.searchsorted(target_day, first + 1)) % DAY_H  # rows in an incomplete first day
    before = (DAY_H - lead) % DAY_H
    after = -(before + table.shape[0]) % DAY_H
    padded = np.pad(table, ((before, after), (0, 0))).reshape(-1, DAY_H, table.shape[1])
    weights = np.pad(weight, (before, after)).reshape(-1, DAY_H, 1)
    products = np.matmul((padded * weights).transpose(0, 2, 1), padded)
    by_day = np.zeros((max(days, first + products.shape[0]) + 1, table.shape[1], table.shape[1]))
    by_day[first + 1 : first + 1 + products.shape[0]] = products
    running = np.cumsum(by_day, axis=0)  # running[d] holds the targets of all days before d
    day = np.arange(days)
    sums: FloatArray = running[day] - running[np.maximum(day - window_days, 0)]
    return sums


def _solve(sums: FloatArray, mass: FloatArray, shrink: float) -> tuple[FloatArray, FloatArray]:
    count = sums.shape[1] - 2
    mean, target_mean = sums[:, :count, count] / mass[:, None], sums[:, count + 1, count] / mass
    spread = sums[:, :count, :count] / mass[:, None, None] - mean[:, :, None] * mean[:, None, :]
    joint = sums[:, :count, count + 1] / mass[:, None] - mean * target_mean[:, None]
    scale = np.sqrt(np.maximum(np.einsum("dii->di", spread), LEAST_SPREAD**2))
    matrix = spread / (scale[:, :, None] * scale[:, None, :]) + shrink * np.eye(count)
    slope = np.linalg.solve(matrix, (joint / scale)[:, :, None])[:, :, 0] / scale
    return slope, target_mean - np.einsum("di,di->d", mean, slope)


def robust_weight(error: FloatArray) -> FloatArray:
    """Weights that let one wet day (a shower, a hose left running) count once, not squared.

    An hour's weight falls off with its own forecast error over the usual error of the days before it,
    so that nothing later than the error itself is used.
    """
    size = np.abs(error)
    weight = np.ones(size.size)
    for start in range(0, size.size, DAY_H):
        block = slice(start, start + DAY_H)
        recent = size[max(0, start - SCALE_DAYS * DAY_H) : start]
        recent = recent[np.isfinite(recent)]
        if recent.size > DAY_H:
            usual = 1.4826 * float(np.median(recent)) + 1e-9
            weight[block] = np.where(
                np.isfinite(size[block]), 1.0 / np.maximum(1.0, size[block] / usual), 1.0
            )
    return weight
