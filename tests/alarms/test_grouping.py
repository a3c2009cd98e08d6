"""A burst of related alarms is one warning with its cause."""

from dataclasses import dataclass, field, replace

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.catalogue import Priority
from monitor.alarms.commands import operate
from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.grouping import GROUP_SIGN, Announcement, GroupBook, Why, answer, regroup
from monitor.alarms.states import (
    AlarmBook,
    AlarmState,
    Command,
    CommandKind,
    CommandRefusedError,
    Transition,
)
from tests.alarms.shop import ANN, advance, book_of, catalogue, watched

RULES = catalogue().grouping
ZONES = ("slip-bay", "panel-hall", "plate-yard", "gas-cage")
BODIES = tuple(watched("body_margin_low", f"argon-{n}", ZONES[n % 4]) for n in range(40))
HIGH_WAIT_S, MEDIUM_WAIT_S = RULES.gather_s[Priority.HIGH], RULES.gather_s[Priority.MEDIUM]


@dataclass
class Watch:
    """Runs conditions and grouping minute by minute."""

    conditions: tuple[Condition, ...]
    book: AlarmBook = field(init=False)
    groups: GroupBook = field(default_factory=GroupBook)
    said: list[Announcement] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.book = book_of(*self.conditions)

    def goes_on(self, minutes: int, values: dict[str, float]) -> list[Announcement]:
        before = len(self.said)
        for _ in range(minutes):
            now_s = self.book.now_s + 60.0
            seen = [Observation(c.id, values.get(c.id, 8.0), now_s) for c in self.conditions]
            self.book, moved = advance(self.book, seen, now_s)
            self.settle(moved)
        return self.said[before:]

    def settle(self, moved: tuple[Transition, ...]) -> None:
        # every state comes from a checkpoint, as after a restart
        self.groups = msgspec.msgpack.decode(msgspec.msgpack.encode(self.groups), type=GroupBook)
        self.groups, said = regroup(self.groups, moved, self.book, RULES, self.book.now_s)
        self.said += said

    def acknowledges(self, name: str) -> tuple[Transition, ...]:
        command = Command(CommandKind.ACKNOWLEDGE, name, ANN)
        self.book, moved = answer(self.groups, self.book, command, self.book.now_s)
        self.settle(moved)
        return moved


