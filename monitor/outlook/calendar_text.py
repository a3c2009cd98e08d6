"""Unrolls iCalendar text (RFC 5545) into the shifts and days off of a stretch of time, within bounds.

The libraries it rests on unroll whatever a calendar says, were it every second since the year 1: what no
shift plan needs is refused before, and the shell runs this in a process that has a total time and a memory.
"""

from collections.abc import Iterator
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from monitor.model.errors import Fault, InputError
from monitor.outlook.shifts import ShiftCalendar, TimedEvent

DAY_OFF_CATEGORIES = frozenset({"HOLIDAY", "CLOSED"})
RULE_FREQUENCIES = frozenset({"DAILY", "WEEKLY", "MONTHLY", "YEARLY"})
LONGEST_INTERVAL = 1_000
TIMES_A_DAY = 24  # that a rule may name
YEARS = (1970, 2199)
MOST_EVENTS = 5_000  # written down
MOST_SHIFTS = 20_000  # unrolled; a shop of ten shifts a day fills it in five years
LONGEST_NAME = 80
_MALFORMED = (ValueError, KeyError, IndexError, TypeError, AttributeError, OverflowError, RecursionError)


def calendar_from_text(
    text: str, *, site: str, zone: ZoneInfo, from_s: float, until_s: float
) -> ShiftCalendar:
    """The shifts that begin from `from_s` until `until_s` (epoch seconds); raises InputError.

    Timed events are shifts, all-day events of a category of holidays are days off; cancelled and
    transparent ones are neither. `zone` is for events that are written without a time zone.
    """
    place = f"calendar of {site}"
    try:
        content = _parsed(text, place)
        events = _unrolled(content, from_s, until_s)
        shifts = sorted(set(_shifts(events, zone)))
        off = frozenset(day for event in events if _is_day_off(event) for day in _days_of(event))
    except _MALFORMED as error:
        raise InputError([Fault(place, "a recurrence", f"cannot be unrolled: {error}")]) from error
    if len(shifts) > MOST_SHIFTS:
        raise InputError([Fault(place, f"{len(shifts)} shifts", f"holds at most {MOST_SHIFTS}")])
    return ShiftCalendar(site, zone, from_s, until_s, tuple(shifts), off)


def _parsed(text: str, place: str) -> icalendar.Calendar:
    try:
        content = icalendar.Calendar.from_ical(text)
    except ValueError as error:
        raise InputError([Fault(place, repr(text[:40]), f"is not iCalendar text: {error}")]) from error
    if not isinstance(content, icalendar.Calendar):
        raise InputError([Fault(place, str(content.name), "needs a VCALENDAR around its events")])
    events = content.events
    if not events:
        raise InputError([Fault(place, "no VEVENT", "holds no shift; add timed events")])
    if len(events) > MOST_EVENTS:
        raise InputError([Fault(place, f"{len(events)} events", f"holds at most {MOST_EVENTS}")])
    for event in events:
        if "DTSTART" not in event:
            raise InputError([Fault(place, "an event without DTSTART", "give every shift a start")])
        if not YEARS[0] <= event.start.year <= YEARS[1]:
            fix = f"shifts begin from {YEARS[0]} to {YEARS[1]}"
            raise InputError([Fault(place, f"an event in the year {event.start.year}", fix)])
    for part in content.walk():
        for rule in _rules(part):
            _refuse_endless(rule, place)
    return content


def _rules(part: Any) -> Iterator[Any]:
    for name in ("RRULE", "EXRULE"):
        found = part.get(name, [])
        yield from found if isinstance(found, list) else [found]


def _refuse_endless(rule: Any, place: str) -> None:
    """No shift comes every second, nor every zeroth day."""
    frequency = str((rule.get("FREQ") or [""])[0]).upper()
    interval = (rule.get("INTERVAL") or [1])[0]
    times = 1
    for name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
        times *= max(len(rule.get(name) or [0]), 1)
    if frequency not in RULE_FREQUENCIES:
        fix = f"shifts come back {', '.join(sorted(RULE_FREQUENCIES))}"
        raise InputError([Fault(place, f"FREQ={frequency[:20]}", fix)])
    if not 1 <= int(interval) <= LONGEST_INTERVAL:
        raise InputError([Fault(place, f"INTERVAL={str(interval)[:20]}", f"is 1 to {LONGEST_INTERVAL}")])
    if times > TIMES_A_DAY:
        raise InputError([Fault(place, f"{times} times a day", f"names at most {TIMES_A_DAY}")])


def _unrolled(content: icalendar.Calendar, from_s: float, until_s: float) -> list[Any]:
    first, last = (datetime.fromtimestamp(moment_s, UTC) for moment_s in (from_s, until_s))
    found = recurring_ical_events.of(content).between(first, last)
    return [event for event in found if str(event.get("STATUS", "")).upper() != "CANCELLED"]


def _shifts(events: list[Any], zone: ZoneInfo) -> Iterator[TimedEvent]:
    for event in events:
        free = str(event.get("TRANSP", "")).upper() == "TRANSPARENT"
        if not isinstance(event.start, datetime) or free:
            continue
        starts, ends = _aware(event.start, zone), _aware(event.end, zone)
        if ends > starts:
            name = str(event.get("SUMMARY", "shift")).strip()[:LONGEST_NAME] or "shift"
            yield TimedEvent(starts.timestamp(), ends.timestamp(), name)


def _is_day_off(event: Any) -> bool:
    """All-day notes are not holidays unless they say so: a wrongly dropped shift gets no warning."""
    if isinstance(event.start, datetime):
        return False
    categories = event.get("CATEGORIES")
    named = categories if isinstance(categories, list) else [categories] if categories else []
    words = {str(word).strip().upper() for one in named for word in one.cats}
    return bool(words & DAY_OFF_CATEGORIES)


def _days_of(event: Any) -> Iterator[date]:
    """At most a year of them: who is closed for longer has no shifts."""
    length = min(max((event.end - event.start).days, 1), 366)
    return (event.start + timedelta(days=n) for n in range(length))


def _aware(moment: date, zone: ZoneInfo) -> datetime:
    if not isinstance(moment, datetime):
        return datetime.combine(moment, time(0), zone)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)
