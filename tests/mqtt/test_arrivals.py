"""Arrival times never go back, and messages without a clock are told apart or known as repeats."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.reading import Reading
from monitor.mqtt.arrivals import BACK_AT_MOST_S, REPEATS_BORNE, ArrivalTimes, RepeatGuard
from tests.clocks import ManualClock
from tests.mqtt.yard import AIR, HUMIDITY, NOW_S, UNHURRIED, key


def at(
    arrived_s: float, value: float = 17.4, sequence: int | None = None, time_s: float | None = None
) -> Reading:
    return Reading(
        key("s", AIR), arrived_s if time_s is None else time_s, arrived_s, value, sequence, time_s is not None
    )


@UNHURRIED
@given(st.lists(st.floats(0.0, 4e9), min_size=1))
def test_arrivals_never_go_back_and_are_whole_milliseconds(told: list[float]) -> None:
    clock = ManualClock(told[0])
    arrivals = ArrivalTimes(clock)
    last_s = 0.0
    for clock.time_s in told:
        now_s = arrivals.next_s()
        assert now_s >= last_s or last_s - clock.time_s > BACK_AT_MOST_S - 0.001
        assert now_s == round(now_s, 3)
        last_s = now_s


def test_arrivals_do_not_go_back_over_a_restart() -> None:
    assert ArrivalTimes(ManualClock(NOW_S), NOW_S + 5).next_s() == NOW_S + 5


def test_a_stored_arrival_from_a_clock_that_was_far_wrong_does_not_hold_time_still() -> None:
    assert ArrivalTimes(ManualClock(NOW_S), NOW_S + 86_400).next_s() == NOW_S


def test_arrivals_follow_a_clock_that_was_put_right_by_more_than_a_minute() -> None:
    clock = ManualClock(NOW_S + 3_000.0)
    arrivals, guard = ArrivalTimes(clock), RepeatGuard()
    guard.admit([at(arrivals.next_s())])
    clock.time_s = NOW_S
    assert arrivals.next_s() == NOW_S
    assert guard.admit([at(NOW_S)])[0].time_s == NOW_S
    assert ArrivalTimes(ManualClock(NOW_S), NOW_S + 3_000.0).next_s() == NOW_S


def test_readings_of_one_millisecond_are_kept_apart() -> None:
    guard = RepeatGuard()
    times = [guard.admit([at(NOW_S, value)])[0].time_s for value in (17.4, 17.4, 17.5)]
    assert times == [NOW_S, NOW_S + 0.001, NOW_S + 0.002]
    assert guard.admit([at(NOW_S + 1)])[0].time_s == NOW_S + 1


def test_a_repeat_without_a_time_is_known_by_its_sequence_and_values() -> None:
    guard = RepeatGuard()
    first = [at(NOW_S, 17.4, 7), at(NOW_S, 0.8, 7)._replace(key=key("s", HUMIDITY))]
    again = [reading._replace(time_s=NOW_S + 2, arrived_s=NOW_S + 2) for reading in first]
    assert guard.admit(first) == first
    assert guard.admit(again) == []


def test_the_same_sequence_with_another_value_is_a_sensor_that_started_anew() -> None:
    guard = RepeatGuard()
    guard.admit([at(NOW_S, 17.4, 7)])
    assert guard.admit([at(NOW_S + 2, 17.5, 7)]) == [at(NOW_S + 2, 17.5, 7)]


def test_the_same_value_without_a_sequence_is_a_new_reading() -> None:
    guard = RepeatGuard()
    guard.admit([at(NOW_S)])
    assert guard.admit([at(NOW_S + 2)]) == [at(NOW_S + 2)]


def test_readings_with_a_device_time_are_left_to_the_store() -> None:
    guard = RepeatGuard()
    for _ in range(2):
        assert guard.admit([at(NOW_S, 17.4, 7, NOW_S - 60)]) == [at(NOW_S, 17.4, 7, NOW_S - 60)]


def test_what_came_without_a_time_is_known_when_its_device_sends_it_again_with_one() -> None:
    guard = RepeatGuard()
    guard.admit([at(NOW_S, sequence=7)])
    assert guard.admit([at(NOW_S + 600, sequence=7, time_s=NOW_S - 2)]) == []
    for other in (
        at(NOW_S + 600, 17.5, 7, NOW_S - 2),  # another value
        at(NOW_S + 600, 17.4, 8, NOW_S - 2),  # another number
        at(NOW_S + 600, 17.4, 7, NOW_S - 120),  # a counter that began anew in steady air
        at(NOW_S + 600, 17.4, None, NOW_S - 2),
    ):
        assert guard.admit([other]) == [other]


def test_relative_times_of_the_past_are_not_pushed_on() -> None:
    guard = RepeatGuard()
    guard.admit([at(NOW_S)])
    past = at(NOW_S)._replace(time_s=NOW_S - 30)
    assert guard.admit([past]) == [past]


def test_repeats_are_known_again_after_a_restart() -> None:
    guard = RepeatGuard()
    guard.remember([at(NOW_S, 17.4, 7), at(NOW_S + 1, 17.4, None, NOW_S)])
    assert guard.admit([at(NOW_S + 9, 17.4, 7)]) == []
    assert guard.admit([at(NOW_S + 9, 17.4, 8)]) != []


def test_only_the_latest_sequences_are_remembered() -> None:
    guard = RepeatGuard()
    for n in range(1_000):
        guard.admit([at(NOW_S + n, 17.4, n)])
    assert guard.admit([at(NOW_S + 2_000, 17.4, 999)]) == []
    assert guard.admit([at(NOW_S + 2_000, 17.4, 1)]) != []


def test_a_sequence_that_stands_still_in_steady_air_does_not_silence_a_sensor() -> None:
    guard = RepeatGuard()
    kept = sum(bool(guard.admit([at(NOW_S + n, 17.4, 7)])) for n in range(600))
    assert kept >= 600 - 1 - REPEATS_BORNE
    assert guard.distrusted() == {"s"}
    guard.admit([at(NOW_S + 601, 17.5, 8)])
    assert not guard.distrusted()


@pytest.mark.parametrize("wraps_at", [2, 16])
def test_a_sequence_that_begins_anew_early_does_not_silence_a_sensor(wraps_at: int) -> None:
    guard = RepeatGuard()
    kept = sum(bool(guard.admit([at(NOW_S + 30 * n, 17.4, n % wraps_at)])) for n in range(600))
    assert kept >= 600 - REPEATS_BORNE


def test_what_a_broker_repeats_in_one_go_stays_known_however_much_it_is() -> None:
    guard = RepeatGuard()
    sent = [at(NOW_S + 30 * n, 17.4, n) for n in range(50)]
    assert all(guard.admit([reading]) for reading in sent)
    again = [one._replace(time_s=NOW_S + 2000, arrived_s=NOW_S + 2000) for one in sent]
    assert not any(guard.admit([one]) for one in again)
