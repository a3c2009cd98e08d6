"""Reads shift calendars from a file or an address, and keeps the last good one."""

import hashlib
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from monitor.model.errors import Fault, InputError
from monitor.outlook.shifts import WEEK_S, ShiftCalendar, TimedEvent
from monitor.weather.fetch import Fetcher, FetchState
from monitor.wire.apart import ApartError, ask_apart

LEAST_INTERVAL_S = 3_600.0
REMOTE = ("https://", "http://", "webcal://")
MOST_BYTES = 4 * 1024 * 1024
UNROLL_S = 20.0  # real seconds for all of it
WEEKS_BACK, WEEKS_AHEAD = 60, 62  # what a rehearsal and a rest look at, and a little more


class CalendarPlace(NamedTuple):
    """Where a site's calendar lies, and the clock of the site."""

    source: str
    site: str
    zone: ZoneInfo


def read_calendar(
    place: CalendarPlace, fetcher: Fetcher, now_s: float, before: ShiftCalendar | None = None
) -> ShiftCalendar:
    """The calendar at `place`; raises InputError where there is none to be had.

    The one read before, where it would say the same.
    """
    if not place.source.startswith(REMOTE):
        return _once(place, calendar_file(place), now_s, before)
    url = place.source.replace("webcal://", "https://", 1)
    fetched = fetcher.get(url, now_s, LEAST_INTERVAL_S, "text/calendar")
    if fetched.state is FetchState.MISSING:
        fault = Fault(f"calendars of {place.site}", place.source, f"cannot be fetched: {fetched.reason}")
        raise InputError([fault])
    try:
        calendar = _once(place, fetched.body, now_s, before)
    except InputError:
        earlier = fetcher.spoiled(url, now_s, LEAST_INTERVAL_S)
        if earlier is None:
            raise
        return _once(place, earlier, now_s, before)
    fetcher.accept(url, fetched.body)
    return calendar


def calendar_file(place: CalendarPlace) -> bytes:
    """What lies in a file; raises InputError where it is none, or no calendar by its size."""
    file = Path(place.source)
    try:
        if not file.is_file():
            fault = Fault("calendars.source", place.source, "cannot be read: there is no such file")
            raise InputError([fault])
        with file.open("rb") as content:
            return content.read(MOST_BYTES + 1)
    except OSError as error:
        raise InputError([Fault("calendars.source", place.source, f"cannot be read: {error}")]) from error


def _once(place: CalendarPlace, content: bytes, now_s: float, before: ShiftCalendar | None) -> ShiftCalendar:
    """Unrolled where it is not the one known for these weeks."""
    known = (hashlib.sha256(content).hexdigest(), window_s(now_s)[0])
    if before is not None and (before.content, before.from_s) == known:
        return before
    read = unrolled(place, content, now_s)
    return before if before is not None and before.says_the_same(read) else read


def window_s(now_s: float) -> tuple[float, float]:
    """From when until when a calendar is unrolled at a moment: whole weeks, so that it seldom changes."""
    week = now_s // WEEK_S
    return (week - WEEKS_BACK) * WEEK_S, (week + WEEKS_AHEAD) * WEEK_S


def unrolled(place: CalendarPlace, content: bytes, now_s: float, total_s: float = UNROLL_S) -> ShiftCalendar:
    """Unrolled by a process of its own, for the libraries follow a calendar wherever it leads."""
    name = f"calendar of {place.site}"
    if len(content) > MOST_BYTES:
        raise InputError([Fault(name, f"over {MOST_BYTES} bytes", "is no calendar of shifts")])
    from_s, until_s = window_s(now_s)
    question = {
        "text": content.decode("utf-8", "replace"),
        "site": place.site,
        "zone": place.zone.key,
        "from_s": from_s,
        "until_s": until_s,
    }
    try:
        answer = ask_apart("monitor.weather.calendar_apart", question, total_s)
    except ApartError as error:
        raise InputError([Fault(name, place.source, f"cannot be unrolled: {error}")]) from error
    if "faults" in answer:
        raise InputError([Fault(**fault) for fault in answer["faults"]])
    return calendar_of({**answer, "content": hashlib.sha256(content).hexdigest()}, place, from_s, until_s)


def calendar_of(
    said: Mapping[str, Any], place: CalendarPlace, from_s: float, until_s: float
) -> ShiftCalendar:
    """A calendar from plain values; raises ValueError, TypeError or KeyError where they are none."""
    events = tuple(TimedEvent(float(start), float(end), str(name)) for start, end, name in said["events"])
    days_off = frozenset(date.fromisoformat(day) for day in said["days_off"])
    return ShiftCalendar(place.site, place.zone, from_s, until_s, events, days_off, str(said["content"]))
