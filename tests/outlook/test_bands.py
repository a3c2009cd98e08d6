"""Conformal bands: the rank of Lei et al. 2018 eq. (3), and that 80 % means 80 %."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.outlook.bands import conformal_rank, coverage, daily_bands
from monitor.outlook.bank import KNOTS_H


@given(st.integers(5, 5000), st.floats(0.5, 0.95))
def test_the_rank_holds_a_new_value_at_least_as_often_as_asked(count: int, level: float) -> None:
    rank = conformal_rank(count, level)
    held = (rank + 1) / (
        count + 1
    )  # chance that an exchangeable value is no larger than that order statistic
    assert held >= level or rank == count - 1


def test_with_sixty_errors_the_rank_is_one_above_the_plain_quantile() -> None:
    assert conformal_rank(60, 0.8) == 48  # ceil(61 * 0.8) = 49th smallest; the plain quantile takes the 48th


@pytest.mark.parametrize("case", ["steady", "season", "sudden"])
def test_an_80_percent_band_holds_77_to_83_percent_also_when_the_errors_change(case: str) -> None:
    rng = np.random.default_rng(5)
    rows = 24 * 300
    noise = rng.standard_normal((rows, len(KNOTS_H)))
    smooth = np.apply_along_axis(lambda c: np.convolve(c, np.ones(6) / 6**0.5, "same"), 0, noise)
    scale = {
        "steady": np.ones(rows),
        "season": 1.0 + 0.7 * np.sin(2 * np.pi * np.arange(rows) / (24 * 120)),
        "sudden": np.where(np.arange(rows) > rows / 2, 2.0, 1.0),
    }[case]
    held = coverage(smooth * scale[:, None], daily_bands(smooth * scale[:, None]))
    assert ((held > 0.77) & (held < 0.83)).all(), held


def test_there_is_no_band_before_there_are_errors_to_learn_from() -> None:
    bands = daily_bands(np.ones((24 * 8, len(KNOTS_H))))
    assert np.isnan(bands.half).all()
