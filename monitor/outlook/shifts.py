"""Says when people will be at work: shift spans from weekly patterns and calendars."""

import math
from bisect import bisect_left
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import NamedTuple
from zoneinfo import ZoneInfo

from monitor.model.shift_span import ShiftSpan
from monitor.model.staff import Shift
from monitor.outlook.hourly import HOUR_S

WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
# A shift that began before the window may still run in it; no shift is longer than this.
LONGEST_SHIFT = timedelta(hours=48)
WEEK_S = 7 * 86_400
WEEKS_AHEAD = 53
LEAST_KNOWN_FRAC = 0.75  # of a shift's hours, before it can be said that nothing was crossed in it


class WeeklyShift(Shift):
    """A shift that comes every week, with the clock of its site."""

    zone: ZoneInfo


class TimedEvent(NamedTuple):
    """One shift of a calendar; epoch seconds."""

    start_s: float
    end_s: float
    name: str


@dataclass(frozen=True, slots=True, eq=False)
class ShiftCalendar:
    """What a calendar says of the time from `from_s` until `until_s`, unrolled; nothing is known beyond.

    One object is one reading of it, so that what was worked out from it need not be again.
    """

    site: str
    zone: ZoneInfo
    from_s: float
    until_s: float
    events: tuple[TimedEvent, ...]  # in order of start
    days_off: frozenset[date]
    content: str = ""  # hash of the text it was read from

    def says_the_same(self, other: "ShiftCalendar") -> bool:
        """Whether two readings are one in all they say."""
        mine = (self.site, self.from_s, self.until_s, self.events, self.days_off)
        return mine == (other.site, other.from_s, other.until_s, other.events, other.days_off)


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
    days_off = {(one.site, day) for one in plan.calendars for day in one.days_off}
    for shift in plan.weekly:
        yield from _weekly_spans(shift, start, end, days_off)
    for calendar in plan.calendars:
        first = bisect_left(calendar.events, start_s, key=lambda event: event.start_s)
        last = bisect_left(calendar.events, end_s, key=lambda event: event.start_s)
        for event in calendar.events[first:last]:
            yield from _event_span(calendar, event, days_off)


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
    calendar: ShiftCalendar, event: TimedEvent, days_off: set[tuple[str, date]]
) -> Iterator[ShiftSpan]:
    starts, ends = (
        datetime.fromtimestamp(moment_s, calendar.zone) for moment_s in (event.start_s, event.end_s)
    )
    if (calendar.site, starts.date()) not in days_off:
        yield _span(calendar.site, event.name, starts, ends)


def _span(site: str, name: str, starts: datetime, ends: datetime) -> ShiftSpan:
    slug = "-".join("".join(c if c.isalnum() else " " for c in name.lower()).split())
    span_id = f"{site}:{slug}:{starts:%Y-%m-%dT%H:%M}"
    return ShiftSpan(span_id, site, name, starts.timestamp(), ends.timestamp())
