"""Shifts from an iCalendar (RFC 5545) reach the running service, stay right, and are looked at again."""

import time
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from click.testing import CliRunner

from monitor.cli.main import main
from monitor.engine.calendars import Calendars
from monitor.engine.service import Service
from monitor.model.errors import InputError
from monitor.settings.file import load
from tests.engine.live import LiveYard
from tests.engine.offline import Offline
from tests.engine.yard import START_S, AnchoredClock, write_shop
from tests.receivers import web_receiver

LONDON = ZoneInfo("Europe/London")
DAY_S = 86_400.0
CALENDAR = """BEGIN:VCALENDAR\r
VERSION:2.0\r
PRODID:-//Ferrymoor Slipway//Shifts//EN\r
BEGIN:VEVENT\r
UID:{name}@ferrymoor.example\r
DTSTAMP:20260101T000000Z\r
SUMMARY:{name}\r
DTSTART;TZID=Europe/London:20260105T{hour:02d}0000\r
DTEND;TZID=Europe/London:20260105T{end:02d}0000\r
RRULE:FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR\r
EXDATE;TZID=Europe/London:20260910T{hour:02d}0000\r
END:VEVENT\r
END:VCALENDAR\r
"""
BY_CALENDAR = """
[[calendars]]
site = "yard"
source = "shifts.ics"
"""


def put(folder: Path, name: str = "Early", hour: int = 6) -> None:
    text = CALENDAR.format(name=name, hour=hour, end=hour + 8)
    (folder / "shifts.ics").write_text(text, encoding="utf-8", newline="")


def shop_file(folder: Path) -> Path:
    file = write_shop(folder, 1, "http://127.0.0.1:1")
    file.write_text(file.read_text(encoding="utf-8") + BY_CALENDAR, encoding="utf-8")
    return file


def test_the_service_works_by_the_calendar_beside_its_settings(tmp_path: Path) -> None:
    put(tmp_path)
    clock = AnchoredClock(time.time(), 1.0)
    with web_receiver() as phone, LiveYard(tmp_path, phone.url, extra=BY_CALENDAR, clock=clock) as yard:
        yard.until(lambda: yard.part("calendar yard").ok, "the calendar is read")
        spans = yard.service.shift_spans(START_S, START_S + 3 * DAY_S)
        local = [datetime.fromtimestamp(span.start_s, LONDON) for span in spans]
        assert [f"{one:%a %d %H:%M}" for one in local] == ["Wed 09 06:00", "Fri 11 06:00"]  # not on the 10th
        part = yard.part("calendar yard")
        assert (part.ok, part.text) == (True, "read")


def test_a_calendar_that_is_not_there_is_a_fault_of_the_settings(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    with pytest.raises(InputError, match=r"shifts\.ics"):
        Service(load(file), AnchoredClock(time.time(), 1.0))
    result = CliRunner().invoke(main, ["check", str(file)])
    assert result.exit_code == 1
    assert "shifts.ics" in result.stderr


def test_what_was_changed_is_read_and_what_was_spoiled_leaves_the_old(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    put(tmp_path)
    calendars = Calendars(load(file))
    (first,) = calendars.read(START_S)
    assert calendars.read(START_S + 3600.0) == (first,)
    put(tmp_path, "Night", 14)
    (second,) = calendars.read(START_S + 7200.0)
    assert second is not first
    (tmp_path / "shifts.ics").write_text("<html>sign in</html>", encoding="utf-8")
    assert calendars.read(START_S + 10_800.0) == (second,)
    (part,) = calendars.parts()
    assert not part.ok
    assert part.text.endswith("what it said before holds")


def test_a_start_knows_the_shifts_of_before_and_reads_nothing_for_it(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    put(tmp_path)
    (before,) = Calendars(load(file)).read(START_S)
    (tmp_path / "shifts.ics").write_text("<html>sign in</html>", encoding="utf-8")
    again = Calendars(load(file))
    (known,) = again.known(START_S + 3600.0)
    assert known.says_the_same(before)
    assert again.known(START_S + 2 * 366 * DAY_S) == (known,)  # the one in hand; a new start has none
    assert Calendars(load(file)).known(START_S + 2 * 366 * DAY_S) == ()
    for kept in (tmp_path / "data" / "calendars").glob("*.shifts"):
        kept.write_text("{broken", encoding="utf-8")
    assert Calendars(load(file)).known(START_S) == ()


def test_before_its_first_reading_a_calendar_gives_no_leave_to_keep_silent(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    put(tmp_path)
    calendars = Calendars(load(file))
    assert calendars.known(START_S) == ()
    (part,) = calendars.parts()
    assert (part.ok, part.text) == (False, "is being read; its shifts are not known yet")


def test_an_address_that_never_answers_does_not_stop_a_start(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    text = file.read_text(encoding="utf-8").replace('"shifts.ics"', '"http://127.0.0.1:1/shifts.ics"')
    file.write_text(text, encoding="utf-8")
    calendars = Calendars(load(file))
    assert calendars.read(START_S) == ()
    (part,) = calendars.parts()
    assert not part.ok
    assert part.text.endswith("its shifts are not known")


def test_new_shifts_hold_from_the_moment_they_are_known(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    put(tmp_path)
    yard = Offline(file)
    calendars = Calendars(yard.settings)
    assert yard.loop.shop.shifts.calendars == ()
    yard.loop.reshape(calendars=calendars.read(START_S))
    yard.goes_on(5, evening_minute=0.0)
    yard.close()
    assert len(yard.loop.shop.shifts.calendars) == 1


RUN_OUT = CALENDAR.replace("RRULE:FREQ=WEEKLY;", "RRULE:FREQ=WEEKLY;UNTIL=20260801T000000Z;")


def test_a_calendar_that_has_run_out_gives_no_leave_to_keep_silent(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    text = RUN_OUT.format(name="Early", hour=6, end=14)
    (tmp_path / "shifts.ics").write_text(text, encoding="utf-8", newline="")
    yard = Offline(file)
    calendars = Calendars(yard.settings)
    yard.loop.reshape(calendars=calendars.read(START_S))
    posted = yard.goes_on(90)  # a humid evening: the plate sweats
    yard.close()
    said = [note.title for channel, note in posted if channel == "phone"]
    assert any("No shift is known" in title for title in said), said
    assert any("wet" in title.lower() or "sweat" in title.lower() for title in said), said
    (part,) = calendars.parts()
    assert not part.ok
    assert "run out" in part.text


def test_a_calendar_nobody_could_read_gives_no_leave_to_keep_silent(tmp_path: Path) -> None:
    file = shop_file(tmp_path)
    weekly = '\n[[shifts]]\nsite = "yard"\nname = "Early"\ndays = ["mon"]\nstart = "06:00"\nend = "14:00"\n'
    file.write_text(file.read_text(encoding="utf-8") + weekly, encoding="utf-8")
    yard = Offline(file)
    posted = yard.goes_on(
        90
    )  # on a Tuesday, by the settings nobody is there; what the calendar adds is unknown
    yard.close()
    said = [note.title for _, note in posted]
    assert any("No shift is known" in title for title in said), said
    assert any("wet" in title.lower() or "sweat" in title.lower() for title in said), said
