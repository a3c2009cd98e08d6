"""Makes one warning out of a burst of related alarms: one fog bank, not forty messages."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from monitor.alarms.catalogue import RANK, Grouping, Priority
from monitor.alarms.commands import operate
from monitor.alarms.states import (
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


class Why(StrEnum):
    """Why a warning is told (again)."""

    RAISED = "raised"
    WORSENED = "worsened"  # something of higher priority has joined
    RISING = "rising"  # acknowledged, and getting clearly worse
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Group:
    """Related alarms that are one warning. `joined` holds the move by which each came, first-up first."""

    id: str
    site: str
    family: str
    opened_s: float
    last_joined_s: float
    priority: Priority
    joined: tuple[Transition, ...]
    pending: Why | None = None
    pending_stamp_s: float = 0.0  # the moment in the data that calls for telling
    pending_condition: str = ""  # the one that rises
    due_s: float | None = None
    told_priority: Priority | None = None  # None: nobody has been told yet
    told_s: float | None = None


@dataclass(frozen=True, slots=True)
class GroupBook:
    """The open groups, oldest first."""

    groups: dict[str, Group] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Announcement:
    """A warning to be told. `cause` is the member it speaks of; `key` is the same in every replay."""

    key: str
    why: Why
    group_id: str
    site: str
    family: str
    priority: Priority
    time_s: float
    began_s: float
    cause: Transition
    members: tuple[Transition, ...]

    @property
    def subjects(self) -> tuple[str, ...]:
        """The things concerned, first-up first."""
        return tuple(dict.fromkeys(member.subject for member in self.members))

    @property
    def zones(self) -> tuple[str, ...]:
        """The zones concerned, first-up first."""
        return tuple(dict.fromkeys(member.zone for member in self.members if member.zone))


def regroup(
    groups: GroupBook, transitions: Iterable[Transition], book: AlarmBook, rules: Grouping, now_s: float
) -> tuple[GroupBook, tuple[Announcement, ...]]:
    """The groups after these moves (and by the clock), and the warnings that are due.

    A newcomer joins the open warning of its site and cause if it comes soon after the last one or is
    part of something already in it, and is told of only where it raises the warning's priority.
    """
    open_groups = dict(groups.groups)
    for transition in sorted(transitions, key=_first_up):
        if transition.to_state is not AlarmState.UNACKNOWLEDGED:
            continue
        if transition.trigger is Trigger.RISING:
            _mark_rising(open_groups, transition, rules, now_s)
        else:
            _join(open_groups, transition, book, rules, now_s)
    announcements: list[Announcement] = []
    for before in tuple(open_groups.values()):
        group, told = _told(before, book, now_s)
        announcements += told
        if _over(group, book.alarms):
            if group.told_priority is not None and not told:
                announcements.append(_announcement(group, Why.CLEARED, now_s))
            del open_groups[group.id]
        else:
            open_groups[group.id] = group
    return GroupBook(open_groups), tuple(announcements)


def _first_up(transition: Transition) -> tuple[float, str]:
    return (transition.cause_s, transition.condition_id)


def _join(
    open_groups: dict[str, Group], transition: Transition, book: AlarmBook, rules: Grouping, now_s: float
) -> None:
    priority = transition.priority
    group = _home(open_groups.values(), transition, book, rules, now_s)
    if group is None:
        group = _new_group(open_groups, transition, now_s)
    rises = RANK[priority] > RANK[group.priority]
    untold = group.told_priority is None and group.pending is None
    group = replace(
        group,
        last_joined_s=now_s,
        priority=priority if rises else group.priority,
        joined=(*(m for m in group.joined if m.condition_id != transition.condition_id), transition),
    )
    if untold or rises:
        due_s = now_s + rules.gather_s[group.priority]
        group = replace(
            group,
            pending=Why.RAISED if group.told_priority is None else Why.WORSENED,
            pending_stamp_s=transition.cause_s,
            due_s=due_s if group.due_s is None else min(due_s, group.due_s),
        )
    open_groups[group.id] = group


def _new_group(open_groups: Mapping[str, Group], transition: Transition, now_s: float) -> Group:
    name = f"{GROUP_SIGN}{transition.site}.{transition.family}@{round(transition.cause_s * 1000)}"
    if name in open_groups:  # the same moment, but that warning takes no more newcomers
        name = f"{name}.{transition.condition_id}"
    return Group(name, transition.site, transition.family, now_s, now_s, transition.priority, ())


def _home(
    candidates: Iterable[Group], transition: Transition, book: AlarmBook, rules: Grouping, now_s: float
) -> Group | None:
    """The open group a newcomer belongs to: the newest that still takes it."""
    related = [g for g in candidates if (g.site, g.family) == (transition.site, transition.family)]
    for group in reversed(related):
        soon = now_s - group.last_joined_s <= rules.join_s and now_s - group.opened_s <= rules.longest_s
        if soon or _concerns(group, transition.subject, book.alarms):
            return group
    return None


def _concerns(group: Group, subject: str, alarms: Mapping[str, Alarm]) -> bool:
    """Whether the group holds a standing alarm of the same thing."""
    return any(member.subject == subject and _stands(member, alarms) for member in group.joined)


def _mark_rising(
    open_groups: dict[str, Group], transition: Transition, rules: Grouping, now_s: float
) -> None:
    name = transition.condition_id
    holding = [g for g in open_groups.values() if any(m.condition_id == name for m in g.joined)]
    if not holding:
        return
    group = holding[-1]
    joined = tuple(
        replace(m, value=transition.value, numbers=transition.numbers) if m.condition_id == name else m
        for m in group.joined
    )
    group = replace(group, joined=joined)
    if group.pending is None:
        due_s = now_s + rules.gather_s[group.priority]
        if group.told_s is not None:
            due_s = max(due_s, group.told_s + rules.again_s)
        group = replace(
            group,
            pending=Why.RISING,
            pending_stamp_s=transition.cause_s,
            pending_condition=name,
            due_s=due_s,
        )
    open_groups[group.id] = group


def _told(group: Group, book: AlarmBook, now_s: float) -> tuple[Group, list[Announcement]]:
    if group.pending is None or group.due_s is None or now_s < group.due_s:
        return group, []
    if not _unanswered(group, book.alarms):
        # somebody answered before anybody was told; nothing is left to say
        return replace(group, pending=None, due_s=None), []
    announcement = _announcement(group, group.pending, now_s)
    told = replace(group, pending=None, due_s=None, told_priority=group.priority, told_s=now_s)
    return told, [announcement]


def _announcement(group: Group, why: Why, now_s: float) -> Announcement:
    stamp = {Why.RAISED: "", Why.CLEARED: ".cleared"}.get(
        why, f".{why}@{round(group.pending_stamp_s * 1000)}"
    )
    return Announcement(
        key=f"{group.id}{stamp}",
        why=why,
        group_id=group.id,
        site=group.site,
        family=group.family,
        priority=Priority.LOW if why is Why.CLEARED else group.priority,
        time_s=now_s,
        began_s=min(member.cause_s if member.began_s is None else member.began_s for member in group.joined),
        cause=_cause(group, why),
        members=group.joined,
    )


def _cause(group: Group, why: Why) -> Transition:
    """The member to speak of: what rises; else what concerns the whole site, is most urgent, came first."""
    if why is Why.RISING:
        return next(m for m in group.joined if m.condition_id == group.pending_condition)
    site_wide = [member for member in group.joined if not member.zone]
    members = site_wide or group.joined
    return min(members, key=lambda m: (-RANK[m.priority], *_first_up(m)))


def _stands(member: Transition, alarms: Mapping[str, Alarm]) -> bool:
    alarm = alarms.get(member.condition_id)
    return alarm is not None and alarm.state in STANDING


def _over(group: Group, alarms: Mapping[str, Alarm]) -> bool:
    return not any(_stands(member, alarms) for member in group.joined)


def _unanswered(group: Group, alarms: Mapping[str, Alarm]) -> bool:
    return any(
        member.condition_id in alarms and alarms[member.condition_id].state is AlarmState.UNACKNOWLEDGED
        for member in group.joined
    )


def unanswered(groups: GroupBook, group_id: str, alarms: Mapping[str, Alarm]) -> bool:
    """Whether a warning still waits for somebody to acknowledge it."""
    group = groups.groups.get(group_id)
    return group is not None and _unanswered(group, alarms)


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
