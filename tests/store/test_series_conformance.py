"""What every series store promises: the same questions get the same answers."""

from datetime import datetime, timedelta
from importlib import import_module
from math import fsum, nan
from pkgutil import iter_modules
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import monitor.store as store_room
from monitor.model.errors import InputError, RangeError
from monitor.model.reading import Mark, Point, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.store.contract import Bucket, SetAside

T0 = 1_700_006_400.0  # 2023-11-15 00:00 UTC
DAY = 86_400.0
AIR = SeriesKey("slip-bay", "wall-1", Quantity.AIR_TEMPERATURE)
HUMIDITY = SeriesKey("slip-bay", "wall-1", Quantity.RELATIVE_HUMIDITY)
DEW = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT)


def reading(time_s, value, key=AIR, *, arrived_s=None, sequence=None, device=False):
    return Reading(key, time_s, time_s if arrived_s is None else arrived_s, value, sequence, device)


def from_raw(points, start_s, end_s, width_s):
    """Buckets computed the plain way."""
    groups = {}
    for time_s, value in points:
        if start_s <= time_s < end_s:
            groups.setdefault(time_s // width_s, []).append(value)
    return [
        Bucket(number * width_s, len(v), min(v), fsum(v) / len(v), max(v))
        for number, v in sorted(groups.items())
    ]


def assert_same(found, wanted):
    assert [(b.start_s, b.n, b.minimum, b.maximum) for b in found] == [
        (b.start_s, b.n, b.minimum, b.maximum) for b in wanted
    ]
    assert [b.mean for b in found] == pytest.approx([b.mean for b in wanted], rel=1e-12, abs=1e-12)


def test_readings_come_back_in_order_of_arrival_with_everything_they_carried(rig):
    sent = [
        reading(T0 + 60.123, 21.5, arrived_s=T0 + 61.5, sequence=7, device=True),
        reading(T0, -3.25, HUMIDITY, sequence=None),
        reading(T0 + 30, 21.4, arrived_s=T0 + 62),
    ]
    result = rig.store.append(sent)
    assert (result.stored, result.repeated, result.contradicting) == (3, 0, 0)
    back = rig.store.readings_after(0, 10)
    assert [item.reading for item in back] == sent
    assert [item.order for item in back] == sorted({item.order for item in back})
    assert rig.store.last_order() == result.last_order == back[-1].order
    assert rig.store.readings_after(back[1].order, 10) == back[2:]
    assert rig.store.readings_after(0, 1) == back[:1]


def test_an_empty_store_answers_with_nothing(rig):
    assert rig.store.last_order() == 0
    assert rig.store.readings_after(0, 10) == []
    assert rig.store.keys() == []
    assert rig.store.latest(AIR) is None
    assert rig.store.slice(AIR, 0, T0).time_s.size == 0
    assert rig.store.buckets(AIR, 0, T0, 3600) == []
    assert rig.store.spans(AIR, [0, T0]) == []
    assert set(rig.store.counts().values()) == {0}
    assert rig.store.append([]).last_order == 0


def test_a_slice_holds_start_but_not_end_and_rises_in_time(rig):
    rig.store.append([reading(T0 + s, float(s)) for s in (90, 0, 30, 60)])
    rig.settle()
    found = rig.store.slice(AIR, T0, T0 + 90)
    assert found.time_s.tolist() == [T0, T0 + 30, T0 + 60]
    assert found.value.tolist() == [0.0, 30.0, 60.0]
    assert not found.doubtful.any()
    assert rig.store.slice(AIR, T0, T0 + 91, limit=2).value.tolist() == [0.0, 30.0]
    assert rig.store.slice(AIR, T0 + 10, T0 + 5).time_s.size == 0


def test_milliseconds_survive(rig):
    times = [T0 + n / 1000 for n in range(0, 3000, 7)]
    rig.store.append([reading(t, t - T0) for t in times])
    rig.settle()
    assert rig.store.slice(AIR, T0, T0 + 10).time_s.tolist() == times


def test_the_same_reading_again_is_counted_as_repeated_and_changes_nothing(rig):
    batch = [reading(T0 + n, 20.0 + n) for n in range(5)]
    rig.store.append(batch)
    again = rig.store.append([*batch[1:4], reading(T0 + 9, 1.0), reading(T0 + 9, 1.0)])
    assert (again.stored, again.repeated, again.contradicting) == (1, 4, 0)
    rig.settle()
    assert rig.store.slice(AIR, T0, T0 + 60).time_s.size == 6
    assert rig.store.buckets(AIR, T0, T0 + 60, 60)[0].n == 6
    counts = rig.store.counts()
    assert (counts["stored"], counts["repeated"]) == (6, 4)


def test_a_repeat_that_says_something_else_is_put_aside_and_the_first_stays(rig):
    rig.store.append([reading(T0, 20.0)])
    result = rig.store.append([reading(T0, 25.0), reading(T0 + 1, 3.0), reading(T0 + 1, 4.0)])
    assert (result.stored, result.repeated, result.contradicting) == (1, 0, 2)
    rig.settle()
    assert rig.store.slice(AIR, T0, T0 + 2).value.tolist() == [20.0, 3.0]
    aside = rig.store.set_aside()
    assert {message.reason for message in aside} == {"contradicts_stored"}
    assert "25.0" in aside[1].detail
    assert "20.0" in aside[1].detail
    assert rig.store.counts()["contradicting"] == 2


@pytest.mark.parametrize(
    ("bad", "reason"),
    [
        (reading(T0, nan), "not_a_number"),
        (reading(T0, float("inf")), "not_a_number"),
        (reading(-5.0, 1.0), "time_out_of_range"),
        (reading(nan, 1.0), "time_out_of_range"),
        (reading(1e15, 1.0), "time_out_of_range"),
        (reading(T0, 1.0, sequence=2**70), "sequence_out_of_range"),
    ],
)
def test_a_reading_that_cannot_be_stored_is_put_aside_and_the_rest_goes_in(rig, bad, reason):
    result = rig.store.append([reading(T0 + 1, 1.0), bad, reading(T0 + 2, 2.0)])
    assert result.stored == 2
    assert [message.reason for message in rig.store.set_aside()] == [reason]
    assert rig.store.counts()["set_aside"] == 1


def test_unreadable_messages_are_kept_newest_first_and_bounded(rig):
    for n in range(12):
        rig.store.append([], [SetAside("dryshift/x", b"\x00\xff%d" % n, T0 + n, "not_json", "text")] * 10)
    kept = rig.store.set_aside(limit=1000)
    assert len(kept) == 50
    assert kept[0] == SetAside("dryshift/x", b"\x00\xff11", T0 + 11, "not_json", "text")
    assert kept[-1].payload == b"\x00\xff7"
    assert rig.store.counts()["set_aside"] == 120


def test_latest_is_the_newest_believed_point_not_the_last_to_arrive(rig):
    rig.store.append([reading(T0 + 7200, 20.0), reading(T0 + 60, 10.0)])
    assert rig.store.latest(AIR) == Point(AIR, T0 + 7200, 20.0)
    rig.store.mark([Mark(1, SensorStatus.FAILURE, "stuck")])
    rig.settle()
    assert rig.store.latest(AIR) == Point(AIR, T0 + 60, 10.0)


def test_a_doubtful_reading_stays_visible_but_leaves_the_buckets(rig):
    rig.store.append([reading(T0 + n * 30, 20.0 + n) for n in range(10)])
    before = rig.store.buckets(AIR, T0, T0 + DAY, DAY)
    assert (before[0].n, before[0].maximum) == (10, 29.0)
    rig.store.mark(
        [Mark(10, SensorStatus.FAILURE, "jump"), Mark(9, SensorStatus.FUNCTION_CHECK, "probe out")]
    )
    found = rig.store.slice(AIR, T0, T0 + DAY)
    assert found.doubtful.tolist() == [False] * 8 + [True] * 2
    for width in (1, 60, 600, 3600, DAY):
        buckets = rig.store.buckets(AIR, T0, T0 + DAY, width)
        assert (sum(b.n for b in buckets), max(b.maximum for b in buckets)) == (8, 27.0)
    assert rig.store.counts()["doubtful"] == 2
    rig.store.mark([Mark(10, SensorStatus.GOOD, "")])
    assert rig.store.buckets(AIR, T0, T0 + DAY, DAY)[0].n == 9
    rig.settle()
    assert rig.store.slice(AIR, T0, T0 + DAY).doubtful.tolist() == [False] * 8 + [True, False]
    assert rig.store.buckets(AIR, T0, T0 + DAY, DAY)[0].n == 9
    assert rig.store.counts()["doubtful"] == 1


def test_an_hour_with_only_doubtful_readings_has_no_bucket(rig):
    rig.store.append([reading(T0, 20.0)])
    rig.store.mark([Mark(1, SensorStatus.FAILURE, "range")])
    rig.settle()
    assert rig.store.buckets(AIR, T0, T0 + DAY, 3600) == []
    assert rig.store.latest(AIR) is None


def test_a_mark_for_an_unknown_order_changes_nothing(rig):
    rig.store.append([reading(T0, 20.0)])
    rig.store.mark([Mark(99, SensorStatus.FAILURE, "range")])
    rig.settle()
    assert rig.store.buckets(AIR, T0, T0 + 60, 60)[0].n == 1


def test_derived_points_replace_what_was_written_for_the_same_time(rig):
    rig.store.write_points([Point(DEW, T0 + n * 60, 10.0 + n) for n in range(5)])
    rig.settle()
    rig.store.write_points([Point(DEW, T0, 99.0), Point(DEW, T0 + 300, 1.0)])
    rig.settle()
    assert rig.store.slice(DEW, T0, T0 + DAY).value.tolist() == [99.0, 11.0, 12.0, 13.0, 14.0, 1.0]
    assert_same(rig.store.buckets(DEW, T0, T0 + DAY, 3600), [Bucket(T0, 6, 1.0, 150.0 / 6, 99.0)])
    assert rig.store.latest(DEW) == Point(DEW, T0 + 300, 1.0)


def test_derived_points_must_be_finite_and_apart_from_readings(rig):
    with pytest.raises(InputError, match="dew_point_c"):
        rig.store.write_points([Point(DEW, T0, 1.0), Point(DEW, T0, nan)])
    assert rig.store.slice(DEW, 0, T0 + 1).time_s.size == 0
    rig.store.append([reading(T0, 1.0)])
    with pytest.raises(InputError, match="holds readings"):
        rig.store.write_points([Point(AIR, T0 + 1, 1.0)])
    rig.store.write_points([Point(DEW, T0, 1.0)])
    rig.store.append([reading(T0 + 5, 1.0, DEW)])
    assert rig.store.set_aside()[0].reason == "derived_series"


def test_every_series_is_listed_once(rig):
    rig.store.append([reading(T0, 1.0), reading(T0, 0.5, HUMIDITY), reading(T0 + 1, 1.0)])
    rig.store.write_points([Point(DEW, T0, 1.0)])
    rig.settle()
    assert sorted(rig.store.keys()) == sorted([AIR, HUMIDITY, DEW])


def test_gaps_leave_no_buckets(rig):
    rig.store.append([reading(T0 + 10, 1.0), reading(T0 + 5 * 3600 + 10, 2.0)])
    rig.settle()
    assert [b.start_s for b in rig.store.buckets(AIR, T0, T0 + DAY, 3600)] == [T0, T0 + 5 * 3600]


def test_late_readings_reach_buckets_that_were_summed_up_before(rig):
    rig.store.append([reading(T0 + n * 600, float(n)) for n in range(300)])
    rig.settle()
    rig.store.buckets(AIR, T0, T0 + 3 * DAY, 3600)
    rig.store.append([reading(T0 + 3 * 3600 + 5, -50.0), reading(T0 + DAY + 5, 500.0)])
    rig.settle()
    points = [(T0 + n * 600, float(n)) for n in range(300)]
    points += [(T0 + 3 * 3600 + 5, -50.0), (T0 + DAY + 5, 500.0)]
    for width in (60, 3600, 6 * 3600, DAY):
        found = rig.store.buckets(AIR, T0, T0 + 3 * DAY, width)
        assert_same(found, from_raw(points, T0, T0 + 3 * DAY, width))


WIDTHS = [0.001, 0.5, 7, 30, 60, 90, 300, 600, 3600, 5400, 6 * 3600, DAY, 7 * DAY]


def test_buckets_equal_those_computed_from_the_readings(rig):
    times = T0 + np.round(np.cumsum(0.1 + np.random.default_rng(5).exponential(180, 900)), 3)
    values = 15 + 5 * np.sin(times / 9000)
    points = [(float(t), float(v)) for t, v in zip(times, values, strict=True)]
    rig.store.append([reading(*point) for point in points[::-1]])
    rig.settle()
    for start, end in ((0, 2 * DAY), (-5, 1e5), (1234.567, 98_765.432), (3599, 3601)):
        for width in WIDTHS:
            found = rig.store.buckets(AIR, T0 + start, T0 + end, width)
            if width < 1:
                assert sum(b.n for b in found) == sum(T0 + start <= t < T0 + end for t, _ in points)
            else:
                assert_same(found, from_raw(points, T0 + start, T0 + end, width))


@pytest.mark.parametrize("width", [0.0, -1.0, nan, 0.0004, 1 / 3])
def test_a_width_that_is_no_whole_millisecond_is_refused(rig, width):
    with pytest.raises(RangeError, match="width_s"):
        rig.store.buckets(AIR, T0, T0 + 10, width)


def test_local_days_across_the_change_of_clocks_are_23_and_25_hours_long(rig):
    zone = ZoneInfo("Europe/London")
    for start in (datetime(2024, 3, 30, tzinfo=zone), datetime(2024, 10, 26, tzinfo=zone)):
        edges = [(start + timedelta(days=n)).timestamp() for n in range(4)]
        rig.store.append([reading(t, (t - edges[0]) / 3600) for t in np.arange(edges[0], edges[-1], 600.0)])
    rig.settle()
    for start, hours in (
        (datetime(2024, 3, 30, tzinfo=zone), [24, 23, 24]),
        (datetime(2024, 10, 26, tzinfo=zone), [24, 25, 24]),
    ):
        edges = [(start + timedelta(days=n)).timestamp() for n in range(4)]
        found = rig.store.spans(AIR, edges)
        assert [b.start_s for b in found] == edges[:3]
        assert [b.n for b in found] == [6 * count for count in hours]
        assert found[1].minimum == pytest.approx(24.0)


def test_spans_take_any_rising_edges_and_leave_empty_ones_out(rig):
    rig.store.append([reading(T0 + n, float(n)) for n in range(0, 4000, 10)])
    rig.settle()
    found = rig.store.spans(AIR, [T0 + 5, T0 + 5.5, T0 + 31, T0 + 3600, T0 + 1e6])
    assert [(b.start_s - T0, b.n) for b in found] == [(5.5, 3), (31, 356), (3600, 40)]
    with pytest.raises(RangeError, match="edges_s"):
        rig.store.spans(AIR, [T0 + 5, T0])


def test_retention_drops_readings_and_keeps_their_sums(rig):
    rig.store.append([reading(T0 + n * 300, float(n % 7)) for n in range(288 * 3)])
    rig.settle()
    hours = rig.store.buckets(AIR, T0, T0 + 3 * DAY, 3600)
    minutes = rig.store.buckets(AIR, T0, T0 + 3 * DAY, 60)
    assert rig.store.apply_retention(T0 + 5 * DAY) == 0
    rig.store.apply_retention(T0 + 12 * DAY)
    rig.settle()
    assert rig.store.slice(AIR, T0, T0 + 2 * DAY).time_s.size == 0
    assert rig.store.slice(AIR, T0, T0 + 3 * DAY).time_s.size == 288
    assert_same(rig.store.buckets(AIR, T0, T0 + 3 * DAY, 60), minutes)
    assert_same(rig.store.buckets(AIR, T0, T0 + 3 * DAY, 3600), hours)
    rig.store.apply_retention(T0 + 22 * DAY)
    rig.settle()
    assert rig.store.slice(AIR, 0, T0 + 9 * DAY).time_s.size == 0
    assert rig.store.latest(AIR) is None
    assert_same(rig.store.buckets(AIR, T0, T0 + 2 * DAY, 60), hours[:48])
    assert_same(rig.store.buckets(AIR, T0 + 2 * DAY, T0 + 3 * DAY, 60), minutes[576:])
    days = rig.store.buckets(AIR, T0, T0 + 3 * DAY, DAY)
    rig.store.apply_retention(T0 + 100 * DAY)
    rig.settle()
    assert_same(rig.store.buckets(AIR, T0, T0 + 3 * DAY, 3600), days)
    assert_same(rig.store.buckets(AIR, T0, T0 + 3 * DAY, DAY), days)


def test_a_reading_older_than_what_is_kept_is_put_aside(rig):
    rig.store.append([reading(T0 + 20 * DAY, 1.0)])
    rig.store.apply_retention(T0 + 20 * DAY)
    result = rig.store.append([reading(T0, 1.0), reading(T0 + 19 * DAY, 2.0)])
    assert result.stored == 1
    assert rig.store.set_aside()[0].reason == "older_than_kept"


def test_orders_are_never_used_again_after_everything_was_dropped(rig):
    last = rig.store.append([reading(T0 + n, 1.0) for n in range(10)]).last_order
    rig.settle()
    rig.store.apply_retention(T0 + 50 * DAY)
    rig.settle()
    assert rig.store.readings_after(0, 10) == []
    assert rig.store.last_order() == last
    rig.store.append([reading(T0 + 49 * DAY, 1.0)])
    assert rig.store.readings_after(0, 10)[0].order > last


ACTIONS = st.lists(
    st.one_of(
        st.tuples(st.just("append"), st.lists(st.integers(0, 6 * 3600 * 4), min_size=1, max_size=30)),
        st.tuples(st.just("mark"), st.integers(1, 60)),
        st.tuples(st.just("settle"), st.none()),
    ),
    max_size=12,
)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    actions=ACTIONS, width=st.sampled_from([1, 45, 60, 600, 3600, 7200, 86_400]), cut=st.integers(0, 90_000)
)
def test_any_sequence_of_late_repeated_and_doubtful_readings_sums_up_as_the_readings_do(
    rig, actions, width, cut
):
    key = SeriesKey("slip-bay", f"wall-{len(rig.store.keys())}", Quantity.AIR_TEMPERATURE)
    model: dict[float, float] = {}
    doubtful: set[float] = set()
    base = rig.store.last_order()
    for what, detail in actions:
        if what == "append":
            times = [T0 + quarter * 0.25 for quarter in detail]
            rig.store.append([reading(t, (t * 7) % 31, key) for t in times])
            model |= {t: (t * 7) % 31 for t in times}
        elif what == "mark":
            for item in rig.store.readings_after(base + detail - 1, 1):
                rig.store.mark([Mark(item.order, SensorStatus.FAILURE, "test")])
                doubtful.add(item.reading.time_s)
        elif what == "settle":
            rig.settle()
    rig.settle()
    believed = [(t, v) for t, v in model.items() if t not in doubtful]
    found = rig.store.buckets(key, T0 + cut / 10, T0 + 2 * DAY, width)
    assert_same(found, from_raw(believed, T0 + cut / 10, T0 + 2 * DAY, width))
    latest = rig.store.latest(key)
    assert (latest and latest.time_s) == (max(believed)[0] if believed else None)
    whole = rig.store.slice(key, T0, T0 + 2 * DAY)
    assert whole.time_s.tolist() == sorted(model)
    assert {t for t, d in zip(whole.time_s.tolist(), whole.doubtful, strict=True) if d} == doubtful


def test_every_store_of_the_package_is_put_to_this_suite():
    found = {
        name
        for module in iter_modules(store_room.__path__, "monitor.store.")
        if not module.ispkg
        for name, kind in vars(import_module(module.name)).items()
        if isinstance(kind, type) and name.endswith("SeriesStore") and name != "SeriesStore"
    }
    assert found == {"SqliteSeriesStore", "InfluxSeriesStore"}
