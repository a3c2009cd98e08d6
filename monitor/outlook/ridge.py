"""Fits a ridge regression anew for every day of a record, from sums that are computed once."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.outlook.hourly import DAY_H, FloatArray

LEAST_ROWS = 48.0
ROWS_PER_INPUT = 3.0
SCALE_DAYS = 14
LEVEL_HELD_H = 72.0  # hours that speak against a lasting drift before any is seen
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


@dataclass(frozen=True, slots=True)
class DailySums:
    """Weighted products of some inputs and their target, from which many ridges can be solved."""

    running: FloatArray  # (days, inputs + 2, inputs + 2): targets of all days before

    def fits(
        self, window_days: int, shrink: float, columns: npt.NDArray[np.int64] | None = None
    ) -> DailyFits:
        """A ridge for each day on some of the inputs, on the targets no older than the window.

        Inputs are standardised within the window; `shrink` is the ridge in units of their correlation matrix.
        """
        last = self.running.shape[1] - 2
        running = self.running
        if columns is not None:
            place = np.append(columns, [last, last + 1])
            running = running[:, place[:, None], place]
        count = running.shape[1] - 2
        sums = _windows(running, window_days)
        mass = sums[:, count, count]
        enough = mass >= max(LEAST_ROWS, ROWS_PER_INPUT * count)
        slope, level = np.zeros((mass.size, count)), np.full(mass.size, np.nan)
        if enough.any():
            first = int(np.argmax(enough))  # once enough, hardly ever too few again
            slope[first:], level[first:] = _solve(sums[first:], mass[first:], shrink)
            slope[~enough], level[~enough] = 0.0, np.nan
        return DailyFits(slope, level)

    def towards(self, slope: FloatArray, window_days: int, held_days: float) -> DailyFits:
        """A ridge for each day that begins at given slopes and is held there by so many days' own weight.

        The level begins at none. There is a fit for every day, the first included.
        """
        count = self.running.shape[1] - 2
        sums = _windows(self.running, window_days)
        mass = sums[:, count, count]
        mean, target_mean, spread, joint = _moments(sums, mass)
        joint -= spread @ slope
        held = held_days * DAY_H / np.maximum(mass, 1.0)
        found = slope + _shrunk(spread, joint, held)
        level = target_mean - np.einsum("di,di->d", mean, found)
        return DailyFits(found, level * mass / (mass + LEVEL_HELD_H))


def daily_sums(
    inputs: FloatArray, target: FloatArray, *, horizon_h: int, weight: FloatArray | None = None
) -> DailySums:
    """Sums for each day over the rows whose target was known that morning."""
    rows = inputs.shape[0]
    table = np.concatenate([inputs, np.ones((rows, 1)), target[:, None]], axis=1)
    use = np.isfinite(table @ np.ones(table.shape[1]))  # a row with anything missing has no sum
    table[~use] = 0.0
    weight = use.astype(np.float64) if weight is None else use * np.where(np.isfinite(weight), weight, 0.0)
    return DailySums(running_sums(table, weight, day_of(rows, horizon_h), int(day_of(rows)[-1]) + 1))


def running_sums(
    table: FloatArray, weight: FloatArray, target_day: npt.NDArray[np.int64], days: int
) -> FloatArray:
    """Weighted products of the columns, summed over the targets of all days before each day."""
    first, width = int(target_day[0]), table.shape[1]
    lead = int(np.searchsorted(target_day, first + 1)) % DAY_H  # rows in an incomplete first day
    before = (DAY_H - lead) % DAY_H
    blocks = -(-(before + table.shape[0]) // DAY_H)
    padded, weighted = (np.zeros((blocks * DAY_H, width)) for _ in range(2))
    here = slice(before, before + table.shape[0])
    padded[here] = table
    np.multiply(table, weight[:, None], out=weighted[here])
    by_day = np.zeros((max(days, first + blocks + 1), width, width))
    np.matmul(
        weighted.reshape(blocks, DAY_H, width).transpose(0, 2, 1),
        padded.reshape(blocks, DAY_H, width),
        out=by_day[first + 1 : first + 1 + blocks],
    )
    for day in range(
        1, by_day.shape[0]
    ):  # a day added to the days before it; numpy's cumsum is seven times slower
        by_day[day] += by_day[day - 1]
    return by_day[:days]


def window_sums(
    table: FloatArray, weight: FloatArray, target_day: npt.NDArray[np.int64], days: int, window_days: int
) -> FloatArray:
    """Weighted products of the columns, summed over each day's window of targets."""
    return _windows(running_sums(table, weight, target_day, days), window_days)


def _windows(running: FloatArray, window_days: int) -> FloatArray:
    sums = np.empty_like(running)
    sums[:window_days] = running[:window_days]
    np.subtract(running[window_days:], running[:-window_days], out=sums[window_days:])
    return sums


def _solve(sums: FloatArray, mass: FloatArray, shrink: float) -> tuple[FloatArray, FloatArray]:
    mean, target_mean, spread, joint = _moments(sums, mass)
    slope = _shrunk(spread, joint, np.full(mass.size, shrink))
    return slope, target_mean - np.einsum("di,di->d", mean, slope)


def _moments(sums: FloatArray, mass: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Means of inputs and target, covariance of the inputs, and of inputs with target; by day."""
    count = sums.shape[1] - 2
    inverse = 1.0 / np.maximum(mass, 1.0)
    mean, target_mean = sums[:, :count, count] * inverse[:, None], sums[:, count + 1, count] * inverse
    spread = sums[:, :count, :count] * inverse[:, None, None]
    spread -= mean[:, :, None] * mean[:, None, :]
    joint = sums[:, :count, count + 1] * inverse[:, None] - mean * target_mean[:, None]
    return mean, target_mean, spread, joint


def _shrunk(spread: FloatArray, joint: FloatArray, shrink: FloatArray) -> FloatArray:
    """Slopes by day; `spread` is used up."""
    scale = 1.0 / np.sqrt(np.maximum(np.einsum("dii->di", spread), LEAST_SPREAD**2))
    spread *= scale[:, :, None]
    spread *= scale[:, None, :]
    np.einsum("dii->di", spread)[...] += shrink[:, None]
    slope: FloatArray = np.linalg.solve(spread, (joint * scale)[:, :, None])[:, :, 0] * scale
    return slope


def robust_weight(error: FloatArray) -> FloatArray:
    """Weights that let one wet day (a shower, a hose left running) count once, not squared.

    An hour's weight falls off with its own forecast error over the usual error of the days before it,
    so that nothing later than the error itself is used.
    """
    size = np.abs(error)
    days = -(-size.size // DAY_H)
    padded = np.full((SCALE_DAYS + days) * DAY_H, np.nan)
    padded[SCALE_DAYS * DAY_H : SCALE_DAYS * DAY_H + size.size] = size
    before = np.lib.stride_tricks.sliding_window_view(padded, SCALE_DAYS * DAY_H)[: days * DAY_H : DAY_H]
    before = np.sort(before, axis=1)  # unknown ones last
    count = np.isfinite(before).sum(axis=1)
    day, middle = np.arange(days), np.maximum(count, 1)
    median = 0.5 * (before[day, (middle - 1) // 2] + before[day, middle // 2])
    usual = np.where(count > DAY_H, 1.4826 * median + 1e-9, np.inf)
    weight = 1.0 / np.maximum(1.0, size / np.repeat(usual, DAY_H)[: size.size])
    return np.where(np.isfinite(size), weight, 1.0)
