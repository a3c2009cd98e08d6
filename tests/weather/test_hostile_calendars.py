"""A calendar may say anything: it is refused by name or cut short, and never holds anything else up.

Rules and values after RFC 5545; what is refused is legal there, but no shop works by it.
"""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
import requests

from monitor.model.errors import InputError
from monitor.outlook.calendar_text import MOST_SHIFTS
from monitor.weather.calendar_source import MOST_BYTES, CalendarPlace, unrolled
from tests.engine.yard import START_S, write_shop
from tests.misbehaviours.listed import TRANSPORT
from tests.misbehaviours.servers import misbehaving
from tests.receivers import free_port

DRIPS = next(how for how in TRANSPORT if how.name == "drips")
SECONDS = ",".join(f"20260105T{n // 3600:02d}{n // 60 % 60:02d}{n % 60:02d}Z" for n in range(20_000))
PLACE = CalendarPlace("shifts.ics", "yard", ZoneInfo("Europe/London"))


def ical(*lines: str, before: str = "") -> str:
    event = "\r\n".join(["BEGIN:VEVENT", "UID:1", "DTSTAMP:20260101T000000Z", "SUMMARY:Early", *lines])
    head = "BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//x//EN\r\n"
    return f"{head}{before}{event}\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"


START, END = "DTSTART:20260105T060000Z", "DTEND:20260105T140000Z"
EVERY_SECOND_ZONE = (
    "BEGIN:VTIMEZONE\r\nTZID:Slip\r\nBEGIN:STANDARD\r\nDTSTART:16010101T000000\r\nTZOFFSETFROM:+0000\r\n"
    "TZOFFSETTO:+0000\r\nRRULE:FREQ=SECONDLY\r\nEND:STANDARD\r\nEND:VTIMEZONE\r\n"
)
MANY = "".join(f"BEGIN:VEVENT\r\nUID:{n}\r\n{START}\r\n{END}\r\nEND:VEVENT\r\n" for n in range(5_001))
REFUSED = {
    "every zeroth day": (ical(START, END, "RRULE:FREQ=DAILY;INTERVAL=0"), "INTERVAL=0"),
    "every second": (ical(START, END, "RRULE:FREQ=SECONDLY"), "FREQ=SECONDLY"),
    "every minute": (ical(START, END, "RRULE:FREQ=MINUTELY"), "FREQ=MINUTELY"),
    "left out every second": (
        ical(START, END, "RRULE:FREQ=DAILY", "EXRULE:FREQ=SECONDLY"),
        "FREQ=SECONDLY",
    ),
    "every second by its numbers": (
        ical(START, END, f"RRULE:FREQ=DAILY;BYMINUTE={','.join(map(str, range(60)))}"),
        "times a day",
    ),
    "since the year 1": (ical("DTSTART:00010101T000000Z", "DTEND:00010101T080000Z"), "the year 1"),
    "in the last year there is": (ical("DTSTART:99991231T000000Z", "DTEND:99991231T080000Z"), "9999"),
    "a clock that changes every second": (ical(START, END, before=EVERY_SECOND_ZONE), "FREQ=SECONDLY"),
    "too many events": (ical(START, END, before=MANY), "events"),
    "too long": (ical(START, END, "DESCRIPTION:" + "x" * MOST_BYTES), "bytes"),
    "no calendar": ("<html>sign in</html>", "iCalendar"),
    "no event": ("BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", "no VEVENT"),
    "nothing": ("", "is not"),
}
BOUNDED = {
    "a day that never comes": ical(START, END, "RRULE:FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30"),
    "a thousand million times": ical(START, END, "RRULE:FREQ=DAILY;COUNT=1000000000"),
    "until the last year": ical(START, END, "RRULE:FREQ=DAILY;UNTIL=99991231T000000Z"),
    "a shift of ten thousand years": ical(START, "DURATION:P3650000D"),
    "a holiday until the last year": ical(
        "DTSTART;VALUE=DATE:20260105", "DTEND;VALUE=DATE:99991231", "CATEGORIES:HOLIDAY"
    ),
    "twenty thousand dates": ical(START, END, f"RDATE:{SECONDS}"),
    "a deep nest": ical(START, END, before="BEGIN:VCALENDAR\r\n" * 5_000 + "END:VCALENDAR\r\n" * 5_000),
    "bytes of chance": "BEGIN:VCALENDAR\r\n" + "\x00\udcff" * 500 + "\r\nEND:VCALENDAR\r\n",
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_no_shop_works_by_is_refused_and_named(name: str) -> None:
    text, why = REFUSED[name]
    with pytest.raises(InputError, match=why):
        unrolled(PLACE, text.encode(), START_S)


@pytest.mark.parametrize("name", BOUNDED)
def test_what_leads_far_is_cut_short_or_refused(name: str) -> None:
    try:
        found = unrolled(PLACE, BOUNDED[name].encode("utf-8", "replace"), START_S)
    except InputError:
        return
    assert len(found.events) <= MOST_SHIFTS
    assert len(found.days_off) <= 366


def test_a_calendar_that_takes_too_long_is_left_and_says_so() -> None:
    rule = "RRULE:FREQ=DAILY;BYHOUR=" + ",".join(map(str, range(24)))
    events = "".join(
        f"BEGIN:VEVENT\r\nUID:{n}\r\n{START}\r\n{END}\r\n{rule}\r\nEND:VEVENT\r\n" for n in range(4_000)
    )
    with pytest.raises(InputError, match=r"longer than 3 s|needs more than"):
        unrolled(PLACE, ical(START, END, before=events).encode(), START_S, total_s=3.0)


def test_an_address_that_drips_holds_up_neither_pages_nor_the_end(tmp_path: Path) -> None:
    """The whole service: its page opens before the calendar is read, and SIGTERM ends it meanwhile."""
    port, web = free_port(), free_port()
    with misbehaving(DRIPS) as calendar:
        file = write_shop(tmp_path, port, "http://127.0.0.1:1")
        text = file.read_text(encoding="utf-8").replace("port = 0\n", f"port = {web}\n")
        text += f'\n[[calendars]]\nsite = "yard"\nsource = "http://127.0.0.1:{calendar.port}/shifts.ics"\n'
        file.write_text(text, encoding="utf-8")
        with (tmp_path / "log").open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "monitor", "run", str(file)], env=dict(os.environ), stderr=log
            )
        try:
            until(lambda: opens(web), "the page opens")
            until(lambda: calendar.asked > 0, "the calendar is asked")
            parts = {
                one["name"]: one
                for one in requests.get(f"http://127.0.0.1:{web}/api/now", timeout=10).json()["parts"]
            }
            assert "not known" in parts["calendar yard"]["text"]
            process.send_signal(signal.SIGTERM)
            assert process.wait(60) == 0
            # It was still dripping: nobody had given it up yet.
            assert "calendar cannot be read" not in (tmp_path / "log").read_text(encoding="utf-8")
        finally:
            process.kill()
            process.wait()


def opens(port: int) -> bool:
    try:
        return requests.get(f"http://127.0.0.1:{port}/", timeout=5).status_code == 200
    except requests.RequestException:
        return False


def until(condition: Callable[[], bool], what: str, timeout_s: float = 60.0) -> None:
    end_s = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end_s, f"not within {timeout_s:g} s: {what}"
        time.sleep(0.05)
