"""The hourly grid against hand-worked rows."""

import numpy as np
import pytest

from monitor.model.errors import RangeError
from monitor.outlook.hourly import (
    AirHistory,
    ahead,
    fill_short_gaps,
    hourly_means,
    shifted,
    trailing_mean,
)

NAN = float("nan")


def test_a_row_is_the_mean_of_the_hour_that_ends_with_it() -> None:
    times = np.array([0.0, 1.0, 3600.0, 3601.0, 7200.0, 20_000.0])
    values = np.array([5.0, 1.0, 3.0, 7.0, NAN, 9.0])
    np.testing.assert_array_equal(hourly_means(times, values, 0.0, 4), [5.0, 2.0, 7.0, NAN])


def test_only_short_holes_are_bridged_and_the_ends_are_left_open() -> None:
    value = np.array([NAN, 1.0, NAN, 3.0, NAN, NAN, NAN, NAN, 8.0, NAN])
    expected = [NAN, 1.0, 2.0, 3.0, NAN, NAN, NAN, NAN, 8.0, NAN]
    np.testing.assert_array_equal(fill_short_gaps(value), expected)


def test_shifting_never_wraps_round() -> None:
    value = np.arange(4.0)
    np.testing.assert_array_equal(shifted(value, 1), [1, 2, 3, NAN])
    np.testing.assert_array_equal(shifted(value, -2), [NAN, NAN, 0, 1])
    assert np.isnan(shifted(value, 9)).all()


def test_a_trailing_mean_needs_most_of_its_rows() -> None:
    value = np.array([1.0, 2.0, 3.0, NAN, 5.0, NAN, NAN])
    np.testing.assert_allclose(trailing_mean(value, 4), [NAN, NAN, NAN, 2.0, 10 / 3, NAN, NAN])


def test_the_rows_ahead_start_with_the_next_and_end_in_the_unknown() -> None:
    np.testing.assert_array_equal(ahead(np.arange(3.0), 3, 2), [[1, 2], [2, NAN], [NAN, NAN]])
    np.testing.assert_array_equal(ahead(np.arange(6.0), 3, 2), [[1, 2], [2, 3], [3, 4]])


def test_columns_of_unequal_length_are_refused_by_name() -> None:
    with pytest.raises(RangeError, match="vapour_pressure_pa"):
        AirHistory("bay", 0.0, np.zeros(3), np.zeros(2))
