"""What a shop's own test beads say about exposure and dew point: a logistic fit with its uncertainty.

Firth's fit is used (Jeffreys' prior on the coefficients): it stays finite when a few beads part the sound
from the porous ones cleanly, and it leans less on luck in small samples. It shows association, not cause:
stick-out, flow and dirt are not in it.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from monitor.consumables.exposure_limits import HOUR_S
from monitor.model.data_tables import Table
from monitor.model.errors import Fault, InputError
from monitor.model.odds import NEARLY, odds_text
from monitor.physics.elementwise import FloatArray

QUANTILE_90 = 1.6448536269514722  # of the normal distribution, both sides together 90 %
_ITERATIONS = 100
_GRID = 201
_SAME = 1e-9


@dataclass(frozen=True, slots=True)
class EvidenceRules:
    """From how many beads on something is said, how sure it must be, and which chance of pores is borne."""

    least_beads: int
    least_of_each: int
    sure_enough_frac: float
    tolerated_frac: float
    usual_dew_point_c: float  # for which the limit is drawn without beads


def evidence_rules(data: Mapping[str, Any]) -> EvidenceRules:
    """The contents of an evidence file; raises InputError with every fault."""
    top = Table(data, "")
    rules = EvidenceRules(
        least_beads=int(top.sourced("least_beads", "1", 6, 1000).value),
        least_of_each=int(top.sourced("least_of_each", "1", 2, 500).value),
        sure_enough_frac=top.sourced("sure_enough", "1", 0.5, 1.0).value,
        tolerated_frac=top.sourced("tolerated", "1", 0.0, 1.0).value,
        usual_dew_point_c=top.sourced("usual_dew_point", "Cel", -40.0, 40.0).value,
    )
    top.finish()
    return rules


@dataclass(frozen=True, slots=True)
class BeadPoint:
    """One test bead: the package's open hours, the zone's dew point, and how it came out."""

    open_s: float
    dew_point_c: float
    sound: bool


class EvidenceState(StrEnum):
    """How far the beads can be trusted to say something."""

    TOO_FEW = "too few beads"
    SEPARATED = "clean split"
    FITTED = "fitted"


@dataclass(frozen=True, slots=True)
class BeadFit:
    """ln odds of a porous bead = b0 + b1 · open hours + b2 · dew point, with its covariance."""

    coefficients: tuple[float, float, float]
    covariance: tuple[tuple[float, ...], ...]

    def chance(self, open_h: FloatArray, dew_point_c: float) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Chance of a porous bead, and its lower and upper 90 % bound."""
        rows = np.column_stack([np.ones(open_h.shape), open_h, np.full(open_h.shape, dew_point_c)])
        centre = rows @ np.array(self.coefficients)
        spread = QUANTILE_90 * np.sqrt(np.einsum("ij,jk,ik->i", rows, np.array(self.covariance), rows))
        return _logistic(centre), _logistic(centre - spread), _logistic(centre + spread)

    def sure_of(self, term: int) -> float:
        """How sure it is that a term drives porosity up (1: open hours, 2: dew point), 0 to 1."""
        error = math.sqrt(self.covariance[term][term])
        if error == 0.0:
            return 0.5
        return 0.5 * (1.0 + math.erf(self.coefficients[term] / error / math.sqrt(2.0)))


@dataclass(frozen=True, slots=True)
class BeadEvidence:
    """What the beads say, in words and, once there are enough, as a fit and the shop's own limit.

    `limit_h`: open hours at which the chance of a porous bead reaches the tolerated one at the asked dew
    point, `limit_low_h` the cautious figure from the upper bound; None: not reached within the hours tried.
    """

    state: EvidenceState
    beads: int
    porous: int
    fit: BeadFit | None
    limit_h: float | None
    limit_low_h: float | None
    longest_h: float
    text: str


