"""Decides who is told of a warning and when: in order, up again while nobody answers, quiet hours kept."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from monitor.alarms.catalogue import RANK, Priority
from monitor.alarms.grouping import Announcement, GroupBook, Why, about_all, unanswered
from monitor.alarms.roster import Roster
from monitor.alarms.states import Alarm

ROUNDS = 3  # how often a high warning that nobody answers goes round
QUIET = "quiet hours: not sent"
HELD = "quiet hours: told at their end unless it is answered or over by then; the next is told at once"


class Notice(StrEnum):
    """Why somebody is told now."""

    FIRST = "first"
    ESCALATED = "escalated"  # nobody before has answered
    AGAIN = "again"  # has become worse
    AFTER_QUIET = "after_quiet"
    CLEARED = "cleared"
    ANSWERED = "answered"  # somebody else has answered


@dataclass(frozen=True, slots=True)
class NoticeTo:
    """One person to be told one thing; `who` is the one who answered.

    `message` is the same for everybody who is told the same. With `why_not` the turn came and nothing is
    sent: the record says so.
    """

    message: str
    person: str
    telling: Notice
    announcement: Announcement
    who: str = ""
    why_not: str = ""

    @property
    def key(self) -> str:
        """One key for each person told."""
        return f"{self.message}>{self.person}"


@dataclass(frozen=True, slots=True)
class Course:
    """How far a warning has gone up. `held` says whose quiet hours keep it until when.

    `knew` are those who were told of it before it was answered and more came.
    """

    announcement: Announcement
    next_s: float
    round: int = 0
    asked: tuple[str, ...] = ()  # whose turn it has been in this round
    told: tuple[str, ...] = ()  # who knows
    held: dict[str, float] = field(default_factory=dict)
    answered: bool = False
    knew: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class EscalationBook:
    """The course of every open warning, by group."""

    courses: dict[str, Course] = field(default_factory=dict)


def due_deliveries(
    book: EscalationBook,
    announcements: Iterable[Announcement],
    groups: GroupBook,
    alarms: Mapping[str, Alarm],
    roster: Roster,
    now_s: float,
) -> tuple[EscalationBook, tuple[NoticeTo, ...]]:
    """Who is to be told now, of new warnings and of those that nobody has answered yet.

    A turn that comes and is passed over is in it too, with the reason. A high warning breaks quiet hours; any
    other waits for their end and goes on to the next person at once. A site without an on-call list tells
    nobody here.
    """
    courses = dict(book.courses)
    deliveries: list[NoticeTo] = []
    for announcement in announcements:
        if announcement.site in roster.on_call:
            _begin(courses, announcement, alarms, roster, now_s, deliveries)
    for name, course in tuple(courses.items()):
        if name not in groups.groups:
            del courses[name]
        elif course.answered:
            continue
        elif unanswered(course.announcement.members, alarms):
            courses[name] = _go_up(course, roster, now_s, deliveries)
        else:
            courses[name] = _settled(course, alarms, roster, now_s, deliveries)
    return EscalationBook(courses), tuple(_as_of(delivery, alarms, now_s) for delivery in deliveries)


def _as_of(delivery: NoticeTo, alarms: Mapping[str, Alarm], now_s: float) -> NoticeTo:
    """The delivery with what is known now: the first telling may be hours ago."""
    announcement = delivery.announcement
    cause = announcement.cause
    alarm = alarms.get(cause.condition_id)
    if alarm is not None and alarm.value is not None:
        cause = replace(cause, value=alarm.value, numbers=alarm.numbers, time_s=now_s)
    return replace(delivery, announcement=replace(announcement, cause=cause, time_s=now_s))


def nobody_answers(book: EscalationBook) -> tuple[str, ...]:
    """Warnings that have gone all the way round without an answer."""
    return tuple(
        name for name, course in book.courses.items() if course.round >= ROUNDS and not course.answered
    )


def _begin(
    courses: dict[str, Course],
    announcement: Announcement,
    alarms: Mapping[str, Alarm],
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
) -> None:
    name = announcement.group_id
    course = courses.get(name)
    if announcement.why is Why.CLEARED:
        for person in _all_told(course):
            _tell_unless_quiet(announcement, person, Notice.CLEARED, roster, now_s, deliveries)
        courses.pop(name, None)
    elif RANK[announcement.priority] < RANK[roster.tell_from]:
        return
    elif course is None or (announcement.why is Why.GROWN and course.answered):
        # others may be on duty by now: what has come since the answer starts from the beginning
        courses[name] = Course(announcement, now_s, knew=_all_told(course))
    else:
        courses[name] = _again(course, announcement, alarms, roster, now_s, deliveries)


def _all_told(course: Course | None) -> tuple[str, ...]:
    return () if course is None else tuple(dict.fromkeys((*course.knew, *course.told)))


def _again(
    course: Course,
    announcement: Announcement,
    alarms: Mapping[str, Alarm],
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
) -> Course:
    """Everybody who knows hears of it; who comes next hears of all that nobody has answered.

    What is worse goes up anew, and what rises goes one further at once; more of the same goes on where it
    was, or it would never come to the last of them.
    """
    again = replace(course, announcement=announcement, answered=False)
    if announcement.why is not Why.GROWN:
        waits = course.told and announcement.why is not Why.RISING
        wait_s = roster.on_call[announcement.site].escalate_after_s if waits else 0.0
        again = replace(again, round=0, held={}, asked=course.told, next_s=now_s + wait_s)
    for person in course.told:
        again = _tell(again, person, Notice.AGAIN, roster, now_s, deliveries)
    return replace(again, announcement=about_all(announcement, alarms))


def _go_up(course: Course, roster: Roster, now_s: float, deliveries: list[NoticeTo]) -> Course:
    for person, until_s in sorted(course.held.items()):
        if now_s >= until_s:
            held = {name: end_s for name, end_s in course.held.items() if name != person}
            course = replace(course, held=held)
            course = _tell(course, person, Notice.AFTER_QUIET, roster, now_s, deliveries)
    site = course.announcement.site
    steps = roster.steps(site, now_s)
    high = course.announcement.priority is Priority.HIGH
    while now_s >= course.next_s and course.round < ROUNDS:
        person = next((name for name in steps if name not in course.asked), "")
        if not person:
            if not high or not steps:
                break
            course = replace(course, asked=(), round=course.round + 1)
            continue
        telling = Notice.ESCALATED if course.told else Notice.FIRST
        course = _tell(course, person, telling, roster, now_s, deliveries)
        reached = not deliveries[-1].why_not
        wait_s = roster.on_call[site].escalate_after_s if reached else 0.0
        course = replace(course, asked=(*course.asked, person), next_s=now_s + wait_s)
    return course


def _settled(
    course: Course, alarms: Mapping[str, Alarm], roster: Roster, now_s: float, deliveries: list[NoticeTo]
) -> Course:
    members = (alarms.get(member.condition_id) for member in course.announcement.members)
    answerers = [a.who for a in members if a is not None and a.who]
    who = answerers[-1] if answerers else ""
    if who:
        for person in course.told:
            if who not in (person, roster.name(person)):
                _tell_unless_quiet(
                    course.announcement, person, Notice.ANSWERED, roster, now_s, deliveries, who=who
                )
    return replace(course, answered=True, held={})


def _tell_unless_quiet(
    announcement: Announcement,
    person: str,
    telling: Notice,
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
    *,
    who: str = "",
) -> None:
    """Word that asks for nothing wakes nobody and is not sent later."""
    told = _delivery(announcement, person, telling, who=who)
    until_s = roster.quiet_until_s(person, announcement.site, now_s)
    deliveries.append(told if until_s is None else replace(told, why_not=QUIET))


def _tell(
    course: Course,
    person: str,
    telling: Notice,
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
) -> Course:
    until_s = None
    told = _delivery(course.announcement, person, telling, course.round)
    if course.announcement.priority is not Priority.HIGH:
        until_s = roster.quiet_until_s(person, course.announcement.site, now_s)
    if until_s is not None:
        deliveries.append(replace(told, why_not=HELD))
        return replace(course, held={**course.held, person: until_s})
    deliveries.append(told)
    return replace(course, told=tuple(dict.fromkeys((*course.told, person))))


def _delivery(
    announcement: Announcement, person: str, telling: Notice, round_: int = 0, who: str = ""
) -> NoticeTo:
    mark = ".answered" if telling is Notice.ANSWERED else f".{round_}" if round_ else ""
    return NoticeTo(f"{announcement.key}{mark}", person, telling, announcement, who)
