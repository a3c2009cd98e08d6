"""What follows from the moves of alarms: their record, and the messages to the people who are to be told."""

from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict

from monitor.alarms.escalation import Notice, NoticeTo, due_deliveries
from monitor.alarms.grouping import Announcement, Why, regroup
from monitor.alarms.messages import compose_for, named
from monitor.alarms.roster import Roster
from monitor.alarms.states import SET_ASIDE, AlarmState, Transition
from monitor.core.names import wording_of
from monitor.core.outlook_notices import foretold
from monitor.core.shop import Shop
from monitor.core.state import NOTHING, CoreState, Effects, replace
from monitor.model.event import EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.outlook.shifts import upcoming

_OVER = frozenset({AlarmState.NORMAL, AlarmState.RETURNED, *SET_ASIDE})
NO_CHANNEL = "no channel is named for this person in the settings"


def settle(
    shop: Shop, state: CoreState, transitions: tuple[Transition, ...], now_s: float
) -> tuple[CoreState, Effects]:
    """The record of every move, and the messages that are due."""
    if not (transitions or state.groups.groups or state.courses.courses):
        return state, NOTHING
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
    posted, unsent = _posted(shop, state, deliveries, now_s)
    return replace(state, groups=groups, courses=courses), Effects(events=(*events, *unsent), outbox=posted)


def _roster(shop: Shop, state: CoreState, announcements: Iterable[Announcement], now_s: float) -> Roster:
    """Who is told now; shifts are looked up only where somebody may have to be told."""
    waiting = any(not course.answered for course in state.courses.courses.values())
    if not shop.roster.by_shift or not (waiting or announcements):
        return shop.roster
    return shop.roster.with_duties(upcoming(shop.shifts, now_s, 1.0))


def is_over(state: CoreState, note: Notification) -> bool:
    """Whether nothing that a warning was about stands any more, nor waits to be judged by somebody.

    Only a message from before the last tick is asked about: a fresher one may be known here before the state
    that it was made with.
    """
    if note.data.get("why") == Why.CLEARED or note.created_s >= state.time_s:
        return False
    about = note.data.get("conditions")
    if not isinstance(about, list) or not about:
        return False
    alarms = (state.book.alarms.get(str(name)) for name in about)
    return all(alarm is None or alarm.state in _OVER for alarm in alarms)


def _posted(
    shop: Shop, state: CoreState, deliveries: Iterable[NoticeTo], now_s: float
) -> tuple[tuple[tuple[str, Notification], ...], list[NewEvent]]:
    """The messages, and a line of the record for everybody whose turn came and who is sent none.

    On a channel that several people share each is named; who is told the same at once is told it together.
    """
    sharing = Counter(channel for channels in shop.channels.values() for channel in channels)
    posted: list[tuple[str, Notification]] = []
    together: dict[tuple[str, str], list[NoticeTo]] = {}
    unsent: list[NewEvent] = []
    for delivery in deliveries:
        channels = shop.channels.get(delivery.person, ())
        if delivery.why_not or not channels:
            unsent.append(_unsent(shop, delivery, delivery.why_not or NO_CHANNEL, now_s))
            continue
        for channel in channels:
            if sharing[channel] > 1:
                together.setdefault((channel, delivery.message), []).append(delivery)
            else:
                note = replace(_composed(shop, state, delivery), key=delivery.message)
                who = shop.roster.name(delivery.person)
                posted.append((channel, replace(note, data={**note.data, "person": who})))
    for (channel, message), alike in together.items():
        note = replace(_composed(shop, state, alike[0]), key=f"{message}>{'+'.join(d.person for d in alike)}")
        people = [shop.roster.name(delivery.person) for delivery in alike]
        site = alike[0].announcement.site
        posted.append((channel, named(note, people, wording_of(shop, state, site))))
    return tuple(posted), unsent


def _composed(shop: Shop, state: CoreState, delivery: NoticeTo) -> Notification:
    wording = wording_of(shop, state, delivery.announcement.site)
    note = compose_for(delivery, wording)
    if delivery.announcement.family == "outlook" and delivery.telling is not Notice.ANSWERED:
        note = foretold(note, delivery.announcement, state, shop.telling, wording)
    return note


def _unsent(shop: Shop, delivery: NoticeTo, why: str, now_s: float) -> NewEvent:
    """The line of the record for a turn that came without a message."""
    body: dict[str, object] = {
        "channel": "",
        "key": delivery.message,
        "state": "not_sent",
        "attempts": 0,
        "priority": str(delivery.announcement.priority),
        "telling": str(delivery.telling),
        "person": shop.roster.name(delivery.person),
    }
    key = f"delivery/not_sent/{delivery.key}/{delivery.telling}"
    return NewEvent(EventKind.DELIVERY, delivery.announcement.group_id, now_s, "dryshift", body, why, key)
