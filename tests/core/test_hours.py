"""Who is at work, and who is about to leave, by the shifts of the invented yard."""

from dataclasses import replace
from datetime import datetime
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from monitor.core.shop import Shop
from monitor.core.working_hours import hours
from monitor.engine.build import build_shop
from monitor.outlook.calendar_text import calendar_from_text
from monitor.outlook.shifts import ShiftCalendar, ShiftPlan
from monitor.settings.file import load
from monitor.settings.reference import config_folder

SITE = "ferrymoor"  # weekdays 06:00 to 22:00 in two shifts, Saturday to 14:00


@cache
def shop() -> Shop:
    return build_shop(load(config_folder() / "ferrymoor.toml"))


def at(moment: str) -> float:
    return datetime.fromisoformat(moment).replace(tzinfo=ZoneInfo("Europe/London")).timestamp()


@pytest.mark.parametrize(
    ("moment", "working", "back"),
    [
        ("2026-09-07T05:29", False, None),
        ("2026-09-07T05:30", True, None),  # half an hour before the first arc
        ("2026-09-07T13:30", True, None),  # the late shift follows: nobody leaves the yard
        ("2026-09-07T20:59", True, None),
        ("2026-09-07T21:00", True, "2026-09-08T06:00"),
        ("2026-09-07T22:00", False, None),
        ("2026-09-12T13:30", True, "2026-09-14T06:00"),  # Saturday: away until Monday
        ("2026-10-24T13:30", True, "2026-10-26T06:00"),  # summer time ends in between
    ],
)
def test_the_yard_knows_its_hours(moment: str, working: bool, back: str | None) -> None:
    now = hours(shop(), at(moment))
    assert (SITE in now.at_work) is working
    assert now.back_s == ({} if back is None else {SITE: at(back)})


def test_a_site_without_shifts_is_always_at_work_and_never_left() -> None:
    always = replace(shop(), shifts=ShiftPlan())
    assert hours(always, at("2026-09-13T03:00")) == (frozenset({SITE}), {}, frozenset())


def read(text: str) -> ShiftCalendar:
    zone, (from_s, until_s) = ZoneInfo("Europe/London"), (at("2026-01-01T00:00"), at("2027-12-01T00:00"))
    return calendar_from_text(text, site=SITE, zone=zone, from_s=from_s, until_s=until_s)


def test_a_rest_ends_with_a_shift_that_is_known_even_if_it_is_weeks_away() -> None:
    """A works holiday of three weeks is a rest; a plan that names no shift any more is none."""
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Ferrymoor Slipway//EN\r\n"
        "BEGIN:VEVENT\r\nUID:a@x\r\nDTSTAMP:20260101T000000Z\r\nSUMMARY:Early\r\n"
        "DTSTART:20260907T060000Z\r\nDTEND:20260907T140000Z\r\nEND:VEVENT\r\n"
        "BEGIN:VEVENT\r\nUID:b@x\r\nDTSTAMP:20260101T000000Z\r\nSUMMARY:Early\r\n"
        "DTSTART:20261001T060000Z\r\nDTEND:20261001T140000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    calendar = read(text)
    holiday = replace(shop(), shifts=ShiftPlan(calendars=(calendar,)))
    between, after = hours(holiday, at("2026-09-15T03:00")), hours(holiday, at("2026-10-02T03:00"))
    assert (between.at_work, between.unknown) == (frozenset(), frozenset())
    assert (after.at_work, after.unknown) == (frozenset({SITE}), frozenset({SITE}))


def test_where_settings_and_calendar_differ_work_counts() -> None:
    """The settings know of no work on a Sunday night, the calendar does: silence would be the looser one."""
    text = (
        "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//Ferrymoor Slipway//EN\r\n"
        "BEGIN:VEVENT\r\nUID:a@x\r\nDTSTAMP:20260101T000000Z\r\nSUMMARY:Night\r\n"
        "DTSTART:20260913T010000Z\r\nDTEND:20260913T060000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    calendar = read(text)
    plan = replace(shop().shifts, calendars=(calendar,))
    assert hours(shop(), at("2026-09-13T03:00")).at_work == frozenset()
    assert hours(replace(shop(), shifts=plan), at("2026-09-13T03:00")).at_work == frozenset({SITE})
