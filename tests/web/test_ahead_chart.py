"""The chart of the next two days: measured up to now, foretold from then on, with its shifts above."""

import re

import pytest
import requests
from playwright.sync_api import Browser

from monitor.model.reading import Quantity, SeriesKey
from monitor.outlook.courses import spread
from monitor.physics.saturation import dew_point_c
from monitor.report.chart import Y_FULL
from monitor.web.server import Server
from tests.web import sample
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened
from tests.web.test_thing_chart import drawn


def near(points: list[tuple[float, float]], time_s: float) -> float:
    return min(points, key=lambda one: abs(one[0] - time_s))[1]


def test_the_lines_are_the_store_s_up_to_now_and_the_courses_medians_from_then_on(
    server: Server, shop: sample.Shop
) -> None:
    html = requests.get(server.url + "/ahead?place=slip-bay", timeout=10).text
    line = drawn(html, "wet", 0)
    key = SeriesKey("slip-bay", "zone", Quantity.RELATIVE_HUMIDITY)
    stored = shop.series.buckets(key, sample.NOW_S - 12 * 3_600, sample.NOW_S, 900.0)
    for bucket in stored[2:-2:6]:
        assert near(line, bucket.start_s + 450.0) == pytest.approx(100 * bucket.mean, abs=0.2)
    (site,) = shop.looked
    assert site.questions is not None
    course = site.questions.ahead.air["slip-bay"]
    for hour in range(2, 46, 4):
        there = near(line, float(course.times_s[hour]))
        assert there == pytest.approx(100 * course.humidity_frac[-1, hour], abs=1.0)


def test_the_band_holds_nine_courses_in_ten(server: Server, shop: sample.Shop) -> None:
    html = requests.get(server.url + "/ahead?place=slip-bay", timeout=10).text
    part = html[html.index('data-panel="dew"') :]
    low, high = (float(one) for one in re.findall(r'data-(?:low|high)="([^"]+)"', part)[:2])
    area = re.search(r'class="area t0" d="([^"]+)"', part)
    assert area is not None
    values = [high - float(y) / Y_FULL * (high - low) for y in re.findall(r"\d+ (\d+)", area[1])]
    (site,) = shop.looked
    assert site.questions is not None
    ends = spread(dew_point_c(site.questions.ahead.air["slip-bay"].vapour_pressure_pa))
    assert max(values) == pytest.approx(float(ends[2, 1:].max()), abs=0.3)
    assert min(values) == pytest.approx(float(ends[0, 1:-1].min()), abs=0.3)


def test_shifts_stand_above_the_plots_with_their_level_and_chance(server: Server, shop: sample.Shop) -> None:
    html = requests.get(server.url + "/ahead", timeout=10).text
    lane = html[html.index("outlook-lane") : html.index('data-panel="')]
    (site,) = shop.looked
    assert lane.count('class="shift-box"') == len(site.outlooks) == 3
    for outlook in site.outlooks:
        assert f"band-{outlook.level.value}" in lane
    assert ">now<" in html


def test_a_site_that_cannot_be_foretold_has_no_chart(shop: sample.Shop, server: Server) -> None:
    before = shop.looked
    shop.looked = ()
    html = requests.get(server.url + "/ahead", timeout=10).text
    shop.looked = before
    assert "No look ahead has been made" in html
    assert 'id="chart"' not in html


@WITH_CHROMIUM
@pytest.mark.parametrize("size", [PHONE, WALL], ids=["phone", "wall"])
@pytest.mark.parametrize("path", ["/ahead", "/ahead?place=gas-cage"])
def test_the_chart_fits_its_screen_and_reads_by_keys(
    chromium: Browser, server: Server, size: dict[str, int], path: str
) -> None:
    page = opened(chromium, server, path, size).page
    beyond = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert beyond == 0
    page.locator("#crosshair").focus()
    page.keyboard.press("ArrowLeft")
    assert re.match(r"\w{3},? \d\d:\d\d: .*\d", page.locator(".readout").first.inner_text())
    page.context.close()
