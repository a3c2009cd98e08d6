"""What stands in a lead's calendar: humid shifts, deadlines, what falls due, turns on call (RFC 5545)."""

import threading
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING

from monitor.model.level import Level
from monitor.model.picture import ShiftNow
from monitor.model.staff import Person
from monitor.web.frame.page import Web
from monitor.web.pages.sensor_check_page import last_checks

if TYPE_CHECKING:
    from icalendar import Event  # loaded by whoever subscribes to a calendar

TURNS_AHEAD_S = 14 * 86_400.0
KEPT_AFTER_S = 86_400.0  # what is withdrawn is said so until a day after it would have ended
DEADLINE = timedelta(minutes=15)  # how long a deadline is drawn, and it ends when it is due
MOST_KEPT = 2_000
READ_EVERY = timedelta(hours=1)
_SEQUENCE_FROM_S = datetime(2026, 1, 1, tzinfo=UTC).timestamp()
_SAID = "A shift that is not here is not therefore dry: the pages say what is known."


class PublishedCalendar:
    """The calendars as they were last read: a change counts up, and what is withdrawn is called off."""

    def __init__(self) -> None:
        self._last: dict[tuple[str, str], tuple[bytes, Event]] = {}
        self._lock = threading.Lock()

    def text(self, web: Web, person: Person, now_s: float) -> bytes:
        """The calendar of one person as it is now."""
        from icalendar import Calendar

        calendar = Calendar()
        calendar.add("prodid", "-//Dryshift//Lead's calendar//EN")
        calendar.add("version", "2.0")
        calendar.add("method", "PUBLISH")
        calendar.add("name", "Dryshift")  # RFC 7986
        calendar.add("x-wr-calname", "Dryshift")
        calendar.add("description", _SAID)
        calendar.add("refresh-interval", READ_EVERY, parameters={"value": "DURATION"})
        with self._lock:
            for event in self._changed(web, person, now_s):
                calendar.add_component(event)
        return bytes(calendar.to_ical())

    def _changed(self, web: Web, person: Person, now_s: float) -> "Iterator[Event]":
        now = {str(one["uid"]): one for one in _items(web, person, now_s)}
        standing = _still_standing(web)
        for (who, uid), (_, before) in list(self._last.items()):
            if who == person.id and uid not in now:
                if _end_s(before) + KEPT_AFTER_S < now_s:
                    del self._last[(who, uid)]
                elif _end_s(before) <= now_s:
                    now[uid] = _with_status(before, str(before["status"]))  # it is over, not called off
                elif uid in standing or web.deps.snapshot().not_judged:
                    now[uid] = _with_status(before, "TENTATIVE")
                else:
                    now[uid] = _with_status(before, "CANCELLED")
        for uid, event in now.items():
            text = event.to_ical()
            last = self._last.get((person.id, uid))
            if last is None or last[0] != text:
                self._last[(person.id, uid)] = last = (text, _stamped(event, now_s))
            yield last[1]
        while len(self._last) > MOST_KEPT:
            del self._last[next(iter(self._last))]


def looked_ahead(web: Web) -> bool:
    """Whether anything was said of the shifts ahead, if only that they are not known; true without shifts."""
    now_s = web.deps.clock()
    return bool(
        web.deps.snapshot().shifts
        or web.deps.ahead()
        or not web.deps.shift_spans(now_s, now_s + TURNS_AHEAD_S)
    )


def _items(web: Web, person: Person, now_s: float) -> "Iterator[Event]":
    yield from _shifts(web)
    yield from _deadlines(web)
    yield from _due(web)
    yield from _turns(web, person, now_s)


def _shifts(web: Web) -> "Iterator[Event]":
    """What is humid, and what is not known: neither is left out, lest it pass for dry."""
    for shift in web.deps.snapshot().shifts:
        if shift.level is Level.SAFE:
            continue
        known = shift.level is not Level.UNKNOWN
        word = "Humid" if known else "Not known"
        event = _event(_shift_uid(shift), f"{word}: {shift.name}, {web.show.site_name(shift.site)}")
        event.add("dtstart", _utc(shift.start_s))
        event.add("dtend", _utc(shift.end_s))
        event.add("description", web.show.told(shift.reason))
        event.add("status", "CONFIRMED" if known else "TENTATIVE")
        event.add("transp", "TRANSPARENT")
        yield event


