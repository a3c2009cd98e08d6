"""The logistic fit of bead results, against a published data set and a reference library."""

import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from monitor.beads.evidence import (
    BeadPoint,
    EvidenceState,
    bead_evidence,
    evidence_rules,
    fit_beads,
    separated,
)
from monitor.model.errors import InputError
from monitor.model.odds import odds_text
from monitor.settings.reference import load_toml

H = 3600.0
RULES = evidence_rules(load_toml("evidence.toml"))

# Dalal, Fowlkes, Hoadley, J. Am. Stat. Assoc. 84 (1989) 945: launch temperature °F of 23 flights, and whether
# a field-joint O-ring was in distress; the plain logistic fit is ln odds = 15.043 - 0.2322 · temperature
TEMPERATURE = [66, 70, 69, 68, 67, 72, 73, 70, 57, 63, 70, 78, 67, 53, 67, 75, 70, 81, 76, 79, 75, 76, 58]
DISTRESS = [0, 1, 0, 0, 0, 0, 0, 0, 1, 1, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0, 1, 0, 1]


def columns(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return np.column_stack([np.ones(first.size), first, second]).astype(np.float64)


def test_a_published_fit_is_met_when_the_data_are_many() -> None:
    # Firth's correction fades as 1/n: the 23 flights repeated 2000 times give the plain fit of the paper
    design = np.tile(columns(np.array(TEMPERATURE), np.zeros(23)), (2000, 1))
    fit = fit_beads(design, np.tile(np.array(DISTRESS, dtype=np.float64), 2000))
    assert fit.coefficients[0] == pytest.approx(15.043, abs=5e-3)
    assert fit.coefficients[1] == pytest.approx(-0.2322, abs=1e-4)
    assert fit.coefficients[2] == 0.0


def reference() -> Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray]]:
    library = pytest.importorskip("firthmodels", reason="the reference fit needs the firthmodels package")

    def fit(design: np.ndarray, outcome: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            model = library.FirthLogisticRegression(
                backend="numpy", max_iter=500, gtol=1e-10, xtol=1e-10
            ).fit(design[:, 1:], outcome)
        return np.append(model.intercept_, model.coef_), np.asarray(model.bse_)

    return fit


def made_beads(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    hours, dew = rng.uniform(0.0, 120.0, count), rng.normal(14.0, 5.0, count)
    odds = -5.0 + 0.05 * hours + 0.10 * dew
    outcome = (rng.uniform(size=count) < 1.0 / (1.0 + np.exp(-odds))).astype(np.float64)
    return columns(hours, dew), outcome


@pytest.mark.parametrize(("count", "seed"), [(25, 1), (40, 2), (80, 3), (300, 4)])
def test_coefficients_and_errors_are_those_of_the_reference_library(count: int, seed: int) -> None:
    # firthmodels 0.8, checked by its authors against R's logistf
    design, outcome = made_beads(count, seed)
    expected, errors = reference()(design, outcome)
    fit = fit_beads(design, outcome)
    assert fit.coefficients == pytest.approx(expected, rel=1e-5, abs=1e-7)
    # the library adds the leverages to the information; ours is Firth's own, a little wider in small samples
    found = np.sqrt(np.diag(np.array(fit.covariance)))[[1, 2, 0]]
    assert np.all(errors <= found)
    assert found == pytest.approx(errors, rel=4.0 / count)


def test_the_fit_stays_finite_where_the_plain_one_runs_away() -> None:
    design = columns(np.arange(10.0), np.zeros(10))
    outcome = (np.arange(10) >= 5).astype(np.float64)
    fit = fit_beads(design, outcome)
    expected, _ = reference()(design[:, :2], outcome)
    assert separated(design, outcome)
    assert fit.coefficients[:2] == pytest.approx(expected, rel=1e-4)
    assert 0.0 < fit.coefficients[1] < 5.0


@settings(deadline=None, max_examples=80)
@given(
    st.lists(st.tuples(st.integers(0, 5), st.integers(0, 5), st.booleans()), min_size=6, max_size=14),
)
def test_clean_splits_are_found_as_by_linear_programming(rows: list[tuple[int, int, bool]]) -> None:
    library = pytest.importorskip("firthmodels", reason="needs the firthmodels package")
    hours, dew, bad = (np.array(column, dtype=np.float64) for column in zip(*rows, strict=True))
    assume(0 < bad.sum() < bad.size)
    design = columns(hours, dew)
    assume(np.linalg.matrix_rank(design) == 3)
    expected = library.detect_separation(design[:, 1:], bad).separation
    assert separated(design, bad) is bool(expected)


def points(count: int, seed: int, slope: float = 0.05) -> list[BeadPoint]:
    rng = np.random.default_rng(seed)
    hours, dew = rng.uniform(0.0, 150.0, count), rng.normal(14.0, 5.0, count)
    odds = -4.5 + slope * hours + 0.08 * dew
    porous = rng.uniform(size=count) < 1.0 / (1.0 + np.exp(-odds))
    return [
        BeadPoint(h * H, d, not bad) for h, d, bad in zip(hours.tolist(), dew.tolist(), porous, strict=True)
    ]


@pytest.mark.parametrize("count", [0, 1, 19])
def test_too_few_beads_are_said_to_be_too_few(count: int) -> None:
    found = bead_evidence(points(count, 5), 15.0, RULES)
    assert found.state is EvidenceState.TOO_FEW
    assert found.fit is None
    assert f"{count} so far" in found.text


def test_many_beads_of_one_outcome_are_too_few_as_well() -> None:
    sound = [BeadPoint(k * H, 12.0, sound=True) for k in range(100)]
    assert bead_evidence(sound, 12.0, RULES).state is EvidenceState.TOO_FEW


def test_a_clean_split_draws_no_limit() -> None:
    beads = [BeadPoint(k * H, 12.0 + 0.1 * (k % 3), sound=k < 30) for k in range(60)]
    found = bead_evidence(beads, 12.0, RULES)
    assert found.state is EvidenceState.SEPARATED
    assert (found.limit_h, found.limit_low_h) == (None, None)
    assert "Weld beads in between" in found.text


def test_enough_beads_give_the_shops_own_limit_with_a_cautious_figure() -> None:
    found = bead_evidence(points(400, 6), 15.0, RULES)
    true_limit = (np.log(0.1 / 0.9) + 4.5 - 0.08 * 15.0) / 0.05
    assert found.state is EvidenceState.FITTED
    assert found.limit_h is not None
    assert found.limit_low_h is not None
    assert found.limit_low_h < found.limit_h
    assert found.limit_low_h <= true_limit
    assert found.limit_h == pytest.approx(true_limit, abs=15.0)
    assert "The code's hours rule where they are shorter." in found.text


def test_a_humid_day_shortens_the_limit() -> None:
    beads = points(400, 6)
    dry, humid = (bead_evidence(beads, dew, RULES) for dew in (5.0, 22.0))
    assert dry.limit_h is not None
    assert humid.limit_h is not None
    assert humid.limit_h < dry.limit_h


def test_no_effect_of_exposure_draws_no_limit() -> None:
    found = bead_evidence(points(200, 7, slope=0.0), 15.0, RULES)
    assert found.fit is not None
    assert found.fit.sure_of(1) < 0.9
    assert (found.limit_h, found.limit_low_h) == (None, None)
    assert "Not enough to draw a limit in hours from." in found.text


def test_the_cautious_figure_holds_nine_times_in_ten() -> None:
    # one-sided coverage of the upper bound of a 90 % band: 95 %; asked here: at least 90 % of 100 shops
    true_limit = (np.log(0.1 / 0.9) + 4.5 - 0.08 * 15.0) / 0.05
    kept = 0
    for seed in range(100):
        found = bead_evidence(points(120, 1000 + seed), 15.0, RULES)
        low = found.limit_low_h
        kept += low is not None and low <= true_limit
    assert kept >= 90


def test_bounds_enclose_the_chance() -> None:
    fit = bead_evidence(points(200, 8), 15.0, RULES).fit
    assert fit is not None
    chance, low, high = fit.chance(np.linspace(0.0, 150.0, 40), 15.0)
    assert np.all((low <= chance) & (chance <= high))
    assert np.all((low >= 0.0) & (high <= 1.0))


@pytest.mark.parametrize(
    ("point", "tolerated", "told"),
    [
        (BeadPoint(-1.0, 10.0, True), 0.1, "bead 1"),
        (BeadPoint(1.0, 90.0, True), 0.1, "dew point from -60 to 60"),
        (BeadPoint(1.0, 10.0, True), 1.0, "tolerated chance"),
    ],
)
def test_points_that_cannot_be_are_refused(point: BeadPoint, tolerated: float, told: str) -> None:
    with pytest.raises(InputError, match=told):
        bead_evidence([point], 10.0, replace(RULES, tolerated_frac=tolerated))


@pytest.mark.parametrize(
    ("chance", "words"),
    [
        (0.0, "<1%"),
        (0.004, "<1%"),
        (0.31, "31%"),
        (0.99, "99%"),
        (0.996, ">99%"),
        (1.0, ">99%"),
    ],
)
def test_a_chance_is_never_said_to_be_none_or_certain(chance: float, words: str) -> None:
    assert odds_text(chance) == words


def test_many_beads_make_almost_certain_and_never_100_per_cent() -> None:
    rng = np.random.default_rng(3)
    hours, dew = rng.uniform(0.0, 80.0, 400), rng.uniform(0.0, 20.0, 400)
    porous = rng.uniform(size=400) < 1.0 / (1.0 + np.exp(-(hours - 40.0) / 6.0 - (dew - 10.0) / 3.0))
    points = [BeadPoint(3600.0 * h, d, not p) for h, d, p in zip(hours, dew, porous, strict=True)]
    text = bead_evidence(points, 12.0, RULES).text
    assert "porosity: almost certain; a higher dew point: almost certain." in text
    assert "100%" not in text
