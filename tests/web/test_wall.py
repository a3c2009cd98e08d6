"""The wall screen: one picture at 1920 by 1080, nothing to touch, nothing below the fold or burnt in."""

from dataclasses import replace

import pytest
from playwright.sync_api import Browser, Page

from monitor.web.server import Server
from tests.web import sample
from tests.web.browsing import WALL, WITH_CHROMIUM, opened

pytestmark = WITH_CHROMIUM
ITEMS = "[...document.querySelectorAll('.wall-items > li')]"
LEFT = "Math.round(document.querySelector('.answer').getBoundingClientRect().left * 10)"
TURN_MS, MOVE_MS = 12_000, 60_000
# What is shown, and lies wholly inside of its box and of the screen.
SHOWN = """() => [...document.querySelectorAll('.wall-items > li')].filter(one => !one.hidden).map(one => {
    const box = one.closest('.wall-box').getBoundingClientRect(), own = one.getBoundingClientRect();
    return [one.innerText, own.top >= box.top - 1 && own.bottom <= box.bottom + 1
        && own.right <= box.right + 1];
})"""
CUT = """() => [...document.querySelectorAll('.wall-name, .wall-number, .wall-small, .answer *')]
    .filter(one => one.getClientRects().length && one.scrollWidth > one.clientWidth + 1
        && one.clientWidth > 0)
    .map(one => one.innerText)"""
SMALLEST = """() => Math.min(...[...document.querySelectorAll('.wall-items p, .answer p, .answer h1')]
    .filter(one => one.getClientRects().length).map(one => parseFloat(getComputedStyle(one).fontSize)))"""


def wall(chromium: Browser, server: Server, **more: object) -> Page:
    return opened(chromium, server, "/wall", WALL, **more).page


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_wall_is_one_screen_with_nothing_to_touch(chromium: Browser, server: Server, scheme: str) -> None:
    page = wall(chromium, server, color_scheme=scheme)
    assert page.evaluate("[document.documentElement.scrollWidth, document.documentElement.scrollHeight]") == [
        1920,
        1080,
    ]
    assert page.locator("form, select, button, input").count() == 0
    assert [link for link in page.locator("a").all() if link.is_visible()] == []
    assert all(whole for _, whole in page.evaluate(SHOWN))
    assert page.evaluate(CUT) == []
    # 13 minutes of arc at five metres on a 55 inch screen; names, numbers and what to do have 16 (52 px)
    assert page.evaluate(SMALLEST) >= 44
    page.context.close()


def test_what_does_not_fit_takes_turns_until_all_was_seen(chromium: Browser, server: Server) -> None:
    context = chromium.new_context(viewport=WALL)  # type: ignore[arg-type]
    page = context.new_page()
    page.clock.install()
    page.goto(server.url + "/wall")
    everything = set(page.evaluate(f"({ITEMS}).map(one => one.textContent)"))
    seen: set[str] = set()
    for _ in range(len(everything)):
        seen |= set(page.evaluate(f"({ITEMS}).filter(one => !one.hidden).map(one => one.textContent)"))
        assert [text for text, whole in page.evaluate(SHOWN) if not whole] == []
        page.clock.run_for(TURN_MS)
    assert seen == everything
    context.close()


def test_nothing_stays_on_the_same_pixels(chromium: Browser, server: Server) -> None:
    context = chromium.new_context(viewport=WALL)  # type: ignore[arg-type]
    page = context.new_page()
    page.clock.install()
    page.goto(server.url + "/wall")
    places = set()
    for _ in range(4):
        page.clock.run_for(MOVE_MS)
        places.add(page.evaluate(LEFT))
    assert len(places) > 1
    context.close()


def test_long_names_are_never_cut_nor_run_over_the_next_card(
    chromium: Browser, shop: sample.Shop, server: Server
) -> None:
    long = "Prefabrication hall of the northern extension, Untermeisterwerkstattgebäude"
    shop.picture = replace(shop.picture, zones=tuple(replace(zone, name=long) for zone in shop.picture.zones))
    page = wall(chromium, server)
    assert page.evaluate(CUT) == []
    shown = page.evaluate(SHOWN)
    assert any(text.startswith(long) for text, _ in shown)
    assert all(whole for text, whole in shown if text.startswith(long))
    page.context.close()


def test_a_calm_shop_is_green_on_the_wall_and_a_lost_connection_is_not(
    chromium: Browser, shop: sample.Shop
) -> None:
    shop.picture = sample.calm()
    own = sample.start(shop)
    page = opened(chromium, own, "/wall", WALL).page
    green = page.locator(".answer").evaluate("one => getComputedStyle(one).backgroundColor")
    own.stop()
    page.locator("#lost").wait_for(state="visible", timeout=20_000)
    assert page.locator(".answer").evaluate("one => getComputedStyle(one).backgroundColor") != green
    page.context.close()
