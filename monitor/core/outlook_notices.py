"""Says what is foreseen of the coming shifts on a phone: which spell, why, and what to do first."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

from monitor.alarms.grouping import Announcement, Why
from monitor.alarms.outlook_words import say_ahead, say_called_off
from monitor.alarms.states import Transition
from monitor.alarms.wording import Wording
from monitor.core.humid_spells import spells
from monitor.core.state import CoreState
from monitor.model.notification import Notification
from monitor.model.picture import ActionNow, ShiftNow
from monitor.outlook.telling import Telling

NEVER = 2.0  # above any probability


def foretold(
    note: Notification, announcement: Announcement, state: CoreState, telling: Telling, wording: Wording
) -> Notification:
    """The message with the spell it is about, its reason and its first action."""
    shifts = _about(announcement.news, state.shifts)
    if not shifts:
        return note
    if announcement.why is Why.CLEARED:
        said = say_called_off(shifts, wording, note.created_s)
        return replace(note, title=said.title, text=said.text)
    told = frozenset(shift.id for shift in shifts)
    runs = _runs(state.shifts, told, telling)
    first = {shift.id for shift in runs[0]}
    actions = sorted((a for a in state.actions if a.shift in told and not a.done), key=lambda a: a.by_s)
    said = say_ahead(
        runs[0],
        [action for action in actions if action.shift in first],
        wording,
        note.created_s,
        longer=_goes_on(announcement, runs[0], state.shifts, telling),
        also=[(run[0].start_s, run[-1].end_s) for run in runs[1:]],
    )
    todo = "\n".join(f"{wording.time(a.by_s, note.created_s)}: {_with_caution(a)}" for a in actions)
    return replace(note, title=said.title, text=said.text, action=todo or note.action)


def _about(news: Iterable[Transition], shifts: Iterable[ShiftNow]) -> list[ShiftNow]:
    named = {member.subject for member in news}
    return sorted((shift for shift in shifts if shift.id in named), key=lambda shift: shift.start_s)


def _runs(shifts: Iterable[ShiftNow], told: frozenset[str], telling: Telling) -> list[list[ShiftNow]]:
    """The spells that these shifts make, whatever their odds are by now."""
    return list(spells(tuple(shifts), NEVER, told, telling))


def _goes_on(
    announcement: Announcement, run: Sequence[ShiftNow], shifts: Iterable[ShiftNow], telling: Telling
) -> bool:
    """Whether what was told of before is the beginning of the same spell."""
    members = frozenset(member.subject for member in announcement.members)
    return any(
        run[0] in whole and whole[0].start_s < run[0].start_s for whole in _runs(shifts, members, telling)
    )


def _with_caution(action: ActionNow) -> str:
    return f"{action.text}. {action.caution}".strip() if action.caution else action.text
