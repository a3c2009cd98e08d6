"""The choice of rollups fills a stretch exactly, whatever is stale or no longer kept."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.store.series.cover import LEVELS_MS, RAW_MS, Floors, cover
from monitor.store.series.series_schema import DAY_MS, HOUR_MS, MINUTE_MS

times = st.integers(0, 4 * DAY_MS)
widths = st.sampled_from(
    [0, 1, 250, 7_000, MINUTE_MS, 5 * MINUTE_MS, HOUR_MS, 6 * HOUR_MS, DAY_MS, 7 * DAY_MS]
)


@given(times, times, widths, st.sets(st.integers(0, 100), max_size=8))
def test_pieces_fill_the_stretch_in_order_without_overlap(start, end, width, stale):
    pieces = cover(start, end, width, sorted(stale), Floors())
    at = start
    for piece in pieces:
        assert piece.start_ms == at
        assert piece.end_ms > piece.start_ms
        at = piece.end_ms
    assert at == end if start < end else pieces == []


@given(times, times, widths, st.sets(st.integers(0, 100), max_size=8))
def test_a_rollup_is_used_only_whole_fresh_and_inside_one_bucket(start, end, width, stale):
    for level, first, last in cover(start, end, width, sorted(stale), Floors()):
        assert width % level == 0
        assert first % level == last % level == 0
        if level != RAW_MS:
            assert not [hour for hour in stale if hour * HOUR_MS < last and (hour + 1) * HOUR_MS > first]


def test_whole_days_are_answered_by_days_and_the_rest_by_finer_levels():
    assert cover(5 * HOUR_MS, 3 * DAY_MS + 90_000, 0, [], Floors()) == [
        (HOUR_MS, 5 * HOUR_MS, DAY_MS),
        (DAY_MS, DAY_MS, 3 * DAY_MS),
        (RAW_MS, 3 * DAY_MS, 3 * DAY_MS + 90_000),
    ]


def test_minutes_answer_where_the_readings_are_no_longer_kept_and_only_there():
    floors = Floors(raw_ms=3 * DAY_MS)
    assert cover(3 * DAY_MS - 90_000, 3 * DAY_MS + 90_000, MINUTE_MS, [], floors) == [
        (MINUTE_MS, 3 * DAY_MS - 120_000 + 30_000, 3 * DAY_MS),
        (RAW_MS, 3 * DAY_MS, 3 * DAY_MS + 90_000),
    ]


def test_a_stale_hour_is_answered_by_readings_and_its_neighbours_by_hours():
    assert cover(0, DAY_MS, DAY_MS, [3, 4], Floors()) == [
        (HOUR_MS, 0, 3 * HOUR_MS),
        (RAW_MS, 3 * HOUR_MS, 5 * HOUR_MS),
        (HOUR_MS, 5 * HOUR_MS, DAY_MS),
    ]


@given(times, times, widths, st.tuples(*[st.integers(0, 4)] * 3))
def test_no_piece_asks_a_level_for_what_it_no_longer_keeps(start, end, width, days):
    floors = Floors(*(count * DAY_MS for count in days))
    pieces = cover(start, end, width, [], floors)
    assert sum(last - first for _, first, last in pieces) == max(0, end - start)
    for level, first, _ in pieces:
        assert floors.of(level) <= first
        assert level in LEVELS_MS