def _still_standing(web: Web) -> frozenset[str]:
    """Shifts of which nothing newer was said; only one that is there and safe is called off."""
    shown = {_shift_uid(shift) for shift in web.deps.snapshot().shifts}
    spans = web.deps.shift_spans(web.deps.clock(), web.deps.clock() + TURNS_AHEAD_S)
    return frozenset(f"shift/{span.site}/{span.id}@dryshift" for span in spans) - shown


def _deadlines(web: Web) -> "Iterator[Event]":
    for action in web.deps.snapshot().actions:
        if action.done:
            continue
        event = _event(f"action/{action.id}@dryshift", web.show.told(action.text))
        event.add("dtstart", _utc(action.by_s) - DEADLINE)
        event.add("dtend", _utc(action.by_s))
        event.add("description", web.show.told(action.caution))
        event.add("status", "CONFIRMED")
        event.add("transp", "TRANSPARENT")
        yield event


def _due(web: Web) -> "Iterator[Event]":
    for sensor, check in last_checks(web).items():
        if check.due_s is not None:
            zone = next(one.zone for one in web.deps.settings.sensors if one.id == sensor)
            day = web.show.local(check.due_s, web.show.zone_of(zone)).date()
            said = f"Check sensor {sensor}, {web.show.zone_name(zone)}"
            yield _whole_day(f"check/{sensor}@dryshift", said, day)
    for place in web.deps.snapshot().zones:
        if place.desiccant_due_s is not None:
            day = web.show.local(place.desiccant_due_s, web.show.zone_of(place.id)).date()
            yield _whole_day(f"desiccant/{place.id}@dryshift", f"Renew the desiccant: {place.name}", day)


def _turns(web: Web, person: Person, now_s: float) -> "Iterator[Event]":
    told = web.deps.settings.on_call
    first = {(one.site, name): who for one in told for name, who in one.by_shift.items()}
    for span in web.deps.shift_spans(now_s, now_s + TURNS_AHEAD_S):
        if first.get((span.site, span.name)) == person.id:
            said = f"On call: {span.name}, {web.show.site_name(span.site)}"
            event = _event(f"on-call/{span.site}/{span.id}/{person.id}@dryshift", said)
            event.add("dtstart", _utc(span.start_s))
            event.add("dtend", _utc(span.end_s))
            event.add("status", "CONFIRMED")
            yield event


def _shift_uid(shift: ShiftNow) -> str:
    return f"shift/{shift.site}/{shift.id or round(shift.start_s)}@dryshift"


def _whole_day(uid: str, said: str, day: date) -> "Event":
    event = _event(uid, said)
    event.add("dtstart", day)
    event.add("dtend", day + timedelta(days=1))
    event.add("status", "CONFIRMED")
    event.add("transp", "TRANSPARENT")
    return event


def _event(uid: str, said: str) -> "Event":
    from icalendar import Event

    event = Event()
    event.add("uid", uid)
    event.add("summary", said)
    return event


def _with_status(event: "Event", status: str) -> "Event":
    """The same event under another status, as it is compared."""
    from icalendar import Event

    made = Event()
    for name, value in event.items():
        if name not in ("STATUS", "DTSTAMP", "LAST-MODIFIED", "SEQUENCE"):
            made[name] = value
    made.add("status", status)
    return made


def _stamped(event: "Event", now_s: float) -> "Event":
    """With the moment of its change; SEQUENCE counts minutes, so that it also grows over a restart."""
    made = _with_status(event, str(event["status"]))
    made.add("dtstamp", _utc(now_s))
    made.add("last-modified", _utc(now_s))
    made.add("sequence", int((now_s - _SEQUENCE_FROM_S) // 60))
    return made


def _end_s(event: "Event") -> float:
    end = event.decoded("dtend")
    if isinstance(end, datetime):
        return end.timestamp()
    return datetime(end.year, end.month, end.day, tzinfo=UTC).timestamp()


def _utc(time_s: float) -> datetime:
    return datetime.fromtimestamp(round(time_s), UTC)
