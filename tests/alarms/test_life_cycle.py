"""Single behaviours of the life cycle that a lead would ask about."""

import itertools
import random
from dataclasses import replace

import pytest

from monitor.alarms.commands import operate
from monitor.alarms.conditions import MIN_CYCLE_S, ConditionSubject, Observation, Tuning, condition
from monitor.alarms.lifecycle import watched_again, with_conditions
from monitor.alarms.states import (
    AlarmBook,
    AlarmState,
    Command,
    CommandKind,
    CommandRefusedError,
    RefusalCode,
    Transition,
    Trigger,
)
from monitor.model.errors import RangeError
from tests.alarms.shop import ANN, BEN, START_S, advance, book_of, catalogue, held_for, watched

HOUR_S = 3600.0


def state_of(book: AlarmBook, condition_id: str) -> AlarmState:
    return book.alarms[condition_id].state


def test_a_value_on_the_limit_is_still_allowed() -> None:
    low = watched()
    book, moved = held_for(book_of(low), low.id, low.limit, HOUR_S)
    assert moved == []
    assert state_of(book, low.id) is AlarmState.NORMAL


def test_trouble_shorter_than_the_on_delay_stays_quiet() -> None:
    low = watched()
    book, moved = held_for(book_of(low), low.id, 2.0, low.on_delay_s)
    book, more = held_for(book, low.id, 4.0, 60.0)
    assert moved + more == []


def test_the_alarm_tells_when_the_trouble_began_not_when_the_delay_ended() -> None:
    low = watched()
    _, moved = held_for(book_of(low), low.id, 2.0, HOUR_S)
    assert [t.trigger for t in moved] == [Trigger.CONDITION_ACTIVE]
    assert moved[0].began_s == START_S + 60.0
    assert moved[0].time_s == START_S + 60.0 + low.on_delay_s


def test_a_value_inside_the_dead_band_does_not_clear_the_alarm() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    book, moved = held_for(book, low.id, low.limit + low.dead_band - 0.01, 6 * HOUR_S)
    assert moved == []
    book, moved = held_for(book, low.id, low.limit + low.dead_band, HOUR_S)
    assert [t.to_state for t in moved] == [AlarmState.RETURNED]


def test_noise_around_the_limit_for_a_day_does_not_chatter() -> None:
    """Chattering: three or more cycles in a minute (ISA-18.2, second-hand from a trade self-audit)."""
    chance = random.Random(7)
    low = watched(on_delay_s=0.0, off_delay_s=MIN_CYCLE_S)
    book = book_of(low)
    raised: list[float] = []
    for second in range(24 * 3600):
        now_s = START_S + second
        value = low.limit + chance.gauss(0.0, 0.4)
        book, moved = advance(book, [Observation(low.id, value, now_s)], now_s)
        raised += [t.time_s for t in moved if t.to_state is AlarmState.UNACKNOWLEDGED]
    gaps = [later - earlier for earlier, later in itertools.pairwise(raised)]
    assert all(gap >= MIN_CYCLE_S for gap in gaps)


def test_delays_that_would_let_an_alarm_chatter_are_refused_or_lifted() -> None:
    with pytest.raises(RangeError, match="on and off delay"):
        watched(on_delay_s=10.0, off_delay_s=20.0)
    kind = "body_margin_low"
    subject = ConditionSubject("argon-3", "gas-cage", "ferrymoor", "cylinder")
    lifted = condition(catalogue(), kind, subject, Tuning(on_delay_s=0.0, off_delay_s=0.0))
    assert lifted.on_delay_s + lifted.off_delay_s >= MIN_CYCLE_S


def test_unknown_never_clears_an_alarm_and_its_off_delay_starts_anew() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    book, moved = held_for(book, low.id, None, 24 * HOUR_S)
    assert moved == []
    book, moved = held_for(book, low.id, 8.0, low.off_delay_s - 60.0)
    book, more = held_for(book, low.id, None, 60.0)
    book, again = held_for(book, low.id, 8.0, low.off_delay_s)
    assert moved + more + again == []
    book, moved = held_for(book, low.id, 8.0, 60.0)
    assert [t.trigger for t in moved] == [Trigger.CONDITION_CLEARS]


def test_a_gap_in_watching_never_counts_towards_the_all_clear() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    book, _ = held_for(book, low.id, 8.0, 120.0)
    later_s = book.now_s + 8 * HOUR_S
    book, moved = advance(book, [Observation(low.id, 8.0, later_s)], later_s)
    assert moved == ()
    book, moved = held_for(book, low.id, 8.0, low.off_delay_s)
    assert [t.trigger for t in moved] == [Trigger.CONDITION_CLEARS]


