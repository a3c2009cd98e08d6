"""One crosshair through all plots by key, finger and pointer, and a nearer look by key, drag and tap."""

import re

import pytest
import requests
from playwright.sync_api import Browser, Page

from monitor.model.reading import Quantity, SeriesKey
from monitor.web.server import Server
from tests.web import sample
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened

pytestmark = WITH_CHROMIUM
TABLET = {"width": 768, "height": 1024}


def readouts(page: Page) -> list[str]:
    """What stands beside the plots' titles."""
    return page.locator(".panel .readout").all_inner_texts()


def drawn(page: Page) -> tuple[float, float]:
    """The stretch of time that is drawn."""
    chart = page.locator("#chart")
    return float(chart.get_attribute("data-start") or 0), float(chart.get_attribute("data-end") or 0)


def test_keys_move_one_crosshair_through_all_plots_and_read_the_store(
    chromium: Browser, shop: sample.Shop, server: Server
) -> None:
    page = opened(chromium, server, "/week?zone=gas-cage", PHONE).page
    hand = page.locator("#crosshair")
    hand.focus()
    for _ in range(5):
        page.keyboard.press("PageDown")
    said = readouts(page)
    assert len(said) == 3
    assert len({one.partition(": ")[0] for one in said}) == 1  # one moment for all
    start_s, end_s = drawn(page)
    at_s = start_s + float(hand.input_value()) / 1000.0 * (end_s - start_s)
    key = SeriesKey("gas-cage", "zone", Quantity.RELATIVE_HUMIDITY)
    near = shop.series.buckets(key, at_s - 2_700.0, at_s + 2_700.0, 900.0)
    found = re.search(r"Gas Cage ([\d.]+)", said[1])
    assert found is not None
    held = [100.0 * bucket.mean for bucket in near]
    assert min(held) - 0.2 <= float(found[1]) <= max(held) + 0.2
    assert said[0] in (hand.get_attribute("aria-valuetext") or "")
    page.context.close()


@pytest.mark.parametrize("size", [PHONE, TABLET, WALL], ids=["phone", "tablet", "wall"])
def test_the_chart_fits_and_every_plot_can_be_read(
    chromium: Browser, server: Server, size: dict[str, int]
) -> None:
    watched = opened(chromium, server, "/week", size)
    page = watched.page
    assert page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    page.locator(".plot").first.scroll_into_view_if_needed()
    box = page.locator(".plot").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    assert all(readouts(page))
    assert watched.complaints == []
    page.context.close()


def test_a_nearer_look_is_asked_by_key_by_drag_and_by_a_day(chromium: Browser, server: Server) -> None:
    page = opened(chromium, server, "/week?zone=gas-cage", WALL).page
    whole = drawn(page)
    page.locator("#crosshair").focus()
    page.locator("#crosshair").fill("500")
    with page.expect_navigation():
        page.keyboard.press("+")
    assert drawn(page)[1] - drawn(page)[0] == pytest.approx((whole[1] - whole[0]) / 2, rel=0.02)
    box = page.locator(".plot").first.bounding_box()
    assert box is not None
    page.mouse.move(box["x"] + 0.25 * box["width"], box["y"] + 50)
    page.mouse.down()
    page.mouse.move(box["x"] + 0.75 * box["width"], box["y"] + 50, steps=4)
    with page.expect_navigation():
        page.mouse.up()
    assert drawn(page)[1] - drawn(page)[0] == pytest.approx((whole[1] - whole[0]) / 4, rel=0.03)
    page.locator("a", has_text="Whole week").click()
    assert drawn(page) == whole
    page.locator("a[aria-label^='Mon 14']").click(force=True)
    assert drawn(page)[1] - drawn(page)[0] == 86_400.0
    page.context.close()


def test_shifts_risks_and_gaps_are_told_apart_without_colour(server: Server) -> None:
    html = requests.get(f"{server.url}/week?zone=plate-yard", timeout=30).text
    for sign in ("■ danger", "▲ caution", "● safe"):
        assert sign in html
    assert 'class="hole"' in html
    assert 'id="gap"' in html
    assert "not measured" in html


def test_without_a_script_the_chart_is_whole_and_shows_no_dead_control(
    chromium: Browser, server: Server
) -> None:
    page = opened(chromium, server, "/week?zone=gas-cage", PHONE, java_script_enabled=False).page
    assert page.locator(".panel path.line").count() >= 3
    assert not page.locator("#crosshair").is_visible()
    page.context.close()
