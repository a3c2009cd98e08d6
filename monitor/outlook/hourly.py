"""Puts irregular readings on the hourly grid that the outlook works on, and fills only short gaps."""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace

import numpy as np
import numpy.typing as npt

from monitor.model.errors import RangeError
from monitor.model.reading import Quantity

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

HOUR_S = 3600.0
DAY_H = 24
AHEAD_H = 48  # how far the outlook looks
LONGEST_GAP_H = 3  # a longer hole stays a hole: it teaches nothing and is not invented


@dataclass(frozen=True, slots=True)
class AirHistory:
    """One zone's air hour by hour; row k is the hour that ends at start_s + k hours; NaN is missing.

    `neighbour_pressure_pa` is the mean vapour pressure of the site's other zones: what is next door now is
    often here later. `beside` is what else is measured there: contacts, carbon dioxide, people, power, parts.
    """

    zone: str
    start_s: float
    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray
    neighbour_pressure_pa: FloatArray | None = None
    beside: Mapping[Quantity, FloatArray] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _same_length(self, self.temperature_c.size)

    @property
    def end_s(self) -> float:
        """The end of the last hour."""
        return self.start_s + (self.temperature_c.size - 1) * HOUR_S


@dataclass(frozen=True, slots=True)
class OutdoorAir:
    """Outdoor air on the rows of a zone's history, followed by the rows that are forecast.

    `issued_temperature_c` and `issued_pressure_pa`, shape (rows of history, 48), hold what was forecast at
    each hour for the 48 that followed; rows of NaN where no forecast was kept. Trained on what was
    forecast rather than on what came, the model learns how far to trust a forecast.
    """

    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray
    issued_temperature_c: FloatArray | None = None
    issued_pressure_pa: FloatArray | None = None
    sun_wm2: FloatArray | None = None  # on a level surface, as the air
    issued_sun_wm2: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.temperature_c.size != self.vapour_pressure_pa.size:
            raise RangeError("outdoor", self.vapour_pressure_pa.size, f"{self.temperature_c.size} hours")

    def since(self, row: int) -> "OutdoorAir":
        """Without the rows before one."""
        columns = {one.name: getattr(self, one.name) for one in fields(self)}
        return replace(self, **{name: column[row:] for name, column in columns.items() if column is not None})


def _same_length(history: AirHistory, rows: int) -> None:
    columns: dict[str, FloatArray | None] = {
        "vapour_pressure_pa": history.vapour_pressure_pa,
        "neighbour_pressure_pa": history.neighbour_pressure_pa,
    }
    columns |= {str(name): column for name, column in history.beside.items()}
    for name, column in columns.items():
        if column is not None and column.size != rows:
            raise RangeError(name, column.size, f"{rows} hours, as many as temperature_c has")


def hour_floor(time_s: float) -> float:
    """The last full hour."""
    return time_s // HOUR_S * HOUR_S


def hourly_means(time_s: FloatArray, value: FloatArray, start_s: float, rows: int) -> FloatArray:
    """Mean of the readings in each hour that ends at start_s + k hours; NaN where there are none."""
    row = np.ceil((time_s - start_s) / HOUR_S).astype(np.int64)
    use = (row >= 0) & (row < rows) & np.isfinite(value)
    count = np.bincount(row[use], minlength=rows)
    total = np.bincount(row[use], weights=value[use], minlength=rows)
    mean = np.full(rows, np.nan)
    np.divide(total, count, out=mean, where=count > 0)
    return mean


def fill_short_gaps(value: FloatArray, longest_h: int = LONGEST_GAP_H) -> FloatArray:
    """Straight lines over holes of at most `longest_h` rows; the ends are never extended."""
    known = np.flatnonzero(np.isfinite(value))
    if known.size < 2:
        return value.copy()
    rows = np.arange(value.size)
    filled = np.interp(rows, known, value[known], left=np.nan, right=np.nan)
    following = np.searchsorted(known, rows).clip(max=known.size - 1)
    width = known[following] - known[np.maximum(following - 1, 0)] - 1
    return np.where(np.isfinite(value) | (width <= longest_h), filled, np.nan)


def shifted(value: FloatArray, rows: int) -> FloatArray:
    """value[k + rows] at row k; NaN beyond the ends."""
    result = np.full(value.shape, np.nan)
    if abs(rows) >= value.size:
        return result
    if rows > 0:
        result[:-rows] = value[rows:]
    elif rows < 0:
        result[-rows:] = value[:rows]
    else:
        result[:] = value
    return result


def trailing_mean(value: FloatArray, rows: int, *, share: float = 0.75) -> FloatArray:
    """Mean of the last `rows` rows, where at least a share of them is known."""
    result = np.full(value.size, np.nan)
    if value.size < rows:
        return result
    known = np.isfinite(value)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, value, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    sums, counts = total[rows:] - total[:-rows], count[rows:] - count[:-rows]
    np.divide(sums, counts, out=result[rows - 1 :], where=counts >= share * rows)
    return result


def ahead(value: FloatArray, rows: int, hours: int = AHEAD_H) -> FloatArray:
    """The `hours` values that follow each of the first `rows` rows, as a view of shape (rows, hours)."""
    padded = np.concatenate([value[1 : rows + hours], np.full(max(rows + hours - value.size, 0) + 1, np.nan)])
    return np.lib.stride_tricks.sliding_window_view(padded, hours)[:rows]