@pytest.mark.parametrize("gap_s", [60.0, 600.0, 8 * HOUR_S])
def test_an_on_delay_that_began_before_a_gap_in_the_data_begins_anew_after_it(gap_s: float) -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, low.on_delay_s - 60.0)
    book, quiet = held_for(book, low.id, None, gap_s)
    book, early = held_for(book, low.id, 2.0, low.on_delay_s)
    assert quiet + early == []
    book, moved = held_for(book, low.id, 2.0, 60.0)
    assert [t.trigger for t in moved] == [Trigger.CONDITION_ACTIVE]


def test_an_on_delay_does_not_run_while_nothing_is_observed_at_all() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, 120.0)
    later_s = book.now_s + low.unknown_after_s + 60.0
    book, moved = advance(book, [Observation(low.id, 2.0, later_s)], later_s)
    assert moved == ()
    book, moved = held_for(book, low.id, 2.0, low.on_delay_s)
    assert [t.began_s for t in moved] == [later_s]


def test_lasting_ignorance_of_a_zone_becomes_one_alarm_of_its_own() -> None:
    blind = watched("zone_unwatched", "gas-cage")
    bodies = [watched(subject=f"argon-{n}", unwatched_id=blind.id) for n in range(5)]
    book = book_of(blind, *bodies)
    moved: list[Transition] = []
    for minute in range(40):
        now_s = START_S + 60.0 * minute
        seen = [Observation(b.id, None, now_s, "no believable air") for b in bodies]
        book, more = advance(book, seen, now_s)
        moved += more
    assert [(t.condition_id, t.to_state) for t in moved] == [(blind.id, AlarmState.UNACKNOWLEDGED)]
    assert moved[0].time_s - START_S == blind.on_delay_s
    for minute in range(40, 80):
        now_s = START_S + 60.0 * minute
        book, more = advance(book, [Observation(b.id, 8.0, now_s) for b in bodies], now_s)
        moved += more
    assert moved[-1].to_state is AlarmState.RETURNED


def test_a_condition_nobody_observes_any_more_is_unknown_not_safe() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 8.0, HOUR_S)
    last_s = book.now_s
    book, _ = advance(book, [], last_s + low.unknown_after_s)
    assert book.alarms[low.id].unknown_since_s is None
    book, _ = advance(book, [], last_s + low.unknown_after_s + 1.0)
    assert book.alarms[low.id].unknown_since_s == last_s


def test_what_is_out_of_play_does_not_make_its_zone_unwatched() -> None:
    blind = watched("zone_unwatched", "gas-cage")
    body = watched(unwatched_id=blind.id)
    book = book_of(blind, body)
    for minute in range(60):
        now_s = START_S + 60.0 * minute
        seen = Observation(body.id, None, now_s, "not there", ("body_absent",))
        book, _ = advance(book, [seen], now_s)
    assert state_of(book, blind.id) is AlarmState.NORMAL
    assert state_of(book, body.id) is AlarmState.SUPPRESSED


def test_acknowledged_and_clearly_worse_is_raised_again_once_per_step() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.5, HOUR_S)
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, low.id, ANN), book.now_s)
    book, moved = held_for(book, low.id, 2.5 - low.rise_step + 0.01, HOUR_S)
    assert moved == []
    book, moved = held_for(book, low.id, 2.5 - low.rise_step, HOUR_S)
    assert [t.trigger for t in moved] == [Trigger.RISING]
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, low.id, BEN), book.now_s)
    book, moved = held_for(book, low.id, 2.5 - low.rise_step - 0.5, HOUR_S)
    assert moved == []


def test_a_shelf_ends_by_itself_and_what_still_holds_is_raised_again() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    shelve = Command(CommandKind.SHELVE, low.id, ANN, "bay door open for the crane", book.now_s + 2 * HOUR_S)
    book, moved = operate(book, shelve, book.now_s)
    assert (moved[0].who, moved[0].why, moved[0].until_s) == (ANN, shelve.why, shelve.until_s)
    book, moved = held_for(book, low.id, 2.0, 3 * HOUR_S)
    assert [(t.trigger, t.to_state) for t in moved] == [(Trigger.SHELF_TIME_OVER, AlarmState.UNACKNOWLEDGED)]
    assert moved[0].cause_s == shelve.until_s


