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
TELLABLE = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})


class Why(StrEnum):
    """Why a warning is told (again)."""

    RAISED = "raised"
    WORSENED = "worsened"  # something of higher priority has joined
    GROWN = "grown"  # more has joined since the last telling
    RISING = "rising"  # acknowledged, and getting clearly worse
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class PendingGroup:
    """A telling that waits for its moment; `news` are the conditions it is about."""

    why: Why
    due_s: float
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
    burst_s: dict[Priority, float] = field(default_factory=dict)  # since when they have come close together
    told_worst: dict[str, float] = field(default_factory=dict)  # by kind and place, as it was last told
    told: tuple[Transition, ...] = ()  # every member that was told of
    tellings: int = 0
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
    are for the page, make warnings of their own. Every newcomer is told of: the first of its priority after
    `gather_s`, any other with the next telling, which comes the later the longer they follow one another
    (`follow_s` to `again_s`), or after `place_s` where its place was told of. Left out is only what is less
    bad of a thing that was told of and still stands. When nothing stands any more, it is over.
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
        group, told = _told(_without_the_settled(before, book.alarms), book, rules, now_s)
        announcements += told
        if standing(group, book.alarms) or _untold(group, book.alarms):
            open_groups[group.id] = group
            continue
        if group.told and not told and not group.doubtful:
            announcements.append(_announcement(group, Why.CLEARED, group.told, group.told, now_s))
        del open_groups[group.id]
    return GroupBook(open_groups), tuple(announcements)


def standing(group: Group, alarms: Mapping[str, Alarm]) -> tuple[Transition, ...]:
    """The members whose trouble holds."""
    return tuple(m for m in group.joined if _state(m, alarms) in STANDING)


def unanswered(members: Iterable[Transition], alarms: Mapping[str, Alarm]) -> tuple[Transition, ...]:
    """Those of them that still wait for somebody to acknowledge them."""
    return tuple(m for m in members if _state(m, alarms) is AlarmState.UNACKNOWLEDGED)


def about_all(announcement: Announcement, alarms: Mapping[str, Alarm]) -> Announcement:
    """The warning for somebody who has heard nothing of it: about all that nobody has answered."""
    news = unanswered(announcement.members, alarms)
    if not news or announcement.why is Why.CLEARED:
        return announcement
    cause = _cause(news)
    return replace(announcement, news=news, cause=cause, priority=cause.priority)


