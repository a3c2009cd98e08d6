"""Says a warning in plain words short enough for a lock screen, in the shop's language, units and time."""

from dataclasses import replace
from typing import NamedTuple

from monitor.alarms.catalogue import Kind, Response, Shows
from monitor.alarms.escalation import Delivery, Telling
from monitor.alarms.grouping import Announcement, Why
from monitor.alarms.states import Transition
from monitor.alarms.trend import HOUR_S
from monitor.alarms.wording import Wording
from monitor.values import Notification

LONGEST = 160  # one text message in the 7-bit alphabet of 3GPP TS 23.038
_NAME_LENGTHS = (60, 32, 24, 16, 12, 8)
_ZONES_NAMED = 2
_TIGHT = 16  # names cut this short leave room for one zone only

# Message ids, besides those of the kinds.
RISING = "Worse: {text}"
CLEARED = "All clear: {what}, since {since}. {hint}"
CLEARED_HINT = "Feel it by hand before use: past the dew point is not yet dry."
CLEARED_TITLE = "All clear"
ANSWERED = "{who} has answered: {what}, {where}."
ANSWERED_TITLE = "Answered"
MORE_ZONES = "{zones} and {n} more"
WHOLE_SITE = "the whole site"
FRAME_TEXTS = (
    RISING,
    CLEARED,
    CLEARED_HINT,
    CLEARED_TITLE,
    ANSWERED,
    ANSWERED_TITLE,
    MORE_ZONES,
    WHOLE_SITE,
)


class Said(NamedTuple):
    """One condition in words, for a page."""

    title: str
    text: str
    action: str


def say(transition: Transition, wording: Wording, now_s: float) -> Said:
    """One alarm in words: what it is, in one sentence, and everything there is to do."""
    kind = wording.catalogue.kinds[transition.kind]
    response = wording.catalogue.responses[transition.response]
    sentence = wording.text(kind.says).format_map(_fields(transition, kind, wording, now_s, 60))
    by = _by(transition, kind, wording, now_s)
    text = f"{sentence} {by}".strip()
    return Said(wording.text(kind.title), text, wording.text(response.full))


def compose(announcement: Announcement, wording: Wording) -> Notification:
    """The message of a warning: at most 160 characters that say what, where, how bad, and what to do."""
    cause = announcement.cause
    kind = wording.catalogue.kinds[cause.kind]
    response = _response(announcement, wording)
    cleared = announcement.why is Why.CLEARED
    return Notification(
        key=announcement.key,
        created_s=announcement.time_s,
        expires_s=announcement.time_s + kind.useful_s,
        priority=announcement.priority,
        title=wording.text(CLEARED_TITLE) if cleared else _title(announcement, wording, kind),
        text=_fitted(announcement, wording, kind),
        subject=announcement.group_id,
        zone=cause.zone,
        since_s=announcement.began_s,
        action="" if cleared else wording.text(response.full),
        data={
            "why": announcement.why,
            "site": announcement.site,
            "conditions": [member.condition_id for member in announcement.members],
            "zones": list(announcement.zones),
            "value": cause.value,
            "limit": cause.limit,
        },
    )


def compose_for(delivery: Delivery, wording: Wording) -> Notification:
    """The message of one delivery to one person, under the delivery's own key."""
    if delivery.telling is Telling.ANSWERED:
        note = compose_answered(delivery.announcement, delivery.who, wording)
    else:
        note = compose(delivery.announcement, wording)
    data = {**note.data, "person": delivery.person, "telling": delivery.telling}
    return replace(note, key=delivery.key, data=data)


def compose_answered(announcement: Announcement, who: str, wording: Wording) -> Notification:
    """The word to everybody else who was told that somebody has answered a warning."""
    kind = wording.catalogue.kinds[announcement.cause.kind]
    text = ""
    for length in _NAME_LENGTHS:
        text = wording.text(ANSWERED).format(
            who=who if len(who) <= length else who[: length - 2] + "..",
            what=_title(announcement, wording, kind),
            where=_where(announcement, wording, length),
        )
        if len(text) <= LONGEST:
            break
    return Notification(
        key=f"{announcement.key}.answered",
        created_s=announcement.time_s,
        expires_s=announcement.time_s + kind.useful_s,
        priority="low",
        title=wording.text(ANSWERED_TITLE),
        text=text[:LONGEST],
        subject=announcement.group_id,
        zone=announcement.cause.zone,
        since_s=announcement.began_s,
        action="",
        data={"why": "answered", "site": announcement.site, "who": who},
    )


