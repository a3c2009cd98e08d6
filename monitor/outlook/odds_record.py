"""Makes odds mean what they say: what came of a site's shifts moves what is said of the next."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.outlook.hourly import FloatArray

LEAST_SHIFTS = 40  # a thinner record moves nothing
HELD = 10.0  # shifts that speak for the odds as they are
STEEPNESS_HELD = 4.0  # as often for their steepness
NEAR_SURE = 0.008  # no record of some hundred shifts tells odds nearer to none or to all
STEPS = 25


@dataclass(frozen=True, slots=True)
class Calibration:
    """Odds on the log scale are moved by `offset` and stretched by `slope` (Platt 1999, with Cox 1958)."""

    offset: float = 0.0
    slope: float = 1.0

    def of(self, odds_frac: float) -> float:
        """What odds come to; as they are where nothing was learnt."""
        if (self.offset, self.slope) == (0.0, 1.0):
            return odds_frac
        at = self.offset + self.slope * float(_log_odds(np.array([odds_frac]))[0])
        return float(1.0 / (1.0 + np.exp(-at)))


AS_SAID = Calibration()


def calibration_of(record: Sequence[tuple[float, bool]]) -> Calibration:
    """What a record of odds said and shifts that came (humid or not) teaches; newest last."""
    if len(record) < LEAST_SHIFTS:
        return AS_SAID
    x = _log_odds(np.array([said for said, _ in record]))
    y = np.array([float(came) for _, came in record])
    design = np.stack([np.ones(x.size), x])
    held, around = np.array([HELD, STEEPNESS_HELD * HELD]), np.array([0.0, 1.0])
    found = around.copy()
    for _ in range(STEPS):
        p = 1.0 / (1.0 + np.exp(-found @ design))
        push = design @ (p - y) + held * (found - around)
        curve = (design * p * (1.0 - p)) @ design.T + np.diag(held)
        found -= np.linalg.solve(curve, push)
    return Calibration(float(found[0]), max(float(found[1]), 0.0))


def _log_odds(odds: FloatArray) -> FloatArray:
    p = np.clip(odds, NEAR_SURE, 1.0 - NEAR_SURE)
    found: FloatArray = np.log(p / (1.0 - p))
    return found
