"""The weekly page: the right stretch of time, gaps and limits visible, a table and a file beside it."""

import csv
import io
import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest
import requests

from monitor.model.reading import Quantity, SeriesKey
from monitor.web.pages import week_data
from monitor.web.server import Server
from tests.web.sample import Shop
from tests.web.sample_ahead import scores
from tests.web.sample_shop import TZ

LONDON = ZoneInfo("Europe/London")


@pytest.mark.parametrize(
    ("week", "start", "hours"),
    [
        ("2026-W38", "2026-09-13T23:00", 168),  # ISO 8601 week 38 of 2026 begins on Monday 14 September
        ("2026-W43", "2026-10-18T23:00", 169),  # clocks back on 25 October 2026
        ("2026-W13", "2026-03-23T00:00", 167),  # clocks forward on 29 March 2026
        ("2020-W53", "2020-12-28T00:00", 168),  # a year of 53 weeks
    ],
)
def test_a_week_runs_from_local_monday_to_local_monday(week: str, start: str, hours: int) -> None:
    window = week_data.week_window(week, LONDON, 900.0)
    assert datetime.fromtimestamp(window.start_s, UTC).isoformat()[:16] == start
    assert window.end_s - window.start_s == hours * 3_600
    assert len(week_data.days_of(window, LONDON)) == 7


def test_the_last_seven_days_end_tonight() -> None:
    now_s = datetime(2026, 9, 18, 4, 52, tzinfo=UTC).timestamp()
    window = week_data.last_days(now_s, LONDON, 900.0)
    assert datetime.fromtimestamp(window.start_s, LONDON).isoformat() == "2026-09-12T00:00:00+01:00"
    assert datetime.fromtimestamp(window.end_s, LONDON).isoformat() == "2026-09-19T00:00:00+01:00"


def test_lines_limits_shifts_and_warnings_are_drawn(server: Server) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    for words in ("Dew point", "Relative humidity", "Coldest surface", "limit 80", "limit 60", ">Late<"):
        assert words in html
    assert html.count('class="warned"') == 3 * 3
    assert "Humid air: Wire Store" in html
    assert "and 2 more" in html  # three cylinders within the hour are one warning


def test_a_sensor_outage_breaks_the_line_and_is_marked(server: Server) -> None:
    html = requests.get(server.url + "/week?zone=plate-yard", timeout=10).text
    path = re.search(r'class="line t0" d="([^"]+)"', html)
    assert path
    assert path.group(1).count("M") == 2
    assert 'class="hole"' in html
    assert 'class="lane-hole"' in html
    assert "plate-1: failure, no reading for 25 min" in html


def test_doubtful_readings_are_marked_and_not_in_the_line(server: Server) -> None:
    html = requests.get(server.url + "/week?zone=slip-bay", timeout=10).text
    assert html.count('class="cross"') > 10
    assert "doubtful humidity readings" in html


def test_the_table_holds_the_numbers_by_day(server: Server) -> None:
    html = requests.get(server.url + "/week?zone=gas-cage", timeout=10).text
    assert "In numbers" in html
    assert html[html.index("In numbers") :].count('<th scope="row">') == 1 + 7
    assert "below dew point" in html


def test_the_series_leave_as_csv_in_utc_and_local_time(server: Server) -> None:
    text = requests.get(server.url + "/week.csv?zone=gas-cage", timeout=10).text
    rows = list(csv.DictReader(io.StringIO(text)))
    assert {row["quantity"] for row in rows} == {"dew_point_c", "relative_humidity_frac", "margin_k"}
    first = rows[0]
    assert first["start_utc"] == "2026-09-11T23:00:00Z"
    assert first["start_local"] == "2026-09-12T00:00:00+01:00"


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("week=2026-38", 422, "write one like 2026-W38"),
        ("week=2026-W54", 422, "write one like 2026-W38"),
        ("week=2025-W53", 422, "not a week of that year"),
        ("week=0000-W01", 422, "write one like 2026-W38"),
        ("zone=attic", 404, "There is no zone"),
        ("week=1999-W01", 200, "Nothing is stored for these days"),
        ("week=9999-W52", 422, "write one like 2026-W38"),
    ],
)
def test_a_wrong_request_is_explained(server: Server, query: str, status: int, words: str) -> None:
    response = requests.get(f"{server.url}/week?{query}", timeout=10)
    assert response.status_code == status
    assert words in response.text


