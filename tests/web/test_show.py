"""Numbers and times as people read them."""

from datetime import UTC, datetime, timedelta

import pytest

from monitor.web.frame.show import Show
from tests.web import sample

NBSP = "\N{NO-BREAK SPACE}"


def show(**web: object) -> Show:
    return Show(sample.settings(**web))


def at(year: int, month: int, day: int, hour: int, minute: int = 0) -> float:
    return datetime(year, month, day, hour, minute, tzinfo=UTC).timestamp()


def test_temperatures_follow_the_setting() -> None:
    # 0 °C = 32 °F and 100 °C = 212 °F by definition of the scales
    assert show().temperature(14.06) == f"14.1{NBSP}°C"
    assert show(temperature_unit="F").temperature(100.0) == f"212.0{NBSP}°F"
    assert show(temperature_unit="F").temperature(0.0) == f"32.0{NBSP}°F"


def test_a_margin_is_a_difference_not_a_temperature() -> None:
    # a difference of 3 K is 5.4 °F, never 37.4 °F
    assert show(temperature_unit="F").margin(3.0) == f"5.4{NBSP}°F above dew point"
    assert show().margin(-1.25) == f"1.2{NBSP}°C below dew point"
    assert show().margin(None) == "margin not known"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (12, "less than a minute"),
        (1_500, "25 min"),
        (11_400, "3 h 10 min"),
        (90_000, "1 day"),
        (200_000, "2 days"),
    ],
)
def test_durations_are_short(seconds: float, words: str) -> None:
    assert show().duration(seconds).replace(NBSP, " ") == words


def test_a_moment_of_another_day_names_the_day() -> None:
    now_s = at(2026, 9, 18, 5)
    assert show().moment(at(2026, 9, 18, 3, 30), now_s) == "04:30"  # British Summer Time
    assert show().moment(at(2026, 9, 15, 3, 30), now_s) == "Tue 04:30"
    assert show().moment(at(2026, 8, 1, 3, 30), now_s) == "1 Aug 04:30"
    assert show().moment(at(2025, 8, 1, 3, 30), now_s) == "1 Aug 2025 04:30"


def test_the_clock_jumps_back_on_the_night_of_change() -> None:
    # clocks in Great Britain went back on 25 October 2026 at 01:00 UTC
    first = at(2026, 10, 25, 0, 30)
    again = first + timedelta(hours=1).total_seconds()
    assert show().full(first) == "Sun 25 Oct 2026 01:30:00 BST"
    assert show().full(again) == "Sun 25 Oct 2026 01:30:00 GMT"


def test_coming_moments_are_said_as_people_say_them() -> None:
    now_s = at(2026, 9, 18, 5)
    assert show().when(at(2026, 9, 18, 21), now_s) == "today 22:00"
    assert show().when(at(2026, 9, 19, 5), now_s) == "tomorrow 06:00"
    assert show().when(at(2026, 9, 21, 5), now_s) == "Mon 06:00"


def test_a_sentence_gets_the_shops_units_beside_those_it_was_judged_by() -> None:
    # NIST SP 811, B.8: 1 in is 25.4 mm, 1 psi 6.894757 kPa, 1 ft3 0.02831685 m3; 260 °C is 500 °F, 430 °C 806
    us = show(temperature_unit="F", units="us")
    assert us.told("Redry it once at 260-430 °C for 2 h.") == (
        f"Redry it once at 260-430 °C (500-806{NBSP}°F) for 2 h."
    )
    assert us.told("15 L/min at 200 bar, 25.4 mm") == (
        f"15 L/min (32{NBSP}ft³/h) at 200 bar (2901{NBSP}psi), 25.4 mm (1.00{NBSP}in)"
    )
    assert us.told("Not stored above 54 °C (130 °F).") == "Not stored above 54 °C (130 °F)."
    assert show().told("260 °C, 15 L/min") == "260 °C, 15 L/min"
