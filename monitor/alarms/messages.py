"""Says a warning in plain words short enough for a lock screen, in the shop's language, units and time."""

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

from monitor.alarms.catalogue import ConditionKind, Shows
from monitor.alarms.escalation import Notice, NoticeTo
from monitor.alarms.grouping import Announcement, Why
from monitor.alarms.states import AlarmState, Transition
from monitor.alarms.trend import HOUR_S
from monitor.alarms.wording import Phrases, Wording, plain
from monitor.model.notification import Notification

LONGEST = 160  # one text message in the 7-bit alphabet of 3GPP TS 23.038
_NAME_LENGTHS = (60, 32, 24, 16, 12, 8)
_LONGEST_WHO = 40
_MOST_NAMED = (4, 2, 1)  # names in a row, as long as they fit

# Message ids, besides those of the kinds.
RISING = "Worse: {text}"
CLEARED = "All clear: {text} {hint}"
CLEARED_HINT = "Feel it by hand before use: past the dew point is not yet dry."
CLEARED_TITLE = "All clear"
ANSWERED = "{who} has answered: {what}, {where}."
ANSWERED_TITLE = "Answered"
AND_OTHERS = "{names} and {n} others"
REST = "{n} more on the page."
WHOLE_SITE = "the whole site"
FOR = "For {who}: {title}"
HEADLINE = "{title}: {what}"
FRAME_TEXTS = (
    RISING,
    CLEARED,
    CLEARED_HINT,
    CLEARED_TITLE,
    ANSWERED,
    ANSWERED_TITLE,
    AND_OTHERS,
    REST,
    WHOLE_SITE,
    FOR,
    HEADLINE,
)


class Room(NamedTuple):
    """How much of a message names may take: how many in a row, and how long each."""

    named: int
    length: int


_IN_A_LIST = Room(2, 24)
_ROOMS = tuple(Room(named, length) for length in _NAME_LENGTHS for named in _MOST_NAMED)


def say(transition: Transition, wording: Wording, now_s: float) -> Phrases:
    """One alarm in words: what it is, in one sentence, and everything there is to do."""
    kind = wording.catalogue.kinds[transition.kind]
    response = wording.catalogue.responses[transition.response]
    fields = _fields(transition, kind, wording, now_s, 60)
    if transition.to_state is AlarmState.RETURNED:
        over = wording.text(kind.says_clear).format_map(fields)
        text = f"{over[:1].upper()}{over[1:]}"
    else:
        sentence = wording.text(kind.says).format_map(fields)
        text = f"{sentence} {_by(transition, kind, wording, now_s)}".strip()
    return Phrases(wording.text(kind.title), text, wording.text(response.full))


def compose(announcement: Announcement, wording: Wording) -> Notification:
    """The message of a warning: at most 160 characters that say what, where, how bad, and what to do."""
    cause = announcement.cause
    kind = wording.catalogue.kinds[cause.kind]
    cleared = announcement.why is Why.CLEARED
    return Notification(
        key=announcement.key,
        created_s=announcement.time_s,
        expires_s=announcement.time_s + kind.useful_s,
        priority=announcement.priority,
        title=plain(wording.text(CLEARED_TITLE) if cleared else _title(announcement, wording, kind)),
        text=_fitted(announcement, wording, kind),
        subject=announcement.group_id,
        zone=cause.zone,
        since_s=announcement.began_s,
        action="" if cleared else wording.text(_response(announcement, wording, kind)[1]),
        data={
            "headline": _headline(announcement, wording, kind),
            "why": announcement.why,
            "site": announcement.site,
            "conditions": [member.condition_id for member in announcement.members],
            "zones": list(announcement.zones),
            "value": cause.value,
            "limit": cause.limit,
        },
    )


def compose_for(delivery: NoticeTo, wording: Wording) -> Notification:
    """The message of one delivery to one person, under the delivery's own key."""
    if delivery.telling is Notice.ANSWERED:
        note = compose_answered(delivery.announcement, delivery.who, wording)
    else:
        note = compose(delivery.announcement, wording)
    data = {
        **note.data,
        "person": delivery.person,
        "telling": delivery.telling,
        "of": delivery.announcement.key,
        "at": wording.time(note.created_s, note.created_s),
    }
    return replace(note, key=delivery.key, data=data)