def test_a_latch_outlives_shelf_and_suppression() -> None:
    oven = watched("storage_below_minimum", "rod-oven", "wire-store")
    book, _ = held_for(book_of(oven), oven.id, 90.0, HOUR_S)
    book, _ = held_for(book, oven.id, 150.0, HOUR_S)
    assert state_of(book, oven.id) is AlarmState.LATCHED_UNACKNOWLEDGED
    now_s = book.now_s + 60.0
    book, _ = advance(book, [Observation(oven.id, 150.0, now_s, "", ("zone_out_of_use",))], now_s)
    assert state_of(book, oven.id) is AlarmState.SUPPRESSED
    for _minute in range(2, 60):  # cold while out of use: nothing in it, nothing to say
        now_s = book.now_s + 60.0
        book, _ = advance(book, [Observation(oven.id, 20.0, now_s, "", ("zone_out_of_use",))], now_s)
    for _minute in range(60):
        now_s = book.now_s + 60.0
        book, _ = advance(book, [Observation(oven.id, 150.0, now_s, "", ("zone_out_of_use",))], now_s)
    book, _ = held_for(book, oven.id, 150.0, 60.0)
    assert state_of(book, oven.id) is AlarmState.LATCHED_UNACKNOWLEDGED
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, oven.id, ANN), book.now_s)
    book, _ = operate(book, Command(CommandKind.RESET, oven.id, ANN), book.now_s)
    assert state_of(book, oven.id) is AlarmState.NORMAL
    assert not book.alarms[oven.id].held


@pytest.mark.parametrize(
    ("command", "code"),
    [
        (Command(CommandKind.ACKNOWLEDGE, "body_wet.nobody", ANN), RefusalCode.UNKNOWN_CONDITION),
        (Command(CommandKind.ACKNOWLEDGE, "body_margin_low.argon-3", " "), RefusalCode.NOBODY),
        (
            Command(CommandKind.ACKNOWLEDGE, "body_margin_low.argon-3", ANN, began_s=1.0),
            RefusalCode.LATER_OCCURRENCE,
        ),
        (
            Command(CommandKind.SHELVE, "body_margin_low.argon-3", ANN, "", 2e9),
            RefusalCode.NO_REASON,
        ),
        (Command(CommandKind.SHELVE, "body_margin_low.argon-3", ANN, "paint"), RefusalCode.NO_END),
        (
            Command(CommandKind.SHELVE, "body_margin_low.argon-3", ANN, "paint", START_S),
            RefusalCode.END_PASSED,
        ),
        (
            Command(CommandKind.SHELVE, "body_margin_low.argon-3", ANN, "paint", 2e9),
            RefusalCode.TOO_LONG,
        ),
        (Command(CommandKind.UNSHELVE, "body_margin_low.argon-3", ANN), RefusalCode.NOT_SHELVED),
        (Command(CommandKind.RESET, "body_margin_low.argon-3", ANN), RefusalCode.NOT_LATCHED),
        (
            Command(CommandKind.RETURN_TO_SERVICE, "body_margin_low.argon-3", ANN),
            RefusalCode.NOT_OUT_OF_SERVICE,
        ),
        (
            Command(CommandKind.TAKE_OUT_OF_SERVICE, "body_margin_low.argon-3", ANN),
            RefusalCode.NO_REASON,
        ),
    ],
)
def test_a_command_that_makes_no_sense_is_refused_with_its_reason(
    command: Command, code: RefusalCode
) -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    with pytest.raises(CommandRefusedError) as refusal:
        operate(book, command, book.now_s)
    assert refusal.value.code is code
    assert refusal.value.reason


def test_the_second_thumb_on_acknowledge_hears_who_was_first() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, low.id, ANN), book.now_s)
    with pytest.raises(CommandRefusedError, match="already acknowledged by ann"):
        operate(book, Command(CommandKind.ACKNOWLEDGE, low.id, BEN), book.now_s)


def test_an_old_message_cannot_answer_a_later_occurrence() -> None:
    low = watched()
    book, first = held_for(book_of(low), low.id, 2.0, HOUR_S)
    book, _ = held_for(book, low.id, 8.0, HOUR_S)
    book, second = held_for(book, low.id, 2.0, HOUR_S)
    old = Command(CommandKind.ACKNOWLEDGE, low.id, ANN, began_s=first[0].began_s)
    with pytest.raises(CommandRefusedError) as refusal:
        operate(book, old, book.now_s)
    assert refusal.value.code is RefusalCode.LATER_OCCURRENCE
    book, _ = operate(book, replace(old, began_s=second[0].began_s), book.now_s)
    assert state_of(book, low.id) is AlarmState.ACKNOWLEDGED


def test_a_thing_that_is_gone_takes_its_alarm_with_it() -> None:
    low, other = watched(), watched(subject="argon-4")
    book, _ = held_for(book_of(low, other), low.id, 2.0, HOUR_S)
    book, moved = with_conditions(book, [other], book.now_s)
    assert [(t.condition_id, t.trigger) for t in moved] == [(low.id, Trigger.WITHDRAW)]
    assert list(book.alarms) == [other.id]


