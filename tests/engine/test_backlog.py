"""A backlog is worked through in bites: answers, entries and pages come between them."""

import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.engine.courtesy import MOST_S, Courtesy
from monitor.engine.loop import READ_AT_ONCE
from monitor.engine.pace import PAUSE_S
from monitor.model.event import EventKind
from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.brokers import wait_until
from tests.engine.watched import Machine, Watched, a_machine

BITES = 4
KEY = SeriesKey("slip-bay", "bay-1", Quantity.AIR_TEMPERATURE)


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Watched]:
    with a_machine() as machine:
        found = Watched(tmp_path, machine)
        found.goes_on(60.0)
        yield found
        found.is_killed()


def backlog(yard: Watched) -> None:
    """What a sensor gathered while the broker was away, arriving at once."""
    now_s = round(yard.clock.now_s(), 3)
    count = BITES * READ_AT_ONCE
    yard.series.append(
        [
            Reading(KEY, now_s - 100.0 - 2.0 * (count - n), now_s - 0.001, 15.0 + n % 7 * 0.01, n, True)
            for n in range(count)
        ]
    )


def answered(ask: threading.Thread) -> bool:
    """Whether somebody who asks now is answered; the time only ends a wait for what would never be."""
    ask.start()
    ask.join(20.0)
    return not ask.is_alive()


def test_an_answer_is_taken_in_the_midst_of_a_backlog(yard: Watched) -> None:
    backlog(yard)
    found: list[tuple[bool, int]] = []

    def asked() -> bool:
        took = answered(threading.Thread(target=yard.watch.loop.reshape))
        found.append((took, yard.watch.loop.state.order))
        return False

    yard.watch.courtesy.asked = asked
    yard.looks()
    assert [took for took, _ in found] == [True] * BITES
    assert found[0][1] < yard.series.last_order()
    assert yard.watch.loop.state.order == yard.series.last_order()


def test_a_backlog_that_takes_long_is_no_pause_of_the_service(yard: Watched) -> None:
    """Each look tells that the machine went on; a row of bites longer than a pause holds no gap."""
    backlog(yard)
    before = len(yard.ledger.events(kinds=[EventKind.SERVICE_GAP]))

    def passes() -> bool:
        yard.machine.true_s += 0.75 * PAUSE_S
        return False

    yard.watch.courtesy.asked = passes
    yard.looks()
    yard.looks()
    assert len(yard.ledger.events(kinds=[EventKind.SERVICE_GAP])) == before


def test_a_machine_that_slept_within_a_backlog_is_a_gap(yard: Watched) -> None:
    backlog(yard)
    machine: Machine = yard.machine
    slept = iter([20.0 * PAUSE_S])

    def sleeps() -> bool:
        machine.true_s += next(slept, 0.0)
        return False

    yard.watch.courtesy.asked = sleeps
    yard.looks()
    yard.looks()
    assert [event.body for event in yard.ledger.events(kinds=[EventKind.SERVICE_GAP])]


def test_what_came_after_a_sleep_within_a_backlog_blames_no_sensor_for_it(yard: Watched) -> None:
    """The sleep is a gap of the service: it is told before anything is judged that came after it."""
    backlog(yard)
    slept_s, wakes = 20.0 * PAUSE_S, iter([True])

    def sleeps() -> bool:
        if next(wakes, False):
            yard.machine.true_s += slept_s
            now_s = round(yard.clock.now_s(), 3)
            yard.series.append([Reading(KEY, now_s - 0.01, now_s - 0.01, 15.03, 90_000)])
        return False

    yard.watch.courtesy.asked = sleeps
    yard.looks()
    yard.looks()
    (gap,) = yard.ledger.events(kinds=[EventKind.SERVICE_GAP])
    assert gap.body["to_s"] - gap.body["from_s"] > 0.9 * slept_s
    assert not yard.ledger.events(kinds=[EventKind.SENSOR_STATUS])


def test_of_two_sleeps_within_a_backlog_no_hour_counts_as_watched(yard: Watched) -> None:
    backlog(yard)
    slept_s, wakes = 20.0 * PAUSE_S, iter([True, True])

    def sleeps() -> bool:
        if next(wakes, False):
            yard.machine.true_s += slept_s
        return False

    yard.watch.courtesy.asked = sleeps
    yard.looks()
    yard.looks()
    (gap,) = yard.ledger.events(kinds=[EventKind.SERVICE_GAP])
    assert gap.body["to_s"] - gap.body["from_s"] > 1.9 * slept_s


def test_what_arrives_while_a_backlog_is_worked_through_is_believed(yard: Watched) -> None:
    """It arrived later than the look that works the backlog through began: its clock is not ahead."""
    backlog(yard)
    came: list[float] = []

    def passes() -> bool:
        yard.machine.true_s += 0.75 * PAUSE_S
        now_s = round(yard.clock.now_s(), 3)
        came.append(now_s - 0.01)
        yard.series.append([Reading(KEY, came[-1], came[-1], 15.03, 90_000 + len(came))])
        return False

    yard.watch.courtesy.asked = passes
    yard.looks()
    yard.looks()
    assert len(came) == BITES
    track = yard.watch.loop.state.tracks[KEY.source]
    assert track.channels[KEY.quantity].believed_time_s == came[-1]


def test_a_page_is_waited_for_but_never_longer_than_the_bite_before_it() -> None:
    with a_machine() as machine:
        courtesy, asked = Courtesy(), [True, True, True, False]
        machine.true_s += 0.5  # the core worked
        courtesy.asked = lambda: asked.pop(0)
        courtesy.give_way()
        assert not asked
        looks = 0

        def without_end() -> bool:
            nonlocal looks
            looks += 1
            machine.true_s += 0.125
            return True

        courtesy.asked = without_end
        machine.true_s += 0.5
        courtesy.give_way()
        assert looks == 4
        machine.true_s += 86_400.0  # since the backlog before
        courtesy.give_way()
        assert looks == 4 + round(MOST_S / 0.125)


def test_an_entry_and_a_beginning_anew_do_not_wait_for_each_other_for_ever(yard: Watched) -> None:
    """An entry holds the things and then stops the loop; beginning anew takes both in the same order."""
    keeper, loop = yard.watch._keeper, yard.watch.loop
    yard.machine.offset_s -= 3_600.0
    look = threading.Thread(target=yard.looks)
    with keeper.paused():
        look.start()
        wait_until(lambda: is_in(look, "_begin_anew"), "the look to begin anew")
        had = loop.paused().acquire(timeout=20.0)  # type: ignore[attr-defined]
        assert had
        loop.paused().release()  # type: ignore[attr-defined]
    look.join(20.0)
    assert not look.is_alive()
    assert yard.ledger.events(kinds=[EventKind.SERVICE_ANEW])


def is_in(thread: threading.Thread, function: str) -> bool:
    """Whether a thread is within a function now."""
    frame = sys._current_frames().get(thread.ident or 0)
    while frame is not None:
        if frame.f_code.co_name == function:
            return True
        frame = frame.f_back
    return False
