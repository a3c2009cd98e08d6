"""Shift spans against RFC 5545 (recurrence, exceptions, local times) and the tz database."""

from datetime import UTC, datetime, time
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from monitor.model.errors import InputError
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.calendar_text import calendar_from_text
from monitor.outlook.shifts import ShiftPlan, WeeklyShift, hours_of_shift, upcoming

LONDON = ZoneInfo("Europe/London")
H = 3600.0
FROM_S, UNTIL_S = (datetime(year, 1, 1, tzinfo=UTC).timestamp() for year in (2026, 2027))


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def weekly(
    name: str = "Night", start: time = time(22), end: time = time(6), days: str = "sat sun"
) -> ShiftPlan:
    shift = WeeklyShift(
        site="ferrymoor", name=name, days=tuple(days.split()), start=start, end=end, zone=LONDON
    )
    return ShiftPlan(weekly=(shift,))


def ical(body: str) -> str:
    return f"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//test//EN\r\n{body}END:VCALENDAR\r\n"


def event(uid: str, *lines: str) -> str:
    return "\r\n".join(["BEGIN:VEVENT", f"UID:{uid}", "DTSTAMP:20260101T000000Z", *lines, "END:VEVENT", ""])


def calendar_plan(body: str, weekly_plan: ShiftPlan | None = None) -> ShiftPlan:
    calendar = calendar_from_text(ical(body), site="ferrymoor", zone=LONDON, from_s=FROM_S, until_s=UNTIL_S)
    return ShiftPlan(weekly=weekly_plan.weekly if weekly_plan else (), calendars=(calendar,))


# Clocks in Europe/London go forward 2026-03-29 01:00 UTC and back 2026-10-25 01:00 UTC (tz database).
@pytest.mark.parametrize(
    ("now", "hours"),
    [("2026-03-28T12:00+00:00", 7.0), ("2026-10-24T12:00+01:00", 9.0), ("2026-06-06T12:00+01:00", 8.0)],
)
def test_a_night_shift_keeps_its_wall_clock_ends_when_the_clocks_change(now: str, hours: float) -> None:
    span = upcoming(weekly(days="sat"), at(now), 24 * H)[0]
    assert (span.end_s - span.start_s) / H == hours
    assert datetime.fromtimestamp(span.end_s, LONDON).hour == 6


@pytest.mark.parametrize(
    ("start", "end", "ends"),
    [
        ("06:00", "14:00", range(7, 15)),  # the hour that ends at 06:00 is the night's
        ("06:30", "14:30", range(7, 15)),  # half of 06 to 07 is in it, half of 14 to 15 is not enough
        ("06:20", "14:40", range(7, 16)),
        ("06:40", "14:20", range(8, 15)),
        ("06:10", "06:30", range(7, 8)),  # no hour is in it for the most part: the one around it
        ("06:40", "07:20", range(8, 9)),
    ],
)
def test_an_hour_belongs_to_the_shift_in_which_the_most_of_it_lies(start: str, end: str, ends: range) -> None:
    day = at("2026-06-06T00:00+00:00")
    first, last = (day + H * int(t[:2]) + 60.0 * int(t[3:]) for t in (start, end))
    found = hours_of_shift(ShiftSpan("s", "ferrymoor", "Early", first, last))
    assert found == tuple(day + H * n for n in ends)


def test_shifts_that_follow_each_other_share_no_hour_and_leave_none_out() -> None:
    begins = at("2026-06-06T00:00+00:00")
    edges = [begins + H * n for n in (0.0, 7.25, 15.5, 23.0, 31.75)]
    spans = [ShiftSpan(f"s{n}", "y", "x", *pair) for n, pair in enumerate(pairwise(edges))]
    found = [end for span in spans for end in hours_of_shift(span)]
    assert found == [begins + H * n for n in range(1, 33)]


def test_a_start_that_never_comes_keeps_the_offset_before_the_gap() -> None:
    plan = weekly(start=time(1, 30), end=time(5), days="sun")
    span = upcoming(plan, at("2026-03-28T12:00+00:00"), 24 * H)[0]
    assert datetime.fromtimestamp(span.start_s, UTC) == datetime(2026, 3, 29, 1, 30, tzinfo=UTC)


def test_a_start_that_comes_twice_is_its_first() -> None:
    plan = weekly(start=time(1, 30), end=time(5), days="sun")
    span = upcoming(plan, at("2026-10-24T12:00+00:00"), 24 * H)[0]
    assert datetime.fromtimestamp(span.start_s, UTC) == datetime(2026, 10, 25, 0, 30, tzinfo=UTC)