def answer(
    groups: GroupBook, book: AlarmBook, command: Command, now_s: float
) -> tuple[AlarmBook, tuple[Transition, ...]]:
    """`operate`, also for the id of a warning: carried out on every member told of that allows it.

    What has joined since and was not told of yet is not answered by it. Raises CommandRefusedError where no
    member allows it, with the first member's reason.
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
    told = _occurrences(group.told)
    members = [member for member in group.joined if (member.condition_id, member.occurrence) in told]
    if not members:
        raise CommandRefusedError(
            command, RefusalCode.UNKNOWN_CONDITION, "nobody was told of this warning yet", None
        )
    for member in members:
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


def _occurrences(members: Iterable[Transition]) -> set[tuple[str, int]]:
    """What was told of once and comes again later is another trouble."""
    return {(member.condition_id, member.occurrence) for member in members}


def _untold(group: Group, alarms: Mapping[str, Alarm]) -> tuple[Transition, ...]:
    """What waits to be told and has not been answered, nor gone by itself without a trace."""
    waiting = () if group.pending is None else group.pending.news
    return tuple(m for m in group.joined if m.condition_id in waiting and _state(m, alarms) in TELLABLE)


def _joins(
    open_groups: dict[str, Group], transition: Transition, book: AlarmBook, rules: Grouping, now_s: float
) -> None:
    priority = transition.priority
    group = _home(open_groups, transition)
    others = tuple(m for m in group.joined if m.condition_id != transition.condition_id)
    known = _known(group, others, transition, book) if group.family in rules.by_place else ()
    group = replace(group, joined=(*others, transition))
    if any(member.subject == transition.subject for member in known):
        told = {member.condition_id: member for member in (*group.told, transition)}
        open_groups[group.id] = replace(group, told=tuple(told.values()))
        return
    lately_s = group.told_s.get(priority)
    due_s = now_s + rules.gather_s[priority]
    if lately_s is not None:
        lasts_s = lately_s - group.burst_s.get(priority, lately_s)
        most_s = rules.again_s[group.family][priority]
        wait_s = rules.place_s[priority] if known else min(max(lasts_s, rules.follow_s[priority]), most_s)
        due_s = max(due_s, lately_s + wait_s)
    why = Why.RAISED if not group.told_s else Why.WORSENED if lately_s is None else Why.GROWN
    open_groups[group.id] = _waiting(group, why, due_s, transition.condition_id)


_WEIGHT = (Why.RAISED, Why.WORSENED, Why.GROWN, Why.RISING)


def _waiting(group: Group, why: Why, due_s: float, name: str) -> Group:
    """The group with one more to tell of; what is told together is told when the first of it is due."""
    pending = group.pending
    if pending is not None:
        why, due_s = min(why, pending.why, key=_WEIGHT.index), min(due_s, pending.due_s)
    news = () if pending is None else pending.news
    return replace(group, pending=PendingGroup(why, due_s, tuple(dict.fromkeys((*news, name)))))


def _known(
    group: Group, others: tuple[Transition, ...], newcomer: Transition, book: AlarmBook
) -> tuple[Transition, ...]:
    """What stands in the newcomer's place, was told of and is at least as urgent."""
    told = _occurrences(group.told)
    return tuple(
        member
        for member in others
        if member.zone == newcomer.zone
        and (member.condition_id, member.occurrence) in told
        and RANK[member.priority] >= RANK[newcomer.priority]
        and _state(member, book.alarms) in STANDING
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
    """Getting worse is told where it is worse than anything of its kind that was told of in its place."""
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
    told = group.told_worst.get(_spot(transition), condition.limit)
    news = condition.worse_by(transition.value, told) >= condition.rise_step
    above = any(
        RANK[m.priority] > RANK[transition.priority] and m.zone == transition.zone
        for m in standing(group, book.alarms)
    )
    if news and not above:
        last_s = max(group.told_s.values(), default=LONG_AGO_S)
        due_s = max(now_s + rules.gather_s[transition.priority], last_s + rules.rising_s)
        group = _waiting(group, Why.RISING, due_s, name)
    open_groups[group.id] = group


def _told(group: Group, book: AlarmBook, rules: Grouping, now_s: float) -> tuple[Group, list[Announcement]]:
    pending = group.pending
    if pending is None or now_s < pending.due_s:
        return group, []
    news = _untold(group, book.alarms)
    group = replace(group, pending=None)
    if not news:  # answered or over before it was told; nothing is left to say
        return group, []
    stand = tuple(m for m in group.joined if m in news or _state(m, book.alarms) in STANDING)
    about = stand if pending.why in (Why.RAISED, Why.WORSENED) else news
    announcement = _announcement(group, pending.why, about, stand, now_s)
    told_s = {p: now_s for p in Priority if RANK[p] <= RANK[announcement.priority]}
    quiet_s = rules.again_s[group.family]
    burst_s = {
        p: group.burst_s.get(p, group.told_s[p])
        if p in group.told_s and now_s - group.told_s[p] <= quiet_s[p]
        else now_s
        for p in told_s
    }
    known = {member.condition_id: member for member in (*group.told, *stand)}
    group = replace(
        group,
        told_s={**group.told_s, **told_s},
        burst_s={**group.burst_s, **burst_s},
        told_worst=_worst(group, book),
        told=tuple(known.values()),
        tellings=group.tellings + 1,
    )
    return group, [announcement]


def _spot(member: Transition) -> str:
    return f"{member.kind}.{member.zone}"


def _worst(group: Group, book: AlarmBook) -> dict[str, float]:
    """The worst value of each kind that stands now, by place."""
    worst: dict[str, float] = {}
    for member in standing(group, book.alarms):
        condition, value = book.conditions[member.condition_id], book.alarms[member.condition_id].worst
        if value is None:
            continue
        known = worst.get(_spot(member))
        if known is None or condition.worse_by(value, known) > 0.0:
            worst[_spot(member)] = value
    return worst


def _announcement(
    group: Group, why: Why, about: tuple[Transition, ...], members: tuple[Transition, ...], now_s: float
) -> Announcement:
    stamp = {Why.RAISED: "", Why.CLEARED: f".{why}"}.get(why, f".{why}.{group.tellings}")
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
