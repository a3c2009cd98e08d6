"""Group commit by count or age, and the low watermark below which everything is durable."""

import threading
from concurrent.futures import ThreadPoolExecutor

from monitor.model.reading import Reading
from monitor.mqtt.arrivals import ArrivalTimes
from monitor.mqtt.pending_batch import PendingBatch, PendingReadings
from tests.clocks import ManualClock
from tests.mqtt.yard import AIR, NOW_S, key

LONG_S = 60.0


def burst(messages: int = 1) -> PendingBatch:
    reading = Reading(key("s", AIR), NOW_S, NOW_S, 17.4)
    return PendingBatch(readings=[reading] * messages, messages=messages)


def make(commit_count: int = 5, commit_s: float = LONG_S) -> tuple[ManualClock, PendingReadings]:
    clock = ManualClock(NOW_S)
    return clock, PendingReadings(ArrivalTimes(clock), commit_count, commit_s)


def arrive(pending: PendingReadings, messages: int = 1) -> None:
    pending.open_burst()
    pending.close_burst(burst(messages))


def test_a_batch_is_due_when_it_is_large_enough() -> None:
    _, pending = make(commit_count=5)
    arrive(pending, 3)
    with ThreadPoolExecutor(1) as pool:
        taken = pool.submit(pending.take)
        assert not taken.done()
        arrive(pending, 2)
        batch = taken.result(10)
    assert batch is not None
    assert (batch.messages, len(batch.readings)) == (5, 5)


def test_a_batch_is_due_when_it_is_old_enough() -> None:
    _, pending = make(commit_count=1_000, commit_s=0.01)
    arrive(pending)
    batch = pending.take()
    assert batch is not None
    assert batch.messages == 1


def test_all_that_waits_goes_into_one_batch() -> None:
    _, pending = make(commit_count=5)
    for _ in range(7):
        arrive(pending, 3)
    batch = pending.take()
    assert batch is not None
    assert batch.messages == 21


def test_a_flush_hands_out_what_waits_and_then_nothing() -> None:
    _, pending = make()
    arrive(pending)
    pending.flush()
    assert pending.take() is not None
    assert pending.take() is None


def test_a_flush_ends_a_wait() -> None:
    _, pending = make()
    with ThreadPoolExecutor(1) as pool:
        taken = pool.submit(pending.take)
        threading.Timer(0.01, pending.flush).start()
        assert taken.result(10) is None


def test_the_watermark_is_now_while_nothing_waits() -> None:
    clock, pending = make()
    assert pending.watermark_s() == NOW_S
    clock.time_s += 7
    assert pending.watermark_s() == NOW_S + 7


def test_the_watermark_stays_at_the_oldest_arrival_that_is_not_durable() -> None:
    clock, pending = make(commit_count=1)
    arrive(pending)
    clock.time_s += 1
    arrive(pending)
    clock.time_s += 1
    assert pending.watermark_s() == NOW_S
    pending.take()
    assert pending.watermark_s() == NOW_S
    arrive(pending)
    pending.committed()
    assert pending.watermark_s() == NOW_S + 2
    pending.take()
    pending.committed()
    clock.time_s += 1
    assert pending.watermark_s() == NOW_S + 3


def test_the_watermark_does_not_pass_what_is_just_being_read() -> None:
    clock, pending = make()
    arrived_s = pending.open_burst()
    clock.time_s += 5
    assert pending.watermark_s() == arrived_s == NOW_S
    pending.close_burst(PendingBatch())
    assert pending.watermark_s() == NOW_S + 5


def test_an_arrival_is_never_before_a_watermark_told_earlier() -> None:
    clock, pending = make()
    told_s = pending.watermark_s()
    clock.time_s -= 50
    assert pending.open_burst() >= told_s


def test_it_says_how_many_messages_are_not_durable() -> None:
    _, pending = make(commit_count=2)
    arrive(pending, 2)
    pending.take()
    arrive(pending)
    assert pending.messages() == 3
    pending.committed()
    assert pending.messages() == 1
