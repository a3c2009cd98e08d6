"""What follows from the moves of alarms: their record, and the messages to the people who are to be told."""

from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import asdict

from monitor.alarms.escalation import Notice, NoticeTo, due_deliveries
from monitor.alarms.grouping import Announcement, regroup
from monitor.alarms.messages import compose_for
from monitor.alarms.roster import Roster
from monitor.alarms.states import Transition
from monitor.core.names import wording_of
from monitor.core.outlook_notices import foretold
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Effects, replace
from monitor.model.event import EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.outlook.shifts import upcoming


def settle(
    shop: Shop, state: CoreState, transitions: tuple[Transition, ...], now_s: float
) -> tuple[CoreState, Effects]:
    """The record of every move, and the messages that are due."""
    groups, announcements = regroup(state.groups, transitions, state.book, shop.catalogue.grouping, now_s)
    courses, deliveries = due_deliveries(
        state.courses,
        announcements,
        groups,
        state.book.alarms,
        _roster(shop, state, announcements, now_s),
        now_s,
    )
    events = tuple(
        NewEvent(
            EventKind.ALARM_TRANSITION, t.condition_id, t.time_s, t.who or "dryshift", asdict(t), t.why, t.key
        )
        for t in transitions
    )
    outbox = {
        (channel, note.key): note
        for delivery in deliveries
        for channel, note in _messages(shop, state, delivery)
    }
    posted = tuple((channel, note) for (channel, _), note in outbox.items())
    return replace(state, groups=groups, courses=courses), Effects(events=events, outbox=posted)


def _roster(shop: Shop, state: CoreState, announcements: Iterable[Announcement], now_s: float) -> Roster:
    """Who is told now; shifts are looked up only where somebody may have to be told."""
    waiting = any(not course.answered for course in state.courses.courses.values())
    if not shop.roster.by_shift or not (waiting or announcements):
        return shop.roster
    return shop.roster.with_duties(upcoming(shop.shifts, now_s, 1.0))


def _messages(shop: Shop, state: CoreState, delivery: NoticeTo) -> Iterator[tuple[str, Notification]]:
    """One message a channel; a channel that several people share carries it once, and names nobody."""
    wording = wording_of(shop, state, delivery.announcement.site)
    note = replace(compose_for(delivery, wording), key=delivery.message)
    if delivery.announcement.family == "outlook" and delivery.telling is not Notice.ANSWERED:
        note = foretold(note, delivery.announcement, state, shop.telling, wording)
    sharing = Counter(channel for channels in shop.channels.values() for channel in channels)
    for channel in shop.channels.get(delivery.person, ()):
        who = shop.roster.name(delivery.person) if sharing[channel] == 1 else ""
        yield channel, replace(note, data={**note.data, "person": who})
