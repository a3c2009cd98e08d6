"""The daily ridge against a plain least-squares solve of the same window, with the penalty as extra rows."""

import numpy as np
import pytest

from monitor.outlook.ridge import daily_sums, day_of, robust_weight


@pytest.mark.parametrize(("rows", "horizon", "window", "shrink"), [(600, 6, 14, 0.1), (595, 25, 9, 0.01)])
def test_each_days_fit_is_the_ridge_of_its_own_window(
    rows: int, horizon: int, window: int, shrink: float
) -> None:
    rng = np.random.default_rng(3)
    inputs = rng.standard_normal((rows, 4)) * [1.0, 5.0, 0.1, 2.0] + [0.0, 3.0, 1.0, -2.0]
    target = inputs @ np.array([0.5, -0.2, 3.0, 0.0]) + 1.0 + 0.3 * rng.standard_normal(rows)
    inputs[100:110, 1] = np.nan
    target[-horizon:] = np.nan
    weight = rng.uniform(0.2, 1.0, rows)
    fits = daily_sums(inputs, target, horizon_h=horizon, weight=weight).fits(window, shrink)
    day = day_of(rows)
    for d in (day[-1], day[-1] - 3):
        target_day = day_of(rows, horizon)
        use = (target_day < d) & (target_day >= d - window) & np.isfinite(inputs).all(1) & np.isfinite(target)
        x, y, w = inputs[use], target[use], weight[use] / weight[use].sum()
        mean, level = w @ x, w @ y
        scale = np.sqrt(w @ (x - mean) ** 2)
        root = np.sqrt(w)[:, None]
        a = np.vstack([root * (x - mean) / scale, np.sqrt(shrink) * np.eye(4)])
        b = np.concatenate([root[:, 0] * (y - level), np.zeros(4)])
        slope = np.linalg.lstsq(a, b, rcond=None)[0] / scale
        np.testing.assert_allclose(fits.slope[d], slope, rtol=1e-6, atol=1e-9)
        assert fits.level[d] == pytest.approx(level - slope @ mean, rel=1e-6)


@pytest.mark.parametrize("columns", [[2, 0], [3, 1, 0, 2], [1]])
def test_a_fit_on_some_columns_of_shared_sums_is_the_fit_on_those_columns_alone(columns: list[int]) -> None:
    rng = np.random.default_rng(4)
    inputs = rng.standard_normal((500, 4))
    target = inputs @ np.array([0.5, -0.2, 3.0, 0.0]) + rng.standard_normal(500)
    shared = daily_sums(inputs, target, horizon_h=3).fits(14, 0.1, np.array(columns))
    alone = daily_sums(inputs[:, columns], target, horizon_h=3).fits(14, 0.1)
    np.testing.assert_allclose(shared.slope, alone.slope, atol=1e-12)
    np.testing.assert_allclose(shared.level, alone.level, atol=1e-12)


def test_the_newest_row_begins_a_day_so_that_its_fit_has_seen_all_before_it() -> None:
    for rows in (48, 49, 60, 71, 72):
        day = day_of(rows)
        assert day[-1] == day[-2] + 1
        assert day[0] == 0


def test_too_few_rows_give_no_fit_rather_than_a_bad_one() -> None:
    fits = daily_sums(np.ones((30, 2)), np.ones(30), horizon_h=1).fits(14, 0.1)
    assert np.isnan(fits.level).all()


def test_an_outlier_counts_once_and_not_squared() -> None:
    error = np.ones(24 * 10)
    error[200] = 20.0
    weight = robust_weight(error)
    assert weight[200] == pytest.approx(1.4826 / 20.0, rel=1e-6)
    assert (np.delete(weight, 200) == 1.0).all()


def test_what_is_usual_is_the_median_of_the_two_weeks_before() -> None:
    rng = np.random.default_rng(6)
    error = rng.standard_normal(24 * 40 + 5)
    error[rng.integers(0, error.size, 60)] = np.nan
    weight = robust_weight(error)
    for row in (24 * 3 + 7, 24 * 20, error.size - 2):
        block = row // 24 * 24
        usual = 1.4826 * np.nanmedian(np.abs(error[max(0, block - 336) : block]))
        size = abs(error[row])
        assert weight[row] == pytest.approx(min(1.0, usual / size) if np.isfinite(size) else 1.0, rel=1e-6)