def named(note: Notification, people: Sequence[str], wording: Wording) -> Notification:
    """The message on a channel that several people share, with whom it is for in its title."""
    who = ", ".join(people)

    def addressed(words: str) -> str:
        return wording.text(FOR).format(who=who if len(who) <= _LONGEST_WHO else people[0], title=words)

    headline = addressed(str(note.data.get("headline") or note.title))
    data = {**note.data, "person": "", "for": who, "headline": headline}
    return replace(note, title=addressed(note.title), data=data)


def compose_answered(announcement: Announcement, who: str, wording: Wording) -> Notification:
    """The word to everybody else who was told that somebody has answered a warning."""
    kind = wording.catalogue.kinds[announcement.cause.kind]
    text = ""
    for room in _ROOMS:
        text = wording.text(ANSWERED).format(
            who=who if len(who) <= room.length else who[: room.length - 2] + "..",
            what=_title(announcement, wording, kind),
            where=_where(announcement, wording, room),
        )
        if len(text) <= LONGEST:
            break
    return Notification(
        key=f"{announcement.key}.answered",
        created_s=announcement.time_s,
        expires_s=announcement.time_s + kind.useful_s,
        priority="low",
        title=plain(wording.text(ANSWERED_TITLE)),
        text=plain(text)[:LONGEST],
        subject=announcement.group_id,
        zone=announcement.cause.zone,
        since_s=announcement.began_s,
        action="",
        data={
            "headline": _headline(announcement, wording, kind, ANSWERED_TITLE),
            "why": "answered",
            "site": announcement.site,
            "who": who,
        },
    )


def _alike(announcement: Announcement) -> Announcement:
    """The warning narrowed to what is of the cause's own kind."""
    kind = announcement.cause.kind
    return replace(announcement, news=tuple(member for member in announcement.news if member.kind == kind))


def _began_s(announcement: Announcement) -> float:
    return min(m.cause_s if m.began_s is None else m.began_s for m in announcement.news)


def _several(announcement: Announcement, kind: ConditionKind) -> bool:
    """Whether the warning is worded for several things.

    What concerns the whole site is said by its cause; and so is one thing that is worse than the others.
    """
    if not announcement.cause.zone or len(announcement.subjects) < 2:
        return False
    if announcement.why is Why.CLEARED:
        return True
    return len(_alike(announcement).subjects) > 1 or not kind.says_many


def _response(announcement: Announcement, wording: Wording, kind: ConditionKind) -> tuple[str, str]:
    """What to do: the short word of it, and all of it."""
    responses = wording.catalogue.responses
    own = responses[announcement.cause.response]
    if not _several(announcement, kind):
        return own.short, own.full
    shared = responses[_shared(announcement, wording, kind)]
    return shared.many or shared.short, shared.full


def _shared(announcement: Announcement, wording: Wording, kind: ConditionKind) -> str:
    """The response to several things at once: the one they share, else their kind's, else their family's."""
    about = _alike(announcement) if kind.says_many else announcement
    found = {member.response for member in about.news}
    responses = wording.catalogue.responses
    if len(found) == 1 and responses[announcement.cause.response].many:
        return announcement.cause.response
    common = kind.responses.get("", "")
    if kind.says_many and common and responses[common].many:
        return common
    return wording.catalogue.families[announcement.family].response


def _title(announcement: Announcement, wording: Wording, kind: ConditionKind) -> str:
    if _several(announcement, kind) and not kind.says_many:
        return wording.text(wording.catalogue.families[announcement.family].title)
    return wording.text(kind.title)


def _headline(announcement: Announcement, wording: Wording, kind: ConditionKind, lead: str = "") -> str:
    """What and where in one line, as in a list of mails: "Wet: Mix 6, Gas Cage"."""
    lead = lead or (CLEARED_TITLE if announcement.why is Why.CLEARED else "")
    title = _title(announcement, wording, kind) if not lead else wording.text(lead)
    rows = dict.fromkeys((tuple(announcement.subjects), tuple(announcement.zones)))
    named = [_row(row, wording, _IN_A_LIST) for row in rows if row]
    what = ", ".join(named) if announcement.cause.zone else wording.text(WHOLE_SITE)
    said = plain(wording.text(HEADLINE).format(title=title, what=what))
    return wording.text(RISING).format(text=said) if announcement.why is Why.RISING else said


def _where(announcement: Announcement, wording: Wording, room: Room) -> str:
    return _row(announcement.zones, wording, room) or wording.text(WHOLE_SITE)


def _row(things: Sequence[str], wording: Wording, room: Room) -> str:
    """Names in a row; when they are too many, the rest as a number, which is never one."""
    most = len(things) if len(things) <= room.named else max(room.named - 1, 1)
    names = ", ".join(wording.name(thing, room.length) for thing in things[:most])
    rest = len(things) - most
    if rest == 0:
        return names
    return wording.text(AND_OTHERS).format(names=names, n=rest)


