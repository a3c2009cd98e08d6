"""The geometry of charts: gaps stay gaps, scales hold everything, labels do not cover each other."""

import itertools
import math

from hypothesis import given
from hypothesis import strategies as st

from monitor.model.level import Level
from monitor.report.chart import (
    ChartLimit,
    Trace,
    Window,
    crossed,
    drawn_holes,
    panel,
    runs,
    scale,
    spread_labels,
)
from monitor.store.contract import Bucket

WINDOW = Window(0.0, 100_000.0, 1_000.0)


def line(*starts: float, value: float = 10.0) -> list[Bucket]:
    return [Bucket(s, 5, value - 1, value, value + 1) for s in starts]


def test_a_silence_breaks_the_line() -> None:
    one = panel("p", "P", "°C", WINDOW, [Trace("a", 0, line(0, 1_000, 2_000, 9_000, 10_000), 1_500.0)], [])
    assert one.lines[0].path.count("M") == 2


def test_a_lonely_bucket_still_shows() -> None:
    one = panel("p", "P", "°C", WINDOW, [Trace("a", 0, line(5_000), 1_500.0)], [])
    head, tail = one.lines[0].path.removeprefix("M").split("L")
    assert head == tail


def test_holes_nearer_to_each_other_than_a_hair_are_drawn_as_one() -> None:
    assert drawn_holes([(0.0, 10.0), (20.0, 30.0), (5_000.0, 6_000.0)], WINDOW) == [
        (0.0, 30.0),
        (5_000.0, 6_000.0),
    ]


def test_humidity_never_leaves_zero_to_a_hundred() -> None:
    wet = [Bucket(0.0, 1, 99.0, 99.5, 100.0)]
    one = panel("p", "P", "%", WINDOW, [Trace("a", 0, wet, 1_500.0)], [ChartLimit("limit", 80.0)])
    assert 0.0 <= one.low < one.high <= 100.0


def test_doubtful_readings_off_the_scale_sit_at_its_edge() -> None:
    one = panel("p", "P", "°C", WINDOW, [Trace("a", 0, line(0, 1_000), 1_500.0)], [])
    (inside, outside) = crossed(one, WINDOW, [(50_000.0, 10.0), (50_000.0, 1e6)]).crosses
    assert inside[0] == outside[0] == "50.000%"
    assert outside[1] == "4.00%"


@given(st.lists(st.floats(-80, 200), min_size=1, max_size=30), st.lists(st.floats(-80, 200), max_size=3))
def test_the_scale_holds_every_value_and_limit(values: list[float], limits: list[float]) -> None:
    buckets = [Bucket(1_000.0 * n, 1, v, v, v) for n, v in enumerate(values)]
    low, high, step = scale([Trace("a", 0, buckets, 1_500.0)], limits)
    assert all(low - 1e-9 <= value <= high + 1e-9 for value in [*values, *limits])
    assert math.isclose((high - low) / step, round((high - low) / step), abs_tol=1e-6)
    assert (high - low) / step <= 8


@given(st.lists(st.floats(0, 1), max_size=10))
def test_labels_keep_their_distance(positions: list[float]) -> None:
    placed = sorted(spread_labels(positions, 0.075))
    assert all(b - a >= 0.075 - 1e-9 for a, b in itertools.pairwise(placed))


@given(st.lists(st.integers(0, 500), unique=True, max_size=100))
def test_runs_keep_every_bucket_once(slots: list[int]) -> None:
    buckets = line(*[1_000.0 * slot for slot in sorted(slots)])
    assert [bucket for run in runs(buckets, 1_500.0) for bucket in run] == buckets


def test_limits_shade_what_lies_beyond_them_and_only_steel_is_called_safe() -> None:
    lines = [Trace("a", 0, [Bucket(0.0, 1, -1.0, -1.0, -1.0), Bucket(1_000.0, 1, 6.0, 6.0, 6.0)], 1_500.0)]
    limits = [ChartLimit("dew point", 0.0, Level.DANGER), ChartLimit("+3", 3.0, Level.CAUTION)]
    steel = panel("p", "P", "K", WINDOW, lines, limits)
    assert [band.level for band in steel.bands] == [Level.DANGER, Level.CAUTION, Level.SAFE]
    assert [band.y for band in steel.bands] == [steel.limits[0].y, steel.limits[1].y, 0.0]
    assert steel.bands[0].end_y == 1.0
    hours = panel("p", "P", "h", WINDOW, lines, [ChartLimit("5 h", 5.0, Level.DANGER, below=False)])
    assert [(band.level, band.y, band.end_y) for band in hours.bands] == [
        (Level.DANGER, 0.0, hours.limits[0].y)
    ]


def test_a_band_of_uncertainty_is_inside_the_scale() -> None:
    wide = [Bucket(0.0, 1, 2.0, 5.0, 18.0), Bucket(1_000.0, 1, 2.0, 5.0, 18.0)]
    one = panel("p", "P", "K", WINDOW, [Trace("a", 0, wide, 1_500.0, wide), Trace("b", 1, wide, 1_500.0)], [])
    assert one.low <= 2.0 < 18.0 <= one.high
    assert one.lines[0].area
    assert not one.lines[1].area
