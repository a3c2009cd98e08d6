"""Who is told of a warning, when, and who is left in peace."""

from dataclasses import dataclass, field, replace
from datetime import datetime, time
from zoneinfo import ZoneInfo

import msgspec
import pytest

from monitor.alarms.catalogue import Priority
from monitor.alarms.commands import operate
from monitor.alarms.conditions import Condition, Observation
from monitor.alarms.escalation import (
    HELD,
    QUIET,
    ROUNDS,
    EscalationBook,
    Notice,
    NoticeTo,
    due_deliveries,
    nobody_answers,
)
from monitor.alarms.grouping import GroupBook, regroup
from monitor.alarms.messages import compose_for
from monitor.alarms.roster import Duty, Roster
from monitor.alarms.states import AlarmBook, Command, CommandKind
from monitor.model.staff import OnCall, Person
from tests.alarms.shop import ANN, BEN, CLEO, START_S, advance, book_of, catalogue, watched, wording

LONDON = ZoneInfo("Europe/London")
WAIT_S = 900.0
RULES = catalogue().grouping


def roster(**changes: object) -> Roster:
    people = [
        Person(id=ANN, name="Ann"),
        Person(id=BEN, name="Ben", quiet_from=time(21), quiet_to=time(6)),
        Person(id=CLEO, name="Cleo"),
    ]
    on_call = OnCall(site="ferrymoor", steps=(ANN, BEN, CLEO), escalate_after_s=WAIT_S)
    known = Roster({"ferrymoor": on_call}, {one.id: one for one in people}, {"ferrymoor": LONDON})
    return replace(known, **changes)  # type: ignore[arg-type]


@dataclass
class Yard:
    """Runs conditions, grouping and escalation minute by minute."""

    conditions: tuple[Condition, ...]
    roster: Roster
    start_s: float = START_S
    book: AlarmBook = field(init=False)
    groups: GroupBook = field(default_factory=GroupBook)
    courses: EscalationBook = field(default_factory=EscalationBook)
    told: list[NoticeTo] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.book = book_of(*self.conditions, now_s=self.start_s)

    def goes_on(self, minutes: int, values: dict[str, float]) -> list[NoticeTo]:
        """What is delivered while these values are observed for a while."""
        before = len(self.told)
        for _ in range(minutes):
            now_s = self.book.now_s + 60.0
            seen = [Observation(name, value, now_s) for name, value in values.items()]
            self.book, moved = advance(self.book, seen, now_s)
            self.settle(moved, now_s)
        return self.told[before:]

    def settle(self, moved: tuple, now_s: float) -> None:
        self.groups, said = regroup(self.groups, moved, self.book, RULES, now_s)
        # every state comes from a checkpoint, as after a restart
        self.courses = msgspec.msgpack.decode(msgspec.msgpack.encode(self.courses), type=EscalationBook)
        self.courses, due = due_deliveries(
            self.courses, said, self.groups, self.book.alarms, self.roster, now_s
        )
        self.told += due

    def answers(self, who: str, condition: Condition) -> list[NoticeTo]:
        before = len(self.told)
        command = Command(CommandKind.ACKNOWLEDGE, condition.id, who)
        self.book, moved = operate(self.book, command, self.book.now_s)
        self.settle(moved, self.book.now_s)
        return self.told[before:]


def people(deliveries: list[NoticeTo]) -> list[tuple[str, Notice]]:
    """Who is sent what."""
    return [(d.person, d.telling) for d in deliveries if not d.why_not]


def passed_over(deliveries: list[NoticeTo]) -> list[tuple[str, Notice, str]]:
    """Whose turn came without a message, and why."""
    return [(d.person, d.telling, d.why_not) for d in deliveries if d.why_not]


LOW = watched()
WET = watched("body_wet")


def test_the_first_is_told_first_and_the_next_only_if_nobody_answers() -> None:
    yard = Yard((LOW,), roster())
    assert people(yard.goes_on(20, {LOW.id: 2.0})) == [(ANN, Notice.FIRST)]
    assert people(yard.goes_on(5, {LOW.id: 2.0})) == [(BEN, Notice.ESCALATED)]
    assert people(yard.goes_on(15, {LOW.id: 2.0})) == [(CLEO, Notice.ESCALATED)]
    assert yard.goes_on(300, {LOW.id: 2.0}) == []