def test_a_fog_bank_over_forty_bodies_in_four_zones_is_a_few_messages_that_name_them_all() -> None:
    watch = Watch(BODIES)
    said = []
    for minute in range(240):  # a body more every minute and a half, for an hour
        wet = {body.id: 2.0 for body in BODIES[: minute * 2 // 3 + 1]}
        said += watch.goes_on(1, wet)
    assert [a.why for a in said] == [Why.RAISED, Why.GROWN, Why.GROWN]
    assert sorted(m.subject for a in said for m in a.news) == sorted(body.subject for body in BODIES)
    (group,) = watch.groups.groups.values()
    assert said[0].cause.subject == "argon-0"
    watch.acknowledges(group.id)
    assert watch.goes_on(24 * 60, {body.id: 2.0 for body in BODIES}) == []


def test_fifty_zones_that_turn_wet_within_two_minutes_are_a_few_messages_and_the_first_is_at_once() -> None:
    bodies = tuple(watched("body_wet", f"argon-{n}", f"zone-{n}", on_delay_s=0.0) for n in range(50))
    watch = Watch(bodies)
    said = []
    for second in range(3600):
        now_s = watch.book.now_s + 1.0
        seen = [
            Observation(b.id, -1.0 if second > 10 + n * 2.4 else 8.0, now_s) for n, b in enumerate(bodies)
        ]
        watch.book, moved = advance(watch.book, seen, now_s)
        before = len(watch.said)
        watch.settle(moved)
        said += [(now_s - bodies_wet_s(watch, a), a) for a in watch.said[before:]]
    assert said[0][0] == 0.0
    assert len(said) <= 4
    assert max(waited_s for waited_s, _ in said) <= 120.0
    assert sorted(m.subject for _, a in said for m in a.news) == sorted(b.subject for b in bodies)


def bodies_wet_s(watch: Watch, announcement: Announcement) -> float:
    """When the first of what a message is about got wet."""
    return min(watch.book.alarms[m.condition_id].began_s or 0.0 for m in announcement.news)


def test_what_crosses_together_is_named_together_after_a_short_wait() -> None:
    watch = Watch(BODIES[:8])
    said = watch.goes_on(12, {body.id: 2.0 for body in BODIES[:8]})
    assert len(said) == 1
    assert len(said[0].subjects) == 8
    assert said[0].zones == ZONES
    assert said[0].time_s - said[0].cause.time_s == MEDIUM_WAIT_S


def test_danger_is_told_within_half_a_minute_even_where_a_caution_was_told() -> None:
    low, wet = watched("body_margin_low"), watched("body_wet")
    watch = Watch((low, wet))
    caution = watch.goes_on(20, {low.id: 2.0, wet.id: 2.0})
    danger = watch.goes_on(8, {low.id: -1.0, wet.id: -1.0})
    assert [a.why for a in caution + danger] == [Why.RAISED, Why.WORSENED]
    assert danger[0].priority is Priority.HIGH
    assert danger[0].cause.kind == "body_wet"
    assert danger[0].time_s - danger[0].cause.time_s <= HIGH_WAIT_S + 60.0


def test_wet_in_another_place_is_told_within_two_minutes_though_the_first_was_answered() -> None:
    """A spare cylinder was told of and acknowledged; then a plate stack in another bay turns wet."""
    spare, stack, third = (watched("body_wet", f"argon-{n}", ZONES[n]) for n in range(3))
    watch = Watch((spare, stack, third))
    first = watch.goes_on(10, {spare.id: -1.0})
    watch.acknowledges(first[0].group_id)
    later = watch.goes_on(8, {spare.id: -1.0, stack.id: -1.0})
    assert [(a.why, a.subjects) for a in later] == [(Why.GROWN, ("argon-1",))]
    assert later[0].time_s - later[0].cause.time_s <= 2.0 * RULES.follow_s[Priority.HIGH]
    assert [m.subject for m in later[0].members] == ["argon-0", "argon-1"]
    last = watch.goes_on(30, {b.id: -1.0 for b in (spare, stack, third)})
    assert [a.subjects for a in last] == [("argon-2",)]
    assert last[0].time_s - last[0].cause.time_s <= RULES.again_s["damp_air"][Priority.HIGH]


def test_more_that_gets_wet_in_a_place_that_was_told_of_is_gathered_and_told() -> None:
    bodies = tuple(watched("body_wet", f"argon-{n}") for n in range(3))
    close, less = watched("body_margin_low", "argon-7"), watched("body_margin_low", "argon-0")
    watch = Watch((*bodies, close, less))
    first = watch.goes_on(10, {bodies[0].id: -1.0})
    watch.acknowledges(first[0].group_id)
    wet = {**{b.id: -1.0 for b in bodies}, close.id: 1.0, less.id: -1.0}
    more = watch.goes_on(24 * 60, wet)
    assert [(a.why, a.subjects) for a in more] == [(Why.GROWN, ("argon-7", "argon-1", "argon-2"))]
    assert more[0].time_s - first[0].time_s <= RULES.place_s[Priority.HIGH] + 60.0
    # when a thing has dried and gets wet anew while the warning stands, it is news
    watch.goes_on(60, {bodies[2].id: -1.0})
    anew = watch.goes_on(60, {b.id: -1.0 for b in bodies})
    assert [(a.why, a.subjects) for a in anew] == [(Why.GROWN, ("argon-0", "argon-1"))]
    over = watch.goes_on(60, {})
    assert [(a.why, len(a.subjects)) for a in over] == [(Why.CLEARED, 4)]


def test_a_place_where_only_a_caution_was_told_is_told_anew_when_something_is_wet_there() -> None:
    close, wet = watched("body_margin_low", "argon-1"), watched("body_wet", "argon-2")
    elsewhere = watched("body_wet", "argon-3", "slip-bay")
    watch = Watch((close, wet, elsewhere))
    said = watch.goes_on(60, {close.id: 1.0, elsewhere.id: -1.0})
    said += watch.goes_on(120, {close.id: 1.0, elsewhere.id: -1.0, wet.id: -1.0})
    assert [(a.why, a.cause.subject) for a in said][-1] == (Why.GROWN, "argon-2")


def test_every_package_is_told_of_before_its_own_limit() -> None:
    rods = tuple(watched("package_exposure_due", f"rods-{n}", "slip-bay") for n in range(2))
    watch = Watch(rods)
    clear = {r.id: 0.0 for r in rods}
    said = watch.goes_on(10, {**clear, rods[0].id: 0.85})
    said += watch.goes_on(20, {r.id: 0.85 for r in rods})
    assert [(a.why, a.subjects) for a in said] == [(Why.RAISED, ("rods-0",)), (Why.GROWN, ("rods-1",))]
    assert said[1].time_s - said[0].time_s <= RULES.again_s["exposure"][Priority.MEDIUM] + 60.0


def test_more_that_was_answered_on_the_page_meanwhile_is_not_told() -> None:
    bodies = tuple(watched("body_wet", f"argon-{n}") for n in range(2))
    watch = Watch(bodies)
    watch.goes_on(10, {bodies[0].id: -1.0})
    watch.goes_on(20, {b.id: -1.0 for b in bodies})
    watch.acknowledges(bodies[1].id)
    assert watch.goes_on(24 * 60, {b.id: -1.0 for b in bodies}) == []


def test_a_shelved_alarm_is_no_all_clear() -> None:
    wet = watched("body_wet")
    watch = Watch((wet,))
    watch.goes_on(10, {wet.id: -1.0})
    now_s = watch.book.now_s
    command = Command(CommandKind.SHELVE, wet.id, ANN, "being dried", now_s + 7200.0)
    watch.book, moved = operate(watch.book, command, now_s)
    watch.settle(moved)
    assert watch.goes_on(60, {wet.id: -1.0}) == []


def test_a_body_that_goes_from_close_to_wet_hours_later_stays_one_warning() -> None:
    low, wet = watched("body_margin_low"), watched("body_wet")
    watch = Watch((low, wet))
    watch.goes_on(6 * 60, {low.id: 2.0, wet.id: 2.0})
    said = watch.goes_on(30, {low.id: -1.0, wet.id: -1.0})
    assert [a.why for a in said] == [Why.WORSENED]
    assert len(watch.groups.groups) == 1


def test_different_causes_and_different_sites_are_different_warnings() -> None:
    damp = watched("body_margin_low")
    rods = watched("package_exposure_over", "rods-7", "slip-bay")
    watch = Watch((damp, rods))
    said = watch.goes_on(12, {damp.id: 2.0, rods.id: 1.2})
    assert {a.family for a in said if a.why is Why.RAISED} == {"damp_air", "exposure"}


def test_when_the_broker_is_away_its_consequences_do_not_ring_beside_it() -> None:
    broker = watched("broker_away", "service", "")
    sensors = tuple(watched("sensor_health", f"bay-{n}", "slip-bay") for n in range(16))
    blind = tuple(replace(broker, id=f"zone_unwatched.{z}", subject=z, zone=z) for z in ZONES)
    watch = Watch((broker, *sensors, *blind))
    every = {c.id: 1.0 for c in watch.conditions}
    watch.goes_on(10, dict.fromkeys(every, 0.0))
    said = watch.goes_on(120, every)
    rings = [a for a in said if a.priority is not Priority.LOW]
    assert [a.cause.condition_id for a in rings] == [broker.id]
    for_the_page = [a for a in said if a.priority is Priority.LOW]
    assert [len(a.subjects) for a in for_the_page] == [16]


def test_all_clear_is_said_once_and_the_next_time_is_a_new_warning() -> None:
    low = watched()
    watch = Watch((low,))
    first = watch.goes_on(20, {low.id: 2.0})
    cleared = watch.goes_on(30, {})
    again = watch.goes_on(20, {low.id: 2.0})
    assert [a.why for a in first + cleared + again] == [Why.RAISED, Why.CLEARED, Why.RAISED]
    assert cleared[0].priority is Priority.LOW
    assert len({a.key for a in watch.said}) == 3


def test_what_is_answered_before_it_is_told_is_not_told() -> None:
    low = watched()
    watch = Watch((low,))
    watch.goes_on(6, {low.id: 2.0})
    assert watch.book.alarms[low.id].state is AlarmState.UNACKNOWLEDGED
    watch.acknowledges(low.id)
    assert watch.goes_on(60, {low.id: 2.0}) == []
    assert watch.goes_on(60, {}) == []


def test_a_newcomer_is_told_if_nobody_was_told_of_the_warning_before() -> None:
    low, other = watched(), watched(subject="argon-4")
    watch = Watch((low, other))
    watch.goes_on(6, {low.id: 2.0})
    watch.acknowledges(low.id)
    said = watch.goes_on(20, {low.id: 2.0, other.id: 2.0})
    assert [a.why for a in said] == [Why.RAISED]


def test_off_the_shelf_and_still_wet_is_told_anew() -> None:
    wet = watched("body_wet")
    watch = Watch((wet,))
    watch.goes_on(10, {wet.id: -1.0})
    now_s = watch.book.now_s
    watch.book, moved = operate(
        watch.book, Command(CommandKind.SHELVE, wet.id, ANN, "being dried", now_s + 3600.0), now_s
    )
    watch.settle(moved)
    said = watch.goes_on(90, {wet.id: -1.0})
    assert Why.RAISED in [a.why for a in said]
    assert len({a.key for a in watch.said}) == len(watch.said)


def test_an_answer_to_a_warning_covers_what_was_told_and_not_what_has_joined_since() -> None:
    bodies = tuple(watched("body_wet", f"argon-{n}", ZONES[n % 4]) for n in range(8))
    watch = Watch(bodies)
    first = watch.goes_on(20, {bodies[0].id: -1.0})
    said = watch.goes_on(6, {b.id: -1.0 for b in bodies[:4]})  # three more, told at once: nothing came lately
    assert len(said) == 1
    assert watch.goes_on(6, {b.id: -1.0 for b in bodies}) == []  # the rest is wet and waits to be told
    assert len(watch.acknowledges(first[0].group_id)) == 4
    more = watch.goes_on(60, {b.id: -1.0 for b in bodies})
    assert [len(a.news) for a in more] == [4]
    assert len(watch.acknowledges(first[0].group_id)) == 4


def test_what_was_told_of_and_comes_again_is_not_answered_by_a_tap_on_the_earlier_message() -> None:
    wet, other = watched("body_wet"), watched("body_wet", "argon-4")
    watch = Watch((wet, other))
    first = watch.goes_on(10, {wet.id: -1.0, other.id: -1.0})
    watch.acknowledges(first[0].group_id)
    watch.goes_on(40, {other.id: -1.0})  # one is dry
    watch.goes_on(6, {wet.id: -1.0, other.id: -1.0})  # and wet again
    with pytest.raises(CommandRefusedError, match="already acknowledged"):
        watch.acknowledges(first[0].group_id)
    again = watch.goes_on(60, {wet.id: -1.0, other.id: -1.0})
    assert [a.subjects for a in again] == [("argon-3",)]


def test_a_cold_oven_that_is_warm_again_before_it_was_told_of_is_told_all_the_same() -> None:
    """It is latched: what lay in it has to be judged."""
    ovens = tuple(
        watched("storage_below_minimum", f"oven-{n}", f"oven-{n}", on_delay_s=0.0) for n in range(2)
    )
    watch = Watch(ovens)
    hot = {o.id: 130.0 for o in ovens}
    watch.goes_on(2, {**hot, ovens[0].id: 100.0})
    watch.goes_on(20, hot)
    watch.goes_on(1, {**hot, ovens[1].id: 100.0})
    watch.goes_on(40, hot)
    assert {m.subject for a in watch.said if a.why is not Why.CLEARED for m in a.news} == {"oven-0", "oven-1"}


def test_one_tap_answers_the_whole_warning() -> None:
    watch = Watch(BODIES)
    watch.goes_on(12, {body.id: 2.0 for body in BODIES})
    name = watch.said[0].group_id
    assert name.startswith(GROUP_SIGN)
    assert len(watch.acknowledges(name)) == 40
    with pytest.raises(CommandRefusedError, match="already acknowledged by ann"):
        watch.acknowledges(name)
    watch.goes_on(60, {})
    with pytest.raises(CommandRefusedError, match="this warning is over"):
        watch.acknowledges(name)


profiles = st.lists(
    st.tuples(st.integers(1, 90), st.lists(st.integers(0, 5), max_size=6, unique=True)),
    min_size=1,
    max_size=12,
)


@settings(max_examples=40, deadline=None)
@given(profiles)
def test_no_alarm_goes_unsaid_and_no_key_is_used_twice(rows: list[tuple[int, list[int]]]) -> None:
    """Whatever comes and goes: whoever stands unanswered is part of a warning that was told or is due."""
    mixed = (*BODIES[:3], *(watched("body_wet", f"argon-{n}", ZONES[n]) for n in range(3)))
    watch = Watch(mixed)
    for minutes, bad in rows:
        watch.goes_on(minutes, {mixed[n].id: -1.0 for n in bad})
        for name, alarm in watch.book.alarms.items():
            if alarm.state is not AlarmState.UNACKNOWLEDGED:
                continue
            (home,) = [g for g in watch.groups.groups.values() if name in {m.condition_id for m in g.joined}]
            waiting = home.pending.news if home.pending is not None else ()
            assert name in {m.condition_id for m in home.told} | set(waiting)
    keys = [a.key for a in watch.said]
    assert len(set(keys)) == len(keys)