def _many(announcement: Announcement) -> bool:
    """Whether the warning is about several things; what concerns the whole site is said by its cause."""
    return len(announcement.subjects) > 1 and bool(announcement.cause.zone)


def _response(announcement: Announcement, wording: Wording) -> Response:
    key = announcement.cause.response
    if _many(announcement):
        key = wording.catalogue.families[announcement.family].response
    return wording.catalogue.responses[key]


def _title(announcement: Announcement, wording: Wording, kind: Kind) -> str:
    if _many(announcement):
        return wording.text(wording.catalogue.families[announcement.family].title)
    return wording.text(kind.title)


def _where(announcement: Announcement, wording: Wording, length: int) -> str:
    zones = [wording.name(zone, length) for zone in announcement.zones]
    if not zones:
        return wording.text(WHOLE_SITE)
    most = _ZONES_NAMED if length > _TIGHT else 1
    named = ", ".join(zones[:most])
    rest = len(zones) - most
    return named if rest <= 0 else wording.text(MORE_ZONES).format(zones=named, n=rest)


def _fitted(announcement: Announcement, wording: Wording, kind: Kind) -> str:
    """The fullest wording that fits: names are cut first, then the deadline goes."""
    text = ""
    for with_by in (True, False):
        for length in _NAME_LENGTHS:
            text = _worded(announcement, wording, kind, length, with_by)
            if len(text) <= LONGEST:
                return text
    return text[:LONGEST]


def _worded(announcement: Announcement, wording: Wording, kind: Kind, length: int, with_by: bool) -> str:
    cause, now_s = announcement.cause, announcement.time_s
    if announcement.why is Why.CLEARED:
        return (
            wording.text(CLEARED)
            .format(
                what=f"{_title(announcement, wording, kind)}, {_where(announcement, wording, length)}",
                since=wording.time(now_s, now_s),
                hint=wording.text(CLEARED_HINT) if announcement.family == "damp_air" else "",
            )
            .strip()
        )
    if _many(announcement):
        family = wording.catalogue.families[announcement.family]
        first = min(announcement.members, key=lambda member: (member.cause_s, member.condition_id))
        same = {member.subject for member in announcement.members if member.kind == cause.kind}
        said = wording.text(kind.says_many or family.says).format(
            same=len(same),
            n=len(announcement.subjects),
            zones=_where(announcement, wording, length),
            since=wording.time(announcement.began_s, now_s),
            first=wording.name(first.subject, length),
        )
    else:
        said = wording.text(kind.says).format_map(_fields(cause, kind, wording, now_s, length))
    by = _by(cause, kind, wording, now_s) if with_by and not _many(announcement) else ""
    short = wording.text(_response(announcement, wording).short)
    text = " ".join(part for part in (said, by, short) if part)
    return wording.text(RISING).format(text=text) if announcement.why is Why.RISING else text


def _fields(cause: Transition, kind: Kind, wording: Wording, now_s: float, length: int) -> dict[str, str]:
    began_s = cause.cause_s if cause.began_s is None else cause.began_s
    return {
        "subject": wording.name(cause.subject, length),
        "zone": wording.name(cause.zone, length),
        "value": wording.value(kind.shows, cause.value),
        "limit": wording.value(kind.shows, cause.limit),
        "since": wording.time(began_s, now_s),
        "by": wording.time(_deadline_s(cause, kind), now_s),
        "starts": wording.time(cause.numbers.get("starts_s", began_s), now_s),
    }


def _deadline_s(cause: Transition, kind: Kind) -> float:
    """By when: as handed in, else worked out from a value that is itself a time left."""
    if "by_s" in cause.numbers:
        return cause.numbers["by_s"]
    left_h = cause.value if kind.shows is Shows.HOURS and cause.value is not None else 0.0
    return cause.time_s + left_h * HOUR_S


def _by(cause: Transition, kind: Kind, wording: Wording, now_s: float) -> str:
    if not kind.says_by or "by_s" not in cause.numbers:
        return ""
    return wording.text(kind.says_by).format(by=wording.time(cause.numbers["by_s"], now_s))