def test_an_answer_ends_the_course_and_those_who_knew_are_told_who_answered() -> None:
    yard = Yard((LOW,), roster())
    yard.goes_on(26, {LOW.id: 2.0})
    answered = yard.answers(BEN, LOW)
    assert people(answered) == [(ANN, Notice.ANSWERED)]
    note = compose_for(answered[0], wording())
    assert note.text == "ben has answered: Close to sweating, Gas Cage."
    assert yard.goes_on(120, {LOW.id: 2.0}) == []


def test_a_high_warning_nobody_answers_goes_round_and_then_says_so() -> None:
    yard = Yard((WET,), roster())
    told = yard.goes_on(12 * 60, {WET.id: -1.0})
    assert [d.person for d in told] == [ANN, BEN, CLEO] * ROUNDS
    assert len({d.key for d in told}) == len(told)
    assert nobody_answers(yard.courses) == tuple(yard.courses.courses)


NIGHT_S = START_S + 12.5 * 3600.0  # 22:23 by summer time: Ben's quiet hours


def test_quiet_hours_hold_a_medium_warning_until_morning_and_the_next_is_told_at_once() -> None:
    yard = Yard((LOW,), roster(duties=(Duty("ferrymoor", BEN, NIGHT_S, NIGHT_S + 8e5),)), NIGHT_S)
    evening = yard.goes_on(12, {LOW.id: 2.0})
    assert people(evening) == [(ANN, Notice.FIRST)]
    assert passed_over(evening) == [(BEN, Notice.FIRST, HELD)]
    night = yard.goes_on(7 * 60, {LOW.id: 2.0})
    assert people(night) == [(CLEO, Notice.ESCALATED)]
    morning = [d for d in yard.goes_on(60, {LOW.id: 2.0}) if not d.why_not]
    assert people(morning) == [(BEN, Notice.AFTER_QUIET)]
    assert "since Thu 22:24" in compose_for(morning[0], wording()).text


def test_a_warning_answered_in_the_night_does_not_wake_the_sleeper_in_the_morning() -> None:
    yard = Yard((LOW,), roster(duties=(Duty("ferrymoor", BEN, NIGHT_S, NIGHT_S + 8e5),)), NIGHT_S)
    yard.goes_on(12, {LOW.id: 2.0})
    yard.answers(ANN, LOW)
    assert yard.goes_on(12 * 60, {LOW.id: 2.0}) == []


def test_a_high_warning_breaks_quiet_hours() -> None:
    yard = Yard((WET,), roster(duties=(Duty("ferrymoor", BEN, NIGHT_S, NIGHT_S + 8e5),)), NIGHT_S)
    assert people(yard.goes_on(12, {WET.id: -1.0})) == [(BEN, Notice.FIRST)]


def test_an_all_clear_that_falls_into_quiet_hours_is_a_line_of_the_record() -> None:
    yard = Yard((WET,), roster(duties=(Duty("ferrymoor", BEN, NIGHT_S, NIGHT_S + 8e5),)), NIGHT_S)
    yard.goes_on(12, {WET.id: -1.0})
    cleared = yard.goes_on(60, {WET.id: 8.0})
    assert passed_over(cleared) == [(BEN, Notice.CLEARED, QUIET)]
    assert people(cleared)[-2:] == [(ANN, Notice.CLEARED), (CLEO, Notice.CLEARED)]


STACK = watched("body_wet", "deck-plate", "slip-bay")


def test_more_elsewhere_restarts_no_course_so_that_the_last_in_line_is_reached() -> None:
    bodies = tuple(watched("body_wet", f"argon-{n}", f"zone-{n}") for n in range(12))
    yard = Yard(bodies, roster())
    told: list[NoticeTo] = []
    for minute in range(60):  # another place every five minutes, and nobody answers
        wet = {b.id: -1.0 if n * 5 <= minute else 8.0 for n, b in enumerate(bodies)}
        told += yard.goes_on(1, wet)
    firsts = {d.person: d for d in reversed(told)}
    assert firsts.keys() == {ANN, BEN, CLEO}
    began_s = told[0].announcement.time_s
    assert firsts[CLEO].announcement.time_s - began_s <= 2 * WAIT_S + 120.0
    # who hears of it for the first time hears of all that nobody has answered
    assert len(firsts[CLEO].announcement.news) >= 5


