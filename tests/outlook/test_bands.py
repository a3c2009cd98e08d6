"""Conformal bands: rank of Lei et al. 2018 eq. (3), weights of Barber et al. 2023; 80 % means 80 %."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.outlook.bands import coverage, daily_bands, weighted_bounds
from monitor.outlook.experts import KNOTS_H


@given(st.lists(st.floats(0.0, 9.0), min_size=5, max_size=200, unique=True), st.floats(0.5, 0.95))
def test_equal_weights_hold_a_new_error_at_least_as_often_as_asked(sizes: list[float], level: float) -> None:
    bound = weighted_bounds(np.array([sizes]), np.ones(len(sizes)), np.array([level]))[0]
    held = (np.array(sizes) <= bound).sum() / (len(sizes) + 1)  # chance that an exchangeable one is no larger
    assert held >= level - 1e-9 or bound == max(sizes)
    below = (np.array(sizes) < bound).sum() / (len(sizes) + 1)
    assert below < level  # and no wider than it must be


def test_with_sixty_errors_the_bound_is_one_above_the_plain_quantile() -> None:
    size = np.arange(1.0, 61.0)[None]
    assert (
        weighted_bounds(size, np.ones(60), np.array([0.8])) == 49.0
    )  # ceil(61 * 0.8); the plain quantile 48


def test_a_young_error_counts_for_as_much_as_it_weighs() -> None:
    size, weight = np.array([[4.0, np.nan, 1.0, 3.0, 2.0]] * 2), np.array([8.0, 5.0, 1.0, 0.25, 0.5])
    # with the new error's own 1.0 the mass is 10.75; up to 3.0 it is 1.75, so that 16 % need 3.0 and 17 % 4.0
    assert weighted_bounds(size, weight, np.array([0.16, 0.17])).tolist() == [3.0, 4.0]


@pytest.mark.parametrize("case", ["steady", "season", "sudden", "calmer", "sudden calm"])
def test_an_80_percent_band_holds_77_to_83_percent_also_when_the_errors_change(case: str) -> None:
    rng = np.random.default_rng(5)
    rows = 24 * 300
    noise = rng.standard_normal((rows, len(KNOTS_H)))
    smooth = np.apply_along_axis(lambda c: np.convolve(c, np.ones(6) / 6**0.5, "same"), 0, noise)
    scale = {
        "steady": np.ones(rows),
        "season": 1.0 + 0.7 * np.sin(2 * np.pi * np.arange(rows) / (24 * 120)),
        "sudden": np.where(np.arange(rows) > rows / 2, 2.0, 1.0),
        "calmer": np.linspace(1.0, 0.3, rows),
        "sudden calm": np.where(np.arange(rows) > rows / 2, 0.5, 1.0),
    }[case]
    held = coverage(smooth * scale[:, None], daily_bands(smooth * scale[:, None]))
    assert ((held > 0.77) & (held < 0.83)).all(), held


def test_there_is_no_band_before_there_are_errors_to_learn_from() -> None:
    bands = daily_bands(np.ones((24 * 8, len(KNOTS_H))))
    assert np.isnan(bands.half).all()
