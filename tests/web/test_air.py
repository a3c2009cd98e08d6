"""The moist-air view of a week: its marks are the store's hours, its line the steel of the worst one."""

import re

import pytest
import requests
from playwright.sync_api import Browser

from monitor.model.reading import Quantity, SeriesKey
from monitor.report.moist_air_chart import sweats_from_kgkg
from monitor.web.pages import week_data
from monitor.web.server import Server
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened
from tests.web.sample import Shop
from tests.web.sample_shop import TZ

HOUR_S = 3_600.0


def page(server: Server, query: str) -> str:
    return requests.get(f"{server.url}/week/air?{query}", timeout=10).text


def scale(html: str, y_axis: str, of: str) -> tuple[float, float]:
    """What one percent of the drawing is worth, and the value at 0 %, from two marks of an axis."""
    part = html[html.index(y_axis) :]
    pairs = re.findall(of, part)
    (a, first), (b, second) = [(float(x), float(v)) for x, v in (pairs[0], pairs[-1])]
    slope = (second - first) / (b - a)
    return slope, first - slope * a


def test_every_hour_of_the_place_is_a_mark_where_the_store_has_it(server: Server, shop: Shop) -> None:
    html = page(server, "zone=slip-bay")
    window = week_data.last_days(shop.now_s, TZ, 900.0)

    def stored(quantity: Quantity) -> dict[float, float]:
        key = SeriesKey("slip-bay", "zone", quantity)
        found = shop.series.buckets(key, window.start_s, window.end_s, HOUR_S)
        return {bucket.start_s: bucket.mean for bucket in found}

    warm, ratio = stored(Quantity.AIR_TEMPERATURE), stored(Quantity.HUMIDITY_RATIO)
    drawn = html[: html.index("<figcaption")]
    marks = re.findall(r'<use class="air-hour[^>]* x="([\d.]+)%" y="([\d.]+)%"', drawn)
    assert len(marks) == len(ratio)
    across = scale(html, 'class="lane-row days"', r'<text x="([\d.]+)%"[^>]*>([\d.]+)<')
    up = scale(html, 'class="y-axis"', r'<text x="100%"[^>]* y="([\d.]+)%"[^>]*>([\d.]+)<')
    for (x, y), start_s in list(zip(marks, sorted(ratio), strict=True))[::10]:
        assert across[0] * float(x) + across[1] == pytest.approx(warm[start_s], abs=0.05)
        assert up[0] * float(y) + up[1] == pytest.approx(1_000 * ratio[start_s], abs=0.05)


def test_the_line_is_that_of_the_steel_nearest_its_dew_point(server: Server, shop: Shop) -> None:
    html = page(server, "zone=slip-bay")
    window = week_data.last_days(shop.now_s, TZ, 900.0)
    worst = min(
        (bucket.mean, bucket.start_s, key)
        for key in shop.series.keys()  # noqa: SIM118 (no mapping)
        if key.zone == "slip-bay" and key.quantity is Quantity.MARGIN
        for bucket in shop.series.buckets(key, window.start_s, window.end_s, HOUR_S)
    )
    skin = SeriesKey("slip-bay", worst[2].source, Quantity.SKIN_TEMPERATURE)
    (bucket,) = shop.series.buckets(skin, worst[1], worst[1] + HOUR_S, HOUR_S)
    line = re.search(r'class="sweat-line" x1="([\d.]+)%"[^>]* y1="([\d.]+)%"', html)
    assert line is not None
    up = scale(html, 'class="y-axis"', r'<text x="100%"[^>]* y="([\d.]+)%"[^>]*>([\d.]+)<')
    expected = 1_000 * sweats_from_kgkg(bucket.mean, 101_325.0)
    assert up[0] * float(line[2]) + up[1] == pytest.approx(expected, abs=0.05)
    assert f"Keel plate 25 mm at {bucket.mean:.1f}" in html


def test_a_place_without_steel_says_that_none_was_judged(server: Server) -> None:
    html = page(server, "zone=wire-store")
    assert "No steel was judged here" in html
    assert "sweat-line" not in html
    assert "not judged" in html  # the table does not say 0 h


def test_a_week_of_which_nothing_is_stored_draws_nothing(server: Server) -> None:
    assert "no temperature and humidity are stored" in page(server, "week=2026-W30")


@WITH_CHROMIUM
@pytest.mark.parametrize("size", [PHONE, WALL], ids=["phone", "wall"])
def test_it_fits_its_screen(chromium: Browser, server: Server, size: dict[str, int]) -> None:
    watched = opened(chromium, server, "/week/air", size)
    script = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
    assert watched.page.evaluate(script) == 0
    assert watched.complaints == []
    watched.page.context.close()
