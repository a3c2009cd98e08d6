"""Decides who is told of a warning and when: in order, up again while nobody answers, quiet hours kept."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from monitor.alarms.catalogue import RANK, Priority
from monitor.alarms.grouping import Announcement, GroupBook, Why, unanswered
from monitor.alarms.roster import Roster
from monitor.alarms.states import Alarm

ROUNDS = 3  # how often a high warning that nobody answers goes round


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

    `message` is the same for everybody who is told the same, so that a channel that several people share
    carries it once.
    """

    message: str
    person: str
    telling: Notice
    announcement: Announcement
    who: str = ""

    @property
    def key(self) -> str:
        """One key for each person told."""
        return f"{self.message}>{self.person}"


@dataclass(frozen=True, slots=True)
class Course:
    """How far a warning has gone up. `held` says whose quiet hours keep it until when."""

    announcement: Announcement
    next_s: float
    round: int = 0
    asked: tuple[str, ...] = ()  # whose turn it has been in this round
    told: tuple[str, ...] = ()  # who knows
    held: dict[str, float] = field(default_factory=dict)
    answered: bool = False


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

    A high warning breaks quiet hours; any other waits for their end and goes on to the next person at
    once. A site without an on-call list tells nobody here.
    """
    courses = dict(book.courses)
    deliveries: list[NoticeTo] = []
    for announcement in announcements:
        if announcement.site in roster.on_call:
            _begin(courses, announcement, roster, now_s, deliveries)
    for name, course in tuple(courses.items()):
        if name not in groups.groups:
            del courses[name]
        elif course.answered:
            continue
        elif unanswered(groups, name, alarms):
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
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
) -> None:
    name = announcement.group_id
    course = courses.get(name)
    if announcement.why is Why.CLEARED:
        told = course.told if course is not None else ()
        for person in told:
            if roster.quiet_until_s(person, announcement.site, now_s) is None:
                deliveries.append(_delivery(announcement, person, Notice.CLEARED))
        courses.pop(name, None)
    elif RANK[announcement.priority] < RANK[roster.tell_from]:
        return
    elif course is None or announcement.why is Why.GROWN:
        # hours after the last telling others may be on duty: it starts from the beginning
        courses[name] = Course(announcement, now_s)
    else:
        # everybody who knows hears of it, and it goes up anew; what rises goes one further at once
        again = replace(
            course, announcement=announcement, round=0, held={}, asked=course.told, answered=False
        )
        for person in course.told:
            again = _tell(again, person, Notice.AGAIN, roster, now_s, deliveries)
        waits = course.told and announcement.why is not Why.RISING
        wait_s = roster.on_call[announcement.site].escalate_after_s if waits else 0.0
        courses[name] = replace(again, next_s=now_s + wait_s)


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
        telling, told = Notice.ESCALATED if course.told else Notice.FIRST, len(deliveries)
        course = _tell(course, person, telling, roster, now_s, deliveries)
        reached = len(deliveries) > told
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
            quiet = roster.quiet_until_s(person, course.announcement.site, now_s)
            if who not in (person, roster.name(person)) and quiet is None:
                deliveries.append(_delivery(course.announcement, person, Notice.ANSWERED, who=who))
    return replace(course, answered=True, held={})


def _tell(
    course: Course,
    person: str,
    telling: Notice,
    roster: Roster,
    now_s: float,
    deliveries: list[NoticeTo],
) -> Course:
    until_s = None
    if course.announcement.priority is not Priority.HIGH:
        until_s = roster.quiet_until_s(person, course.announcement.site, now_s)
    if until_s is not None:
        return replace(course, held={**course.held, person: until_s})
    deliveries.append(_delivery(course.announcement, person, telling, course.round))
    return replace(course, told=tuple(dict.fromkeys((*course.told, person))))


def _delivery(
    announcement: Announcement, person: str, telling: Notice, round_: int = 0, who: str = ""
) -> NoticeTo:
    mark = ".answered" if telling is Notice.ANSWERED else f".{round_}" if round_ else ""
    return NoticeTo(f"{announcement.key}{mark}", person, telling, announcement, who)