def _fitted(announcement: Announcement, wording: Wording, kind: ConditionKind) -> str:
    """The fullest wording that fits: names are cut first, then what is beside the point goes."""
    text = ""
    for with_all in (True, False):
        for room in _ROOMS:
            text = plain(_worded(announcement, wording, kind, room, with_all))
            if len(text) <= LONGEST:
                return text
    return text[:LONGEST]


def _unsaid(announcement: Announcement, about: Sequence[Transition]) -> int:
    """How many more things it is about than these; a fault of the service is a thing by itself."""
    said = {member.subject if member.zone else member.condition_id for member in about}
    return len({m.subject if m.zone else m.condition_id for m in announcement.news} - said)


def _worded(
    announcement: Announcement, wording: Wording, kind: ConditionKind, room: Room, with_all: bool
) -> str:
    if announcement.why is Why.CLEARED:
        hint = wording.text(CLEARED_HINT) if announcement.family == "damp_air" and with_all else ""
        text = _cleared(announcement, wording, kind, room)
        return wording.text(CLEARED).format(text=text, hint=hint).strip()
    cause, now_s = announcement.cause, announcement.time_s
    about = _alike(announcement) if kind.says_many else announcement
    several = _several(announcement, kind)
    rest = _unsaid(announcement, about.news if several else (cause,))
    if several:
        family = wording.catalogue.families[announcement.family]
        said = wording.text(kind.says_many or family.says).format(
            n=len(about.subjects),
            things=_row(about.subjects, wording, room),
            zones=_where(about, wording, room),
            sort=wording.text(wording.catalogue.responses[_shared(announcement, wording, kind)].sort),
            since=wording.time(_began_s(about), now_s),
        )
        by = ""
    else:
        said = wording.text(kind.says).format_map(_fields(cause, kind, wording, now_s, room.length))
        by = _by(cause, kind, wording, now_s) if with_all else ""
    short = wording.text(_response(announcement, wording, kind)[0])
    more = wording.text(REST).format(n=rest) if rest else ""
    text = " ".join(part for part in (said, by, short, more) if part)
    if (
        len(text) > LONGEST and not with_all and room == _ROOMS[-1]
    ):  # what else there is goes before what to do
        text = " ".join(part for part in (said, more) if part)
    return wording.text(RISING).format(text=text) if announcement.why is Why.RISING else text


def _cleared(announcement: Announcement, wording: Wording, kind: ConditionKind, room: Room) -> str:
    if _several(announcement, kind):
        family = wording.catalogue.families[announcement.family]
        return wording.text(family.says_clear).format(
            zones=_where(announcement, wording, room), things=_row(announcement.subjects, wording, room)
        )
    fields = _fields(announcement.cause, kind, wording, announcement.time_s, room.length)
    return wording.text(kind.says_clear).format_map(fields)


def _fields(
    cause: Transition, kind: ConditionKind, wording: Wording, now_s: float, length: int
) -> dict[str, str]:
    began_s = cause.cause_s if cause.began_s is None else cause.began_s
    return {
        "subject": wording.name(cause.subject, length),
        "zone": wording.name(cause.zone, length),
        "value": wording.value(kind.shows, _shown(kind, cause.value)),
        "limit": wording.value(kind.shows, cause.limit),
        "since": wording.time(began_s, now_s),
        "by": wording.time(_deadline_s(cause, kind), now_s),
        "starts": wording.time(cause.numbers.get("starts_s", began_s), now_s),
    }


def _shown(kind: ConditionKind, value: float | None) -> float | None:
    """A margin that is gone is told as nothing left: that it is wet is another condition's word."""
    return max(value, 0.0) if kind.shows is Shows.DIFFERENCE and value is not None else value


def _deadline_s(cause: Transition, kind: ConditionKind) -> float:
    """By when: as handed in, else worked out from a value that is itself a time left."""
    if "by_s" in cause.numbers:
        return cause.numbers["by_s"]
    left_h = cause.value if kind.shows is Shows.HOURS and cause.value is not None else 0.0
    return cause.time_s + left_h * HOUR_S


def _by(cause: Transition, kind: ConditionKind, wording: Wording, now_s: float) -> str:
    if not kind.says_by or "by_s" not in cause.numbers:
        return ""
    return wording.text(kind.says_by).format(by=wording.time(cause.numbers["by_s"], now_s))