def test_the_running_shift_and_those_before_the_horizon_are_given_in_order() -> None:
    plan = weekly("Early", time(6), time(14), "mon tue wed thu fri")
    spans = upcoming(plan, at("2026-06-08T07:00+01:00"), 48 * H)
    assert [s.id for s in spans] == [
        "ferrymoor:early:2026-06-08T06:00",
        "ferrymoor:early:2026-06-09T06:00",
        "ferrymoor:early:2026-06-10T06:00",
    ]


def test_an_id_does_not_depend_on_when_it_is_asked_for() -> None:
    plan = weekly("Early", time(6), time(14), "tue")
    one = upcoming(plan, at("2026-06-08T07:00+01:00"), 48 * H)
    other = upcoming(plan, at("2026-06-09T05:59+01:00"), 12 * H)
    assert one == other


def test_recurrence_exceptions_and_moved_instances_follow_the_calendar() -> None:
    body = event(
        "early",
        "SUMMARY:Early",
        "DTSTART;TZID=Europe/London:20260601T060000",
        "DTEND;TZID=Europe/London:20260601T140000",
        "RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR",
        "EXDATE;TZID=Europe/London:20260609T060000",
    ) + event(
        "early",
        "RECURRENCE-ID;TZID=Europe/London:20260610T060000",
        "SUMMARY:Early",
        "DTSTART;TZID=Europe/London:20260610T080000",
        "DTEND;TZID=Europe/London:20260610T160000",
    )
    spans = upcoming(calendar_plan(body), at("2026-06-08T00:00+01:00"), 96 * H)
    starts = [f"{datetime.fromtimestamp(s.start_s, LONDON):%d %H:%M}" for s in spans]
    assert starts == ["08 06:00", "10 08:00", "11 06:00"]


def test_a_recurring_event_keeps_its_wall_clock_over_the_change() -> None:
    body = event(
        "early",
        "SUMMARY:Early",
        "DTSTART;TZID=Europe/London:20260327T060000",
        "DURATION:PT8H",
        "RRULE:FREQ=DAILY",
    )
    spans = upcoming(calendar_plan(body), at("2026-03-28T00:00+00:00"), 48 * H)
    assert [datetime.fromtimestamp(s.start_s, UTC).hour for s in spans] == [6, 5]


def test_a_floating_event_is_read_in_the_time_of_the_site() -> None:
    body = event("a", "SUMMARY:Early", "DTSTART:20260608T060000", "DTEND:20260608T140000")
    span = upcoming(calendar_plan(body), at("2026-06-08T00:00+01:00"), 24 * H)[0]
    assert span.start_s == at("2026-06-08T06:00+01:00")


def test_a_holiday_removes_the_shifts_of_that_day_and_a_plain_note_does_not() -> None:
    body = event(
        "h",
        "SUMMARY:Yard closed",
        "CATEGORIES:HOLIDAY",
        "DTSTART;VALUE=DATE:20260609",
        "DTEND;VALUE=DATE:20260610",
    ) + event("n", "SUMMARY:Crane inspection", "DTSTART;VALUE=DATE:20260610")
    plan = calendar_plan(body, weekly("Early", time(6), time(14), "mon tue wed"))
    spans = upcoming(plan, at("2026-06-08T00:00+01:00"), 72 * H)
    assert [s.id[-16:-6] for s in spans] == ["2026-06-08", "2026-06-10"]


def test_cancelled_and_transparent_events_are_no_shifts() -> None:
    times = ("DTSTART:20260608T050000Z", "DTEND:20260608T130000Z")
    body = event("c", "SUMMARY:Early", "STATUS:CANCELLED", *times) + event("t", "TRANSP:TRANSPARENT", *times)
    assert upcoming(calendar_plan(body), at("2026-06-08T00:00+01:00"), 24 * H) == ()


@pytest.mark.parametrize("text", ["", "hello", "BEGIN:VEVENT\r\nEND:VEVENT\r\n", ical("")])
def test_text_that_holds_no_shifts_is_refused_with_its_place(text: str) -> None:
    with pytest.raises(InputError, match="calendar of ferrymoor"):
        calendar_from_text(text, site="ferrymoor", zone=LONDON, from_s=FROM_S, until_s=UNTIL_S)
