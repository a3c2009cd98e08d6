"""Which hours nobody knows: each known moment speaks for a while, and what is left is told."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from monitor.history.unknown_hours import telling_quantity, unknown_h, unknown_stretches
from monitor.model.reading import Quantity


def test_gaps_are_found_at_both_ends_and_between() -> None:
    times = np.array([100.0, 200.0, 500.0])
    found = unknown_stretches(times, 0.0, 900.0, speaks_s=150.0)
    assert found == ((0.0, 100.0), (350.0, 500.0), (650.0, 900.0))
    assert unknown_h(found, 0.0, 900.0) == (100 + 150 + 250) / 3_600
    assert unknown_h(found, 300.0, 400.0) == 50 / 3_600


def test_what_spoke_just_before_the_start_still_speaks() -> None:
    assert unknown_stretches(np.array([-50.0]), 0.0, 200.0, speaks_s=150.0) == ((100.0, 200.0),)


def test_where_nothing_was_known_all_of_it_is_unknown() -> None:
    assert unknown_stretches(np.empty(0), 0.0, 3_600.0, speaks_s=150.0) == ((0.0, 3_600.0),)


def test_air_without_its_humidity_is_known_only_where_heat_counts() -> None:
    assert telling_quantity("oven") is Quantity.AIR_TEMPERATURE
    assert telling_quantity("quiver") is Quantity.AIR_TEMPERATURE
    assert telling_quantity("bay") is Quantity.RELATIVE_HUMIDITY
    assert telling_quantity("") is Quantity.RELATIVE_HUMIDITY


@given(st.lists(st.integers(0, 1_000), max_size=20), st.integers(0, 1_000), st.integers(1, 300))
def test_a_stretch_cut_in_two_has_as_many_unknown_hours(moments: list[int], cut: int, speaks_s: int) -> None:
    times = np.array(sorted(moments), dtype=float)
    whole = unknown_h(unknown_stretches(times, 0.0, 1_000.0, speaks_s), 0.0, 1_000.0)
    parts = [
        unknown_h(unknown_stretches(times[times <= end], start, end, speaks_s), start, end)
        for start, end in ((0.0, float(cut)), (float(cut), 1_000.0))
    ]
    assert abs(whole - sum(parts)) < 1e-9
