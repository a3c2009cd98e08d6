"""Says when people will be at work: shift spans from weekly patterns and iCalendar text."""

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import icalendar
import recurring_ical_events

from monitor.model.errors import Fault, InputError
from monitor.model.shift_span import ShiftSpan
from monitor.model.staff import Shift
from monitor.outlook.hourly import HOUR_S

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_OFF_CATEGORIES = frozenset({"HOLIDAY", "CLOSED"})
# A shift that began before the window may still run in it; no shift is longer than this.
LONGEST_SHIFT = timedelta(hours=48)
WEEK_S = 7 * 86_400
WEEKS_AHEAD = 53


class WeeklyShift(Shift):
    """A shift that comes every week, with the clock of its site."""

    zone: ZoneInfo


@dataclass(frozen=True, slots=True, eq=False)
class ShiftCalendar:
    """A parsed iCalendar whose timed events are shifts and whose all-day holidays are days off.

    One object is one reading of it, so that what was unrolled need not be unrolled again.
    """

    site: str
    zone: ZoneInfo  # for events written without a time zone
    content: icalendar.Calendar


@dataclass(frozen=True, slots=True)
class ShiftPlan:
    """Everything known about who works when; `expected` names the site of every calendar that is set up."""

    weekly: tuple[WeeklyShift, ...] = ()
    calendars: tuple[ShiftCalendar, ...] = ()
    expected: tuple[str, ...] = ()

    @property
    def sites(self) -> frozenset[str]:
        """The sites that have shifts set up, whether or not they could be read."""
        known = {shift.site for shift in self.weekly} | {one.site for one in self.calendars}
        return frozenset(known | set(self.expected))

    @property
    def unread(self) -> frozenset[str]:
        """The sites of which a calendar that is set up could not be read."""
        read = Counter(one.site for one in self.calendars)
        return frozenset(site for site, count in Counter(self.expected).items() if read[site] < count)


def calendar_from_text(text: str, *, site: str, zone: ZoneInfo) -> ShiftCalendar:
    """Parse iCalendar text (RFC 5545), or raise an InputError that says what is wrong with it."""
    place = f"calendar of {site}"
    try:
        content = icalendar.Calendar.from_ical(text)
    except ValueError as error:
        raise InputError([Fault(place, repr(text[:40]), f"is not iCalendar text: {error}")]) from error
    if not isinstance(content, icalendar.Calendar):
        raise InputError([Fault(place, str(content.name), "needs a VCALENDAR around its events")])
    if not content.walk("VEVENT"):
        raise InputError([Fault(place, "no VEVENT", "holds no shift; add timed events")])
    calendar = ShiftCalendar(site=site, zone=zone, content=content)
    if any("DTSTART" not in event for event in content.walk("VEVENT")):
        raise InputError([Fault(place, "an event without DTSTART", "give every shift a start")])
    first = min(_aware(event.start, zone) for event in calendar.content.events)
    try:
        recurring_ical_events.of(content).between(first, first + timedelta(days=7))
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise InputError([Fault(place, "a recurrence", f"cannot be unrolled: {error}")]) from error
    return calendar


