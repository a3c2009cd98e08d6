"""What follows from the moves of alarms: their record, and the messages to the people who are to be told."""

from collections.abc import Iterator
from dataclasses import asdict, replace

from monitor.alarms.grouping import Announcement, Why, regroup
from monitor.alarms.messages import compose
from monitor.alarms.states import Transition
from monitor.snapshot import ActionNow
from monitor.stages.facts import Shop
from monitor.stages.foretelling import foretold
from monitor.stages.naming import wording_of
from monitor.stages.state import CoreState, Effects
from monitor.values import EventKind, NewEvent, Notification


def settle(
    shop: Shop, state: CoreState, transitions: tuple[Transition, ...], now_s: float
) -> tuple[CoreState, Effects]:
    """The record of every move, and the messages that are due."""
    groups, announcements = regroup(state.groups, transitions, state.book, shop.catalogue.grouping, now_s)
    events = tuple(
        NewEvent(
            EventKind.ALARM_TRANSITION, t.condition_id, t.time_s, t.who or "dryshift", asdict(t), t.why, t.key
        )
        for t in transitions
    )
    outbox = tuple(pair for announcement in announcements for pair in _messages(shop, state, announcement))
    return replace(state, groups=groups), Effects(events=events, outbox=outbox)


def _messages(shop: Shop, state: CoreState, announcement: Announcement) -> Iterator[tuple[str, Notification]]:
    wording = wording_of(shop, state, announcement.site)
    note = compose(announcement, wording)
    if announcement.family == "outlook" and announcement.why is not Why.CLEARED:
        shift = next((s for s in state.shifts if s.id == announcement.cause.subject), None)
        note = foretold(note, shift, _actions_for(state, announcement.cause.subject), wording)
    for channel in shop.routes.get(announcement.site, ()):
        yield channel, note


def _actions_for(state: CoreState, shift: str) -> tuple[ActionNow, ...]:
    return tuple(action for action in state.actions if action.shift == shift)