def bead_evidence(points: Sequence[BeadPoint], dew_point_c: float, rules: EvidenceRules) -> BeadEvidence:
    """What the beads say at a dew point; raises InputError for points that cannot be."""
    tolerated_frac = rules.tolerated_frac
    _check(points, tolerated_frac)
    porous = sum(1 for point in points if not point.sound)
    longest_h = max((point.open_s / HOUR_S for point in points), default=0.0)
    few = _too_few(len(points), porous, rules)
    if few:
        return BeadEvidence(EvidenceState.TOO_FEW, len(points), porous, None, None, None, longest_h, few)
    design = np.array([[1.0, point.open_s / HOUR_S, point.dew_point_c] for point in points])
    outcome = np.array([0.0 if point.sound else 1.0 for point in points])
    fit = fit_beads(design, outcome)
    split = separated(design, outcome)
    state = EvidenceState.SEPARATED if split else EvidenceState.FITTED
    drawn = not split and fit.sure_of(1) >= rules.sure_enough_frac
    limit, low = _limits(fit, dew_point_c, tolerated_frac, longest_h) if drawn else (None, None)
    text = _text(state, fit, (limit, low, longest_h), dew_point_c, rules)
    return BeadEvidence(state, len(points), porous, fit, limit, low, longest_h, text)


def _check(points: Sequence[BeadPoint], tolerated_frac: float) -> None:
    faults = [
        Fault(f"bead {index + 1}", f"open {point.open_s:g} s, dew point {point.dew_point_c:g} °C", fix)
        for index, point in enumerate(points)
        for fix in ["write open time zero or more and a dew point from -60 to 60 °C"]
        if not (0.0 <= point.open_s < math.inf and -60.0 <= point.dew_point_c <= 60.0)
    ]
    if not 0.0 < tolerated_frac < 1.0:
        faults.append(Fault("tolerated chance", f"{tolerated_frac:g}", "write a fraction between 0 and 1"))
    if faults:
        raise InputError(faults)


def _too_few(beads: int, porous: int, rules: EvidenceRules) -> str:
    if beads >= rules.least_beads and min(porous, beads - porous) >= rules.least_of_each:
        return ""
    return (
        f"Too few beads to say anything: {beads} so far, {porous} of them porous. It takes "
        f"{rules.least_beads}, with at least {rules.least_of_each} sound and {rules.least_of_each} porous."
    )


def fit_beads(design: FloatArray, outcome: FloatArray) -> BeadFit:
    """Firth's logistic fit: likelihood times Jeffreys' prior, by Newton steps halved until they improve.

    D. Firth, Biometrika 80 (1993) 27-38, doi 10.1093/biomet/80.1.27; G. Heinze and M. Schemper, Statistics in
    Medicine 21 (2002) 2409-2419. A column that does not vary gets the coefficient 0 with no variance.
    """
    means, scales = design.mean(axis=0), design.std(axis=0)
    varies = scales > 1e-9
    varies[0] = False
    columns = np.column_stack([np.ones(outcome.size), (design[:, varies] - means[varies]) / scales[varies]])
    beta = np.zeros(columns.shape[1])
    for _ in range(_ITERATIONS):
        step = _firth_step(columns, outcome, beta)
        while _penalised(columns, outcome, beta + step) < _penalised(columns, outcome, beta) - 1e-12:
            step = 0.5 * step
        beta = beta + step
        if float(np.abs(step).max()) < 1e-10:
            break
    inverse = np.linalg.inv(_information(columns, beta)[0])
    # back from centred, scaled columns to hours and degrees
    back = np.zeros((3, beta.size))
    places = np.flatnonzero(varies)
    back[0, 0] = 1.0
    for index, place in enumerate(places, start=1):
        back[place, index] = 1.0 / scales[place]
        back[0, index] = -means[place] / scales[place]
    coefficients = back @ beta
    covariance = back @ inverse @ back.T
    return BeadFit(
        (float(coefficients[0]), float(coefficients[1]), float(coefficients[2])),
        tuple(tuple(row) for row in covariance.tolist()),
    )


def _logistic(score: FloatArray) -> FloatArray:
    return 0.5 * (1.0 + np.tanh(0.5 * score))