def test_the_warnings_of_shifts_are_scored_with_lead_time(server: Server) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    part = html[html.index('id="score"') : html.index("In numbers")]
    found = re.findall(r"<li><b>([^<]+)</b> <span>([^<]+)</span>", part)
    # two hits told 9.5 h and 12.5 h before, one humid shift not warned of, one warning for nothing
    assert found == [
        ("2", "hits"),
        ("1", "missed"),
        ("1", "false alarm"),
        ("2", "rightly quiet"),
        ("11.0\N{NO-BREAK SPACE}h", "mean lead of the hits"),
    ]


def test_the_week_says_what_makes_a_shift_humid(server: Server) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    assert "an hourly mean in it went past a limit" in html


def test_a_week_without_a_scored_shift_says_so(server: Server) -> None:
    assert (
        "No shift of these days has been scored"
        in requests.get(server.url + "/week?week=2026-W30", timeout=10).text
    )


def test_the_chance_of_each_shift_is_drawn_as_high_as_it_was_told_with_what_came(server: Server) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    lane = html[html.index("told-lane") : html.index('data-panel="dew"')]
    heights = [float(found) for found in re.findall(r'class="told-odds"[^>]* height="([\d.]+)"', lane)]
    assert heights == pytest.approx([28 * one.shown_frac for one in scores()], abs=0.06)
    came = re.findall(r'class="told-came"[^>]*>([^<]+)<', lane)
    assert came == ["○", "▲", "▲!", "○", "○", "▲"]


def test_a_missed_shift_stands_in_its_line_and_an_unscored_one_says_so(server: Server) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    rows = dict(re.findall(r'<tr><th scope="row">([^<]+)</th>.*?data-label="Told">(.*?)</td>', html, re.S))
    assert "missed: came humid" in rows["Day Tue 15 Sep"]
    assert "told, came humid" in rows["Late Mon 14 Sep"]
    assert rows["Day Thu 17 Sep"] == "not scored"


def test_the_dew_point_as_told_is_drawn_from_what_was_stored(server: Server, shop: Shop) -> None:
    html = requests.get(server.url + "/week?zone=slip-bay", timeout=10).text
    part = html[html.index('data-panel="dew"') :]
    low, high = map(float, re.findall(r'data-(?:low|high)="([^"]+)"', part)[:2])
    path = re.search(r'class="line told t0" d="([^"]+)"', part)
    assert path is not None
    window = week_data.last_days(shop.now_s, TZ, 900.0)
    key = SeriesKey("slip-bay", "zone", Quantity.DEW_POINT_TOLD)
    stored = shop.series.buckets(key, window.start_s, window.end_s, 900.0)
    drawn = [high - float(y) / 1_000 * (high - low) for y in re.findall(r"\d+ (\d+)", path[1])]
    assert len(drawn) == len(stored)
    assert drawn == pytest.approx([bucket.mean for bucket in stored], abs=1.01 * (high - low) / 1_000)


def test_the_week_before_lies_behind_all_places_from_the_lowest_to_the_highest(
    server: Server, shop: Shop
) -> None:
    html = requests.get(server.url + "/week", timeout=10).text
    part = html[html.index('data-panel="dew"') :]
    low, high = map(float, re.findall(r'data-(?:low|high)="([^"]+)"', part)[:2])
    area = re.search(r'class="ghost-area" d="([^"]+)"', part)
    assert area is not None
    drawn = [high - float(y) / 1_000 * (high - low) for y in re.findall(r"\d+ (\d+)", area[1])]
    window, week_s = week_data.last_days(shop.now_s, TZ, 900.0), 7 * 86_400.0
    zones = ("slip-bay", "panel-hall", "wire-store", "gas-cage", "plate-yard", "slipway-mast")
    hours = [
        bucket.mean
        for zone in zones
        for bucket in shop.series.buckets(
            SeriesKey(zone, "zone", Quantity.DEW_POINT),
            window.start_s - week_s,
            window.end_s - week_s,
            3_600.0,
        )
    ]
    fine = 1.01 * (high - low) / 1_000
    assert (min(drawn), max(drawn)) == pytest.approx((min(hours), max(hours)), abs=fine)
    assert "the week before, lowest to highest" in html