def upcoming(plan: ShiftPlan, now_s: float, horizon_s: float) -> tuple[ShiftSpan, ...]:
    """The shifts running now or beginning before the horizon, in order of start."""
    end_s = now_s + horizon_s
    first = int((now_s - LONGEST_SHIFT.total_seconds()) // WEEK_S)
    weeks = range(first, int(end_s // WEEK_S) + 1)
    spans = (span for week in weeks for span in _week(plan, week))
    return tuple(span for span in spans if span.end_s > now_s and span.start_s < end_s)


def hours_of_shift(shift: ShiftSpan) -> tuple[float, ...]:
    """The full hours that belong to a shift, each by its end: those of which the most lies in it.

    The air of an hour is its mean, so the hour that ends as a shift begins is none of it. A shift so short
    that no hour lies in it for the most part has the one around its middle. Forecast, rehearsal and the
    score of what was measured all ask here.
    """
    first = math.ceil(shift.start_s / HOUR_S - 0.5)
    last = math.ceil(shift.end_s / HOUR_S - 0.5)
    if first >= last:
        first = int((shift.start_s + shift.end_s) / 2.0 // HOUR_S)
        last = first + 1
    return tuple((n + 1) * HOUR_S for n in range(first, last))


def comes_back(plan: ShiftPlan, site: str, now_s: float) -> bool:
    """Whether any shift of a site is known to come within a year: a rest lasts until one begins."""
    first = int(now_s // WEEK_S)
    return any(
        span.site == site and span.start_s > now_s
        for week in range(first, first + WEEKS_AHEAD)
        for span in _week(plan, week)
    )


@lru_cache(maxsize=128)  # asked for at every tick, and a calendar takes long to unroll
def _week(plan: ShiftPlan, week: int) -> tuple[ShiftSpan, ...]:
    """The shifts that begin within a week counted from the epoch, in order of start."""
    start_s, end_s = week * WEEK_S, (week + 1) * WEEK_S
    spans = {span.id: span for span in _all_spans(plan, start_s, end_s)}
    wanted = (span for span in spans.values() if start_s <= span.start_s < end_s)
    return tuple(sorted(wanted, key=lambda span: (span.start_s, span.site, span.name)))


def _all_spans(plan: ShiftPlan, start_s: float, end_s: float) -> Iterator[ShiftSpan]:
    start = datetime.fromtimestamp(start_s, UTC) - LONGEST_SHIFT
    end = datetime.fromtimestamp(end_s, UTC) + timedelta(days=1)
    days_off: set[tuple[str, date]] = set()
    timed: list[tuple[ShiftCalendar, icalendar.Event]] = []
    for calendar in plan.calendars:
        for event in recurring_ical_events.of(calendar.content).between(start, end):
            if str(event.get("STATUS", "")).upper() == "CANCELLED":
                continue
            if isinstance(event.start, datetime):
                timed.append((calendar, event))
            elif _is_day_off(event):
                days_off |= {(calendar.site, day) for day in _days_of(event)}
    for shift in plan.weekly:
        yield from _weekly_spans(shift, start, end, days_off)
    for calendar, event in timed:
        yield from _event_span(calendar, event, days_off)


def _is_day_off(event: icalendar.Event) -> bool:
    """All-day notes are not holidays unless they say so: a wrongly dropped shift gets no warning."""
    categories = event.get("CATEGORIES")
    named = categories if isinstance(categories, list) else [categories] if categories else []
    words = {str(word).strip().upper() for one in named for word in one.cats}
    return bool(words & DAY_OFF_CATEGORIES)


def _days_of(event: icalendar.Event) -> Iterable[date]:
    return (event.start + timedelta(days=n) for n in range(max((event.end - event.start).days, 1)))


def _weekly_spans(
    shift: WeeklyShift, start: datetime, end: datetime, days_off: set[tuple[str, date]]
) -> Iterator[ShiftSpan]:
    day = start.astimezone(shift.zone).date()
    last = end.astimezone(shift.zone).date()
    while day <= last:
        if WEEKDAYS[day.weekday()] in shift.days and (shift.site, day) not in days_off:
            finish = day if shift.end > shift.start else day + timedelta(days=1)
            # Wall-clock times: on nights of change the shift is an hour shorter or longer (RFC 5545 3.3.5:
            # a time that comes twice is its first; one that never comes keeps the offset before the gap).
            starts = datetime.combine(day, shift.start, shift.zone)
            ends = datetime.combine(finish, shift.end, shift.zone)
            yield _span(shift.site, shift.name, starts, ends)
        day += timedelta(days=1)


def _event_span(
    calendar: ShiftCalendar, event: icalendar.Event, days_off: set[tuple[str, date]]
) -> Iterator[ShiftSpan]:
    starts, ends = _aware(event.start, calendar.zone), _aware(event.end, calendar.zone)
    free = str(event.get("TRANSP", "")).upper() == "TRANSPARENT"
    local_day = starts.astimezone(calendar.zone).date()
    if ends > starts and not free and (calendar.site, local_day) not in days_off:
        name = str(event.get("SUMMARY", "shift")).strip() or "shift"
        yield _span(calendar.site, name, starts.astimezone(calendar.zone), ends)


def _aware(moment: date, zone: ZoneInfo) -> datetime:
    if not isinstance(moment, datetime):
        return datetime.combine(moment, time(0), zone)
    return moment if moment.tzinfo is not None else moment.replace(tzinfo=zone)


def _span(site: str, name: str, starts: datetime, ends: datetime) -> ShiftSpan:
    slug = "-".join("".join(c if c.isalnum() else " " for c in name.lower()).split())
    span_id = f"{site}:{slug}:{starts:%Y-%m-%dT%H:%M}"
    return ShiftSpan(span_id, site, name, starts.timestamp(), ends.timestamp())