@pytest.mark.parametrize("step_s", [-3600.0, 3600.0])
def test_a_stepped_clock_neither_loses_nor_blinds_an_alarm(step_s: float) -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    now_s = book.now_s + step_s
    book, moved = advance(book, [Observation(low.id, 2.0, now_s)], now_s)
    assert moved == ()
    assert state_of(book, low.id) is AlarmState.UNACKNOWLEDGED
    book, moved = held_for(book, low.id, 8.0, low.off_delay_s + 60.0)
    assert [t.trigger for t in moved] == [Trigger.CONDITION_CLEARS]


def test_late_observations_do_not_turn_the_present_back() -> None:
    low = watched()
    book, _ = held_for(book_of(low), low.id, 2.0, HOUR_S)
    late = [Observation(low.id, 9.0, START_S + 60.0 * n) for n in range(30)]
    after, moved = advance(book, late, book.now_s)
    assert moved == ()
    assert after.alarms == book.alarms


def test_the_order_in_which_things_are_handed_in_makes_no_difference() -> None:
    chance = random.Random(3)
    conditions = [watched(subject=f"argon-{n}") for n in range(9)]
    steps = [
        [Observation(c.id, chance.uniform(1.0, 5.0), START_S + 300.0 * k) for c in conditions]
        for k in range(60)
    ]

    def run(seed: int) -> list[Transition]:
        shuffle = random.Random(seed).shuffle
        shuffle(conditions)
        book = book_of(*conditions)
        moved: list[Transition] = []
        for k, seen in enumerate(steps):
            shuffle(seen)
            book, more = advance(book, seen, START_S + 300.0 * k)
            moved += more
        return moved

    first = run(1)
    assert first
    assert run(2) == first


def test_keys_do_not_depend_on_when_the_data_were_worked_through() -> None:
    low = watched()

    def run(lag_s: float) -> list[str]:
        book, keys = book_of(low), []
        for minute in range(120):
            time_s = START_S + 60.0 * minute
            value = 2.0 if minute < 60 else 8.0
            book, moved = advance(book, [Observation(low.id, value, time_s)], time_s + lag_s)
            keys += [t.key for t in moved]
        return keys

    assert run(0.0) == run(400.0)
    assert len(run(0.0)) == 2


def test_a_package_whose_time_is_over_needs_one_answer_and_not_one_a_morning() -> None:
    over = watched("package_exposure_over", "rods-7", "slip-bay")
    book, _ = held_for(book_of(over), over.id, 1.2, 300.0)
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, over.id, ANN), book.now_s)
    for facts, state in ((("off_shift",), AlarmState.SUPPRESSED), ((), AlarmState.ACKNOWLEDGED)):
        now_s = book.now_s + 60.0
        book, _ = advance(book, [Observation(over.id, 1.2, now_s, facts=facts)], now_s)
        assert book.alarms[over.id].state is state


def test_a_wet_plate_is_told_anew_in_the_morning_though_it_was_answered_in_the_evening() -> None:
    wet = watched("body_wet", "deck-plate")
    book, _ = held_for(book_of(wet), wet.id, -1.0, 600.0)
    book, _ = operate(book, Command(CommandKind.ACKNOWLEDGE, wet.id, ANN), book.now_s)
    for facts, state in ((("off_shift",), AlarmState.SUPPRESSED), ((), AlarmState.UNACKNOWLEDGED)):
        now_s = book.now_s + 60.0
        book, _ = advance(book, [Observation(wet.id, -1.0, now_s, facts=facts)], now_s)
        assert book.alarms[wet.id].state is state


def test_a_time_in_which_nobody_watched_does_not_count_as_trouble_that_lasted() -> None:
    wet = watched("body_wet", "deck-plate")
    book, _ = held_for(book_of(wet), wet.id, -1.0, 120.0)
    book, moved = held_for(watched_again(book), wet.id, -1.0, 60.0, every_s=60.0)
    assert not book.alarms[wet.id].active
    assert moved == []
    active, _ = held_for(book, wet.id, -1.0, 3600.0)
    assert active.alarms[wet.id].active
    assert watched_again(active) == active


def test_no_alarm_clears_on_what_was_seen_before_nobody_watched() -> None:
    """Its off-delay had begun; the service stood still; the first look after it is one look."""
    one = watched("sensor_health", "bay-1", "slip-bay")
    book = book_of(one)
    now_s = book.now_s
    for minute in range(30):
        now_s += 60.0
        book, _ = advance(book, [Observation(one.id, 1.0 if minute < 25 else 0.0, now_s)], now_s)
    assert book.alarms[one.id].active
    later_s = now_s + 7 * 86_400.0
    book = watched_again(book)
    book, _ = advance(book, [Observation(one.id, 0.0, later_s)], later_s)
    assert book.alarms[one.id].active
