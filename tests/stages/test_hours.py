"""Who is at work, and who is about to leave, by the shifts of the invented yard."""

from dataclasses import replace
from datetime import datetime
from functools import cache
from zoneinfo import ZoneInfo

import pytest

from monitor.outlook.shifts import ShiftPlan
from monitor.reference import config_folder
from monitor.settings_file import load
from monitor.shop import build_shop
from monitor.stages.facts import Shop
from monitor.stages.hours import hours

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
    assert hours(always, at("2026-09-13T03:00")) == (frozenset({SITE}), {})
