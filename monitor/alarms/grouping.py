"""Makes one warning out of a burst of related alarms: one fog bank, not forty messages."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from monitor.alarms.catalogue import RANK, Grouping, Priority
from monitor.alarms.commands import operate
from monitor.alarms.states import (
    SET_ASIDE,
    STANDING,
    Alarm,
    AlarmBook,
    AlarmState,
    Command,
    CommandRefusedError,
    RefusalCode,
    Transition,
    Trigger,
)

GROUP_SIGN = "warning:"  # begins the id of a group, so that it is never taken for a condition's
LONG_AGO_S = -1.0e18


class Why(StrEnum):
    """Why a warning is told (again)."""

    RAISED = "raised"
    WORSENED = "worsened"  # something of higher priority has joined
    GROWN = "grown"  # more has joined, and the last telling is long ago
    RISING = "rising"  # acknowledged, and getting clearly worse
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class PendingGroup:
    """A telling that waits for its moment; `news` are the conditions it is about."""

    why: Why
    due_s: float
    stamp_s: float  # the moment in the data that calls for it
    news: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """Related alarms that are one warning. `joined` holds the move by which each came, first-up first."""

    id: str
    site: str
    family: str
    joined: tuple[Transition, ...] = ()
    pending: PendingGroup | None = None
    told_s: dict[Priority, float] = field(default_factory=dict)  # last telling at this priority or above
    told_worst: dict[str, float] = field(default_factory=dict)  # by kind, as it was last told
    told: tuple[Transition, ...] = ()  # every member that was told of
    doubtful: bool = False  # a member left it by being set aside or withdrawn: no all clear then


@dataclass(frozen=True, slots=True)
class GroupBook:
    """The open groups, oldest first."""

    groups: dict[str, Group] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Announcement:
    """A warning to be told. `cause` is the member it speaks of; `key` is the same in every replay.

    `news` are the members it is about, `members` all that stand (or, where it is over, that were told of).
    """

    key: str
    why: Why
    group_id: str
    site: str
    family: str
    priority: Priority
    time_s: float
    began_s: float
    cause: Transition
    news: tuple[Transition, ...]
    members: tuple[Transition, ...]

    @property
    def subjects(self) -> tuple[str, ...]:
        """The things it is about, first-up first."""
        return tuple(dict.fromkeys(member.subject for member in self.news))

    @property
    def zones(self) -> tuple[str, ...]:
        """The zones it is about, first-up first."""
        return tuple(dict.fromkeys(member.zone for member in self.news if member.zone))


def regroup(
    groups: GroupBook, transitions: Iterable[Transition], book: AlarmBook, rules: Grouping, now_s: float
) -> tuple[GroupBook, tuple[Announcement, ...]]:
    """The groups after these moves (and by the clock), and the warnings that are due.

    Everything of one site and one family that stands at the same time is one warning; low alarms, which
    are for the page, make warnings of their own. A newcomer is told of where nothing as urgent has been
    told lately, else with the next telling; in a family that goes by place it is not told of where as
    urgent a trouble of that place was told and still stands. When nothing stands any more, it is over.
    """
    open_groups = dict(groups.groups)
    for transition in sorted(transitions, key=_first_up):
        if transition.to_state is AlarmState.UNACKNOWLEDGED:
            if transition.trigger is Trigger.RISING:
                _rises(open_groups, transition, book, rules, now_s)
            else:
                _joins(open_groups, transition, book, rules, now_s)
    announcements: list[Announcement] = []
    for before in tuple(open_groups.values()):
        group, told = _told(_without_the_settled(before, book.alarms), book, now_s)
        announcements += told
        if standing(group, book.alarms):
            open_groups[group.id] = group
            continue
        if group.told and not told and not group.doubtful:
            announcements.append(_announcement(group, Why.CLEARED, group.told, group.told, now_s, now_s))
        del open_groups[group.id]
    return GroupBook(open_groups), tuple(announcements)


def standing(group: Group, alarms: Mapping[str, Alarm]) -> tuple[Transition, ...]:
    """The members whose trouble holds."""
    return tuple(m for m in group.joined if _state(m, alarms) in STANDING)


def unanswered(groups: GroupBook, group_id: str, alarms: Mapping[str, Alarm]) -> bool:
    """Whether a warning still waits for somebody to acknowledge it."""
    group = groups.groups.get(group_id)
    return group is not None and any(
        _state(member, alarms) is AlarmState.UNACKNOWLEDGED for member in group.joined
    )


def answer(
    groups: GroupBook, book: AlarmBook, command: Command, now_s: float
) -> tuple[AlarmBook, tuple[Transition, ...]]:
    """`operate`, also for the id of a warning: the act is carried out on every member that allows it.

    Raises CommandRefusedError where no member allows it, with the first member's reason.
    """
    if not command.condition_id.startswith(GROUP_SIGN):
        return operate(book, command, now_s)
    group = groups.groups.get(command.condition_id)
    if group is None:
        raise CommandRefusedError(
            command, RefusalCode.UNKNOWN_CONDITION, "this warning is over; the page shows what stands", None
        )
    transitions: list[Transition] = []
    refusal: CommandRefusedError | None = None
    for member in group.joined:
        # the group's id names the occurrence already
        one = replace(command, condition_id=member.condition_id, began_s=None)
        try:
            book, moved = operate(book, one, now_s)
        except CommandRefusedError as error:
            refusal = refusal or error
        else:
            transitions += moved
    if not transitions and refusal is not None:
        raise refusal
    return book, tuple(transitions)


def _first_up(transition: Transition) -> tuple[float, str]:
    return (transition.cause_s, transition.condition_id)


def _state(member: Transition, alarms: Mapping[str, Alarm]) -> AlarmState | None:
    alarm = alarms.get(member.condition_id)
    return None if alarm is None else alarm.state


def _without_the_settled(group: Group, alarms: Mapping[str, Alarm]) -> Group:
    away = {None, *SET_ASIDE}
    states = [_state(member, alarms) for member in group.joined]
    joined = tuple(
        member
        for member, state in zip(group.joined, states, strict=True)
        if state is not AlarmState.NORMAL and state not in away
    )
    if len(joined) == len(group.joined):
        return group
    return replace(group, joined=joined, doubtful=group.doubtful or any(s in away for s in states))


def _joins(
    open_groups: dict[str, Group], transition: Transition, book: AlarmBook, rules: Grouping, now_s: float
) -> None:
    priority = transition.priority
    group = _home(open_groups, transition)
    others = tuple(m for m in group.joined if m.condition_id != transition.condition_id)
    covered = group.family in rules.by_place and _covered(group, others, transition, book)
    group = replace(group, joined=(*others, transition))
    if covered:
        known = {member.condition_id: member for member in (*group.told, transition)}
        open_groups[group.id] = replace(group, told=tuple(known.values()))
        return
    lately_s = group.told_s.get(priority)
    due_s = now_s + rules.gather_s[priority]
    if lately_s is not None:
        due_s = max(due_s, lately_s + rules.again_s[group.family][priority])
    why = Why.RAISED if not group.told_s else Why.WORSENED if lately_s is None else Why.GROWN
    pending = group.pending
    if pending is None or pending.why is Why.RISING:
        pending = PendingGroup(why, due_s, transition.cause_s, (transition.condition_id,))
    else:
        news = (*pending.news, transition.condition_id)
        if due_s < pending.due_s:
            pending = PendingGroup(why, due_s, transition.cause_s, news)
        else:
            pending = replace(pending, news=news)
    open_groups[group.id] = replace(group, pending=pending)


def _covered(group: Group, others: tuple[Transition, ...], newcomer: Transition, book: AlarmBook) -> bool:
    """Whether somebody who was told of the warning knows of this trouble in this place already."""
    told = {member.condition_id for member in group.told}
    return any(
        member.zone == newcomer.zone
        and member.condition_id in told
        and RANK[member.priority] >= RANK[newcomer.priority]
        and _state(member, book.alarms) in STANDING
        for member in others
    )


def _home(open_groups: Mapping[str, Group], transition: Transition) -> Group:
    """The open warning a newcomer belongs to, or a new one."""
    place = "page" if transition.priority is Priority.LOW else "phone"
    prefix = f"{GROUP_SIGN}{transition.site}.{transition.family}.{place}@"
    for name, group in open_groups.items():
        if name.startswith(prefix):
            return group
    return Group(f"{prefix}{round(transition.cause_s * 1000)}", transition.site, transition.family)


def _rises(
    open_groups: dict[str, Group],
    transition: Transition,
    book: AlarmBook,
    rules: Grouping,
    now_s: float,
) -> None:
    """Getting worse is told where it is worse than anything of its kind that was told before."""
    name = transition.condition_id
    group = next((g for g in open_groups.values() if any(m.condition_id == name for m in g.joined)), None)
    if group is None or transition.value is None:
        return
    joined = tuple(
        replace(m, value=transition.value, numbers=transition.numbers) if m.condition_id == name else m
        for m in group.joined
    )
    group = replace(group, joined=joined)
    condition = book.conditions[name]
    told = group.told_worst.get(condition.kind, condition.limit)
    news = condition.worse_by(transition.value, told) >= condition.rise_step
    above = any(RANK[m.priority] > RANK[transition.priority] for m in standing(group, book.alarms))
    if news and not above and group.pending is None:
        last_s = max(group.told_s.values(), default=LONG_AGO_S)
        due_s = max(now_s + rules.gather_s[transition.priority], last_s + rules.rising_s)
        group = replace(group, pending=PendingGroup(Why.RISING, due_s, transition.cause_s, (name,)))
    open_groups[group.id] = group


def _told(group: Group, book: AlarmBook, now_s: float) -> tuple[Group, list[Announcement]]:
    pending = group.pending
    if pending is None or now_s < pending.due_s:
        return group, []
    group = replace(group, pending=None)
    news = tuple(
        m
        for m in group.joined
        if m.condition_id in pending.news and _state(m, book.alarms) is AlarmState.UNACKNOWLEDGED
    )
    if not news:  # answered or over before it was told; nothing is left to say
        return group, []
    members = standing(group, book.alarms)
    about = members if pending.why in (Why.RAISED, Why.WORSENED) else news
    announcement = _announcement(group, pending.why, about, members, pending.stamp_s, now_s)
    told_s = {p: now_s for p in Priority if RANK[p] <= RANK[announcement.priority]}
    known = {member.condition_id: member for member in (*group.told, *members)}
    group = replace(
        group,
        told_s={**group.told_s, **told_s},
        told_worst=_worst(group, book),
        told=tuple(known.values()),
    )
    return group, [announcement]


def _worst(group: Group, book: AlarmBook) -> dict[str, float]:
    """The worst value of each kind that stands now."""
    worst: dict[str, float] = {}
    for member in standing(group, book.alarms):
        condition, value = book.conditions[member.condition_id], book.alarms[member.condition_id].worst
        if value is None:
            continue
        known = worst.get(condition.kind)
        if known is None or condition.worse_by(value, known) > 0.0:
            worst[condition.kind] = value
    return worst


def _announcement(
    group: Group,
    why: Why,
    about: tuple[Transition, ...],
    members: tuple[Transition, ...],
    stamp_s: float,
    now_s: float,
) -> Announcement:
    stamp = {Why.RAISED: "", Why.CLEARED: f".{why}"}.get(why, f".{why}@{round(stamp_s * 1000)}")
    cause = _cause(about)
    return Announcement(
        key=f"{group.id}{stamp}",
        why=why,
        group_id=group.id,
        site=group.site,
        family=group.family,
        priority=Priority.LOW if why is Why.CLEARED else cause.priority,
        time_s=now_s,
        began_s=min(m.cause_s if m.began_s is None else m.began_s for m in about),
        cause=cause,
        news=tuple(sorted(about, key=_first_up)),
        members=tuple(sorted(members, key=_first_up)),
    )


def _cause(about: tuple[Transition, ...]) -> Transition:
    """The member to speak of: what concerns the whole site, else the most urgent, else first-up."""
    site_wide = tuple(member for member in about if not member.zone)
    return min(site_wide or about, key=lambda m: (-RANK[m.priority], *_first_up(m)))
