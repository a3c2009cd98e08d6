"""Which hours of a place's air nobody knows: one answer for page, sheet, file and interface."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from monitor.consumables.rule_book import HEATED_KINDS
from monitor.model.reading import Quantity

HOUR_S = 3_600.0
Stretch = tuple[float, float]  # start and end, seconds since the epoch
Stretches = tuple[Stretch, ...]


def telling_quantity(zone_kind: str) -> Quantity:
    """What must be known of a place for its air to count as known: in heat its warmth, else its humidity."""
    return Quantity.AIR_TEMPERATURE if zone_kind in HEATED_KINDS else Quantity.RELATIVE_HUMIDITY


def unknown_stretches(
    times_s: NDArray[np.float64], start_s: float, end_s: float, speaks_s: float
) -> Stretches:
    """The stretches between start and end in which nothing speaks.

    `times_s`: moments in rising order at which the air was known, those from up to `speaks_s` before the
    start too; each speaks until the next, at most for `speaks_s`.
    """
    until_s = np.maximum(np.minimum(times_s + speaks_s, end_s), start_s)
    known_until = np.concatenate([[start_s], until_s])
    next_s = np.concatenate([np.minimum(times_s, end_s), [end_s]])
    silent = np.flatnonzero(next_s > known_until)
    return tuple(zip(known_until[silent].tolist(), next_s[silent].tolist(), strict=True))


def unknown_h(stretches: Sequence[Stretch], start_s: float, end_s: float) -> float:
    """Hours of the stretches that lie between start and end."""
    return sum(max(0.0, min(b, end_s) - max(a, start_s)) for a, b in stretches) / HOUR_S