def _information(columns: FloatArray, beta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Fisher information, chances and weights."""
    chance = _logistic(columns @ beta)
    weight = np.maximum(chance * (1.0 - chance), 1e-300)
    return columns.T @ (columns * weight[:, None]), chance, weight


def _firth_step(columns: FloatArray, outcome: FloatArray, beta: FloatArray) -> FloatArray:
    information, chance, weight = _information(columns, beta)
    solved = np.linalg.solve(information, columns.T)
    leverage = weight * np.einsum("ij,ji->i", columns, solved)
    score = columns.T @ (outcome - chance + leverage * (0.5 - chance))
    step: FloatArray = np.linalg.solve(information, score)
    return step


def _log_likelihood(columns: FloatArray, outcome: FloatArray, beta: FloatArray) -> float:
    score = columns @ beta
    return float(np.sum(outcome * score - np.logaddexp(0.0, score)))


def _penalised(columns: FloatArray, outcome: FloatArray, beta: FloatArray) -> float:
    sign, log_size = np.linalg.slogdet(_information(columns, beta)[0])
    if sign <= 0:
        return -math.inf
    return _log_likelihood(columns, outcome, beta) + 0.5 * float(log_size)


def separated(design: FloatArray, outcome: FloatArray) -> bool:
    """Whether a straight line parts the porous beads from the sound ones, up to beads lying on it.

    Then plain maximum likelihood has no finite answer (Albert and Anderson, Biometrika 71 (1984) 1-10).
    Such a line exists when all steps from a sound bead to a porous one point into one half of the plane.
    """
    scales = design[:, 1:].std(axis=0)
    points = design[:, 1:] / np.where(scales > 1e-9, scales, 1.0)
    porous = outcome > 0.5
    steps = (points[porous][:, None, :] - points[~porous][None, :, :]).reshape(-1, 2)
    steps = steps[np.hypot(steps[:, 0], steps[:, 1]) > _SAME]
    if steps.shape[0] == 0:
        return False
    angles = np.sort(np.arctan2(steps[:, 1], steps[:, 0]))
    gaps = np.diff(np.append(angles, angles[0] + 2.0 * np.pi))
    widest = int(gaps.argmax())
    if gaps[widest] > np.pi + _SAME:
        return True
    if gaps[widest] < np.pi - _SAME:
        return False
    inward = angles[widest] - 0.5 * np.pi  # square to the two outermost steps, away from the gap
    return bool((np.cos(angles - inward) > _SAME).any())


def _limits(
    fit: BeadFit, dew_point_c: float, tolerated_frac: float, longest_h: float
) -> tuple[float | None, float | None]:
    hours = np.linspace(0.0, longest_h, _GRID)
    likely, _, upper = fit.chance(hours, dew_point_c)
    return _first_reach(hours, likely, tolerated_frac), _first_reach(hours, upper, tolerated_frac)


def _first_reach(hours: FloatArray, chance: FloatArray, tolerated_frac: float) -> float | None:
    reached = np.flatnonzero(chance >= tolerated_frac)
    if reached.size == 0:
        return None
    at = int(reached[0])
    if at == 0:
        return 0.0
    share = (tolerated_frac - chance[at - 1]) / (chance[at] - chance[at - 1])
    return float(hours[at - 1] + share * (hours[at] - hours[at - 1]))


def _text(
    state: EvidenceState,
    fit: BeadFit,
    limits: tuple[float | None, float | None, float],
    dew_point_c: float,
    rules: EvidenceRules,
) -> str:
    if state is EvidenceState.SEPARATED:
        return (
            "Sound and porous beads part cleanly, so the slope comes from the fit's prior, not from the "
            "beads: no limit is drawn. Weld beads in between."
        )
    limit, low, longest = limits
    hours, dew = fit.sure_of(1), fit.sure_of(2)
    said = f"Longer exposure goes with porosity: {_sure(hours)}; a higher dew point: {_sure(dew)}."
    if hours < rules.sure_enough_frac:
        return f"{said} Not enough to draw a limit in hours from."
    if limit is None:
        return (
            f"{said} At a dew point of {dew_point_c:.0f} °C no limit shows within the {longest:.0f} h tried."
        )
    cautious = "none" if low is None or low <= 0.0 else f"{low:.0f} h"
    return (
        f"{said} At a dew point of {dew_point_c:.0f} °C {rules.tolerated_frac:.0%} of beads are porous at "
        f"about {limit:.0f} h; the cautious figure is {cautious}. "
        "The code's hours rule where they are shorter."
    )


def _sure(chance_frac: float) -> str:
    """How sure the beads make one of it; a count of beads never makes certain."""
    return "almost certain" if chance_frac >= NEARLY else f"{odds_text(chance_frac)} sure"