def test_an_answer_to_the_first_does_not_answer_what_comes_after_and_its_course_begins_anew() -> None:
    yard = Yard((WET, STACK), roster())
    yard.goes_on(8, {WET.id: -1.0, STACK.id: 8.0})
    yard.answers(ANN, WET)
    later = yard.goes_on(30, {WET.id: -1.0, STACK.id: -1.0})
    assert people(later) == [(ANN, Notice.FIRST), (BEN, Notice.ESCALATED)]
    assert all(d.announcement.subjects == ("deck-plate",) for d in later)
    yard.answers(BEN, STACK)
    over = yard.goes_on(120, {WET.id: 8.0, STACK.id: 8.0})
    assert people(over) == [(ANN, Notice.CLEARED), (BEN, Notice.CLEARED)]


def test_whoever_is_on_duty_is_told_first() -> None:
    duty = Duty("ferrymoor", CLEO, START_S, START_S + 3600.0)
    assert roster(duties=(duty,)).steps("ferrymoor", START_S) == (CLEO, ANN, BEN)
    assert roster(duties=(duty,)).steps("ferrymoor", START_S + 3600.0) == (ANN, BEN, CLEO)


def test_getting_wet_tells_everybody_who_knew_of_the_close_call() -> None:
    yard = Yard((LOW, WET), roster())
    yard.goes_on(26, {LOW.id: 2.0, WET.id: 2.0})
    worse = yard.goes_on(8, {LOW.id: -1.0, WET.id: -1.0})
    assert people(worse) == [(ANN, Notice.AGAIN), (BEN, Notice.AGAIN)]
    assert all(d.announcement.priority is Priority.HIGH for d in worse)


def test_answered_and_still_rising_goes_to_those_who_knew_and_one_further() -> None:
    yard = Yard((LOW,), roster())
    yard.goes_on(12, {LOW.id: 2.9})
    yard.answers(ANN, LOW)
    yard.goes_on(60, {LOW.id: 2.9})
    rising = yard.goes_on(10, {LOW.id: 1.0})
    assert people(rising) == [(ANN, Notice.AGAIN), (BEN, Notice.ESCALATED)]
    note = compose_for(rising[0], wording())
    assert note.text.startswith("Worse: Argon 3, Gas Cage: skin only 1.0 degrees above dew point")


def test_the_all_clear_goes_to_those_who_knew() -> None:
    yard = Yard((LOW,), roster())
    yard.goes_on(12, {LOW.id: 2.0})
    cleared = yard.goes_on(15, {LOW.id: 8.0})
    assert people(cleared) == [(ANN, Notice.CLEARED)]
    assert yard.courses.courses == {}


def test_low_warnings_are_left_to_the_page() -> None:
    humid = watched("zone_humidity_high", "slip-bay", "slip-bay")
    yard = Yard((humid,), roster())
    assert yard.goes_on(60, {humid.id: 0.9}) == []
    yard = Yard((humid,), roster(tell_from=Priority.LOW))
    assert people(yard.goes_on(20, {humid.id: 0.9})) == [(ANN, Notice.FIRST)]


def test_a_site_without_an_on_call_list_tells_nobody_here() -> None:
    yard = Yard((LOW,), roster(on_call={}))
    assert yard.goes_on(60, {LOW.id: 2.0}) == []


@pytest.mark.parametrize(
    ("now", "until"),
    [
        ("2025-10-09T20:30", None),
        ("2025-10-09T21:00", "2025-10-10T06:00"),
        ("2025-10-10T05:59", "2025-10-10T06:00"),
        ("2025-10-10T06:00", None),
        ("2025-10-25T23:00", "2025-10-26T06:00"),  # the night summer time ends: 25 hours long
        ("2025-10-26T02:30", "2025-10-26T06:00"),
        ("2026-03-29T00:30", "2026-03-29T06:00"),  # the night it begins
    ],
)
def test_quiet_hours_run_past_midnight_and_through_nights_of_change(now: str, until: str | None) -> None:
    now_s = datetime.fromisoformat(now).replace(tzinfo=LONDON).timestamp()
    until_s = None if until is None else datetime.fromisoformat(until).replace(tzinfo=LONDON).timestamp()
    assert roster().quiet_until_s(BEN, "ferrymoor", now_s) == until_s
