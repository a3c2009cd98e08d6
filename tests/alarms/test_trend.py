"""Trends: how fast, and when it will meet the limit."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import theilslopes

from monitor.alarms.trend import FAR_H, Trend, TrendRules, followed, hours_to, slope_per_h

RULES = TrendRules()


def trend_of(values: list[float], every_s: float = 300.0) -> Trend:
    trend = Trend()
    for n, value in enumerate(values):
        trend = followed(trend, every_s * n, value, RULES)
    return trend


def test_a_margin_falling_steadily_meets_zero_when_a_ruler_says_so() -> None:
    margin = [6.0 - 0.1 * n for n in range(13)]  # 1.2 K an hour
    assert slope_per_h(trend_of(margin), RULES) == pytest.approx(-1.2)
    assert hours_to(trend_of(margin), 0.0, RULES) == pytest.approx(4.9 / 1.2, abs=0.1)


def test_a_steady_or_rising_margin_is_as_good_as_never_and_one_below_is_now() -> None:
    assert hours_to(trend_of([4.0] * 13), 0.0, RULES) == FAR_H
    assert hours_to(trend_of([4.0 + 0.1 * n for n in range(13)]), 0.0, RULES) == FAR_H
    assert hours_to(trend_of([-0.5] * 13), 0.0, RULES) == 0.0


def test_too_little_is_known_at_first_and_after_a_long_gap() -> None:
    trend = trend_of([5.0, 4.9, 4.8])
    assert hours_to(trend, 0.0, RULES) is None
    trend = followed(trend_of([5.0 - 0.1 * n for n in range(13)]), 1e6, 3.0, RULES)
    assert slope_per_h(trend, RULES) is None


def test_odd_samples_do_not_sway_it() -> None:
    margin = [6.0 - 0.1 * n for n in range(13)]
    margin[4], margin[9] = 20.0, -20.0
    assert slope_per_h(trend_of(margin), RULES) == pytest.approx(-1.2, abs=0.2)


def test_readings_every_second_need_no_more_memory_than_every_five_minutes() -> None:
    trend = Trend()
    for second in range(10_000):
        trend = followed(trend, float(second), 6.0 - second / 3600.0, RULES)
    assert len(trend.samples) <= RULES.keep
    assert slope_per_h(trend, RULES) == pytest.approx(-1.0, rel=0.01)


@given(st.integers(0, 10_000), st.integers(6, 13))
def test_the_slope_is_that_of_theil_and_sen_as_scipy_computes_it(seed: int, n: int) -> None:
    """Against scipy.stats.theilslopes."""
    chance = random.Random(seed)
    values = [chance.gauss(5.0, 1.0) for _ in range(n)]
    hours = [n_ / 12.0 for n_ in range(n)]
    expected = theilslopes(values, hours).slope
    assert slope_per_h(trend_of(values), RULES) == pytest.approx(float(expected), rel=1e-9, abs=1e-12)
