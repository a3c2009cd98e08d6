"""Pages for everybody: narrow screens, large type, forced or few colours, the keyboard, a screen reader."""

import re
from dataclasses import replace
from itertools import combinations
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from coloraide import Color
from playwright.sync_api import Browser

from monitor.model.level import Level
from monitor.web.server import Server
from tests.signed_links import make_link
from tests.web import sample
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened
from tests.web.test_browser import PATHS

STYLE = (Path(__file__).parents[2] / "monitor/web/static/site.css").read_text(encoding="utf-8")
NARROW = {"width": 320, "height": 640}  # WCAG 2.2, 1.4.10: 1280 px at 400 %
LINK = make_link("", sample.KEY, "acknowledge", "body_wet.mix-1", sample.NOW_S + 60.0, who=sample.LEAD)
EVERY = [
    *PATHS,
    "/sheets",
    "/calendar",
    "/phone",
    "/sheet/week?of=2026-W38",
    "/wall",
    "/check/cage-1",
    "/nothing",
    LINK,
]
AXE = {"rules": {"label-content-name-mismatch": {"enabled": True}}}  # WCAG 2.5.3; not among axe's usual ones


@WITH_CHROMIUM
@pytest.mark.parametrize("path", EVERY)
def test_axe_finds_nothing_and_nothing_scrolls_sideways(chromium: Browser, server: Server, path: str) -> None:
    page = opened(chromium, server, path, NARROW).page
    page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert page.evaluate("document.documentElement.scrollWidth") <= 320
    found = Axe().run(page, options=AXE)
    assert found.violations_count == 0, found.generate_report()
    page.emulate_media(color_scheme="dark")
    page.set_viewport_size(WALL)  # type: ignore[arg-type]
    found = Axe().run(page, options=AXE)
    assert found.violations_count == 0, found.generate_report()
    page.context.close()


@WITH_CHROMIUM
@pytest.mark.parametrize(
    "path", ["/", "/week?zone=slip-bay", "/alarms", "/things", "/thing/spool-12", "/bead"]
)
def test_the_browsers_own_text_size_is_obeyed_up_to_twice_without_loss(
    chromium: Browser, server: Server, path: str
) -> None:
    # WCAG 2.2, 1.4.4: 200 %
    page = opened(chromium, server, path, {"width": 640, "height": 900}).page
    asked = "parseFloat(getComputedStyle(document.body).fontSize)"
    usual = page.evaluate(asked)
    page.context.new_cdp_session(page).send("Page.setFontSizes", {"fontSizes": {"standard": 32}})
    page.wait_for_function(f"() => {asked} === {2 * usual}")
    page.reload()
    assert page.evaluate("document.documentElement.scrollWidth") <= 640
    page.context.close()


@WITH_CHROMIUM
def test_forced_colours_leave_the_current_page_and_the_chosen_chip_told_apart(
    chromium: Browser, server: Server
) -> None:
    page = opened(chromium, server, "/week?zone=slip-bay", PHONE).page
    page.emulate_media(forced_colors="active")
    for name, style in ((".nav a", "borderBottomColor"), (".chips a", "backgroundColor")):
        seen = page.evaluate(
            """([name, style]) => [...document.querySelectorAll(name)]
              .map(one => [one.hasAttribute('aria-current'), getComputedStyle(one)[style]])""",
            [name, style],
        )
        chosen = {colour for current, colour in seen if current}
        assert len(chosen) == 1
        assert not chosen & {colour for current, colour in seen if not current}
    page.context.close()


@WITH_CHROMIUM
@pytest.mark.parametrize("path", ["/", "/numbers"])
def test_a_new_danger_is_said_aloud_once_and_an_old_one_is_not(
    chromium: Browser, own: sample.Shop, path: str
) -> None:
    own.picture = sample.calm()
    site = sample.start(own)
    page = opened(chromium, site, path, PHONE).page
    page.wait_for_timeout(1_500)  # the stream's first picture is the page's own
    assert page.locator("#announced").text_content() == ""
    assert page.locator("#announced").get_attribute("role") == "alert"
    body = own.picture.bodies[0]
    wet = replace(body, level=Level.DANGER, reason="wet")
    own.picture = replace(own.picture, bodies=(wet, *own.picture.bodies[1:]))
    said = page.locator("#announced", has_text=f"New danger: {body.name}")
    said.wait_for(state="attached", timeout=5_000)
    page.evaluate("document.getElementById('announced').textContent = ''")
    own.picture = replace(own.picture, bodies=(replace(wet, reason="wet still"), *own.picture.bodies[1:]))
    page.locator("#piece-dangers", has_text="wet still").wait_for(state="attached", timeout=5_000)
    assert page.locator("#announced").text_content() == ""
    page.context.close()
    site.stop()


@WITH_CHROMIUM
def test_pores_are_put_on_the_bead_by_keyboard_alone(chromium: Browser, server: Server) -> None:
    page = opened(chromium, server, "/bead", PHONE).page
    page.get_by_label("how far along the bead").focus()
    for _ in range(3):
        page.keyboard.press("PageUp")
    assert page.get_by_label("how far along the bead").get_attribute("aria-valuetext") == "90 mm"
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert "1 on the sketch; the last at 90 mm" in page.locator("#bead-said").inner_text()
    page.context.close()


@WITH_CHROMIUM
@pytest.mark.parametrize("path", ["/week?zone=gas-cage", "/thing/mix-1", "/ahead"])
def test_every_chart_of_lines_is_read_by_keyboard(chromium: Browser, server: Server, path: str) -> None:
    page = opened(chromium, server, path, PHONE).page
    hand = page.locator("#crosshair")
    hand.focus()
    page.keyboard.press("Home")
    first = hand.get_attribute("aria-valuetext")
    page.keyboard.press("PageUp")
    assert first
    assert hand.get_attribute("aria-valuetext") not in ("", first)
    page.context.close()


def colours() -> dict[str, dict[str, str]]:
    """The named colours of the style sheet by day and by night."""
    named: dict[str, dict[str, str]] = {"day": {}, "night": {}}
    dark = re.compile(r"@media screen and \(prefers-color-scheme: dark\) \{(.*?)\}\s*\}", re.S)
    for scheme, text in (("day", dark.sub("", STYLE)), ("night", " ".join(dark.findall(STYLE)))):
        for root in re.findall(r":root \{(.*?)(?:\}|$)", text, re.S):
            if "CanvasText" not in root:
                named[scheme] |= dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", root))
    return {"day": named["day"], "night": named["day"] | named["night"]}


def apart(one: Color, other: Color) -> float:
    """CIEDE2000 (ISO/CIE 11664-6) as somebody without green cones sees the two, the least of two models.

    Machado, Oliveira and Fernandes 2009, IEEE TVCG 15(6), 1291, severity 1; Brettel, Viénot and Mollon 1997,
    J. Opt. Soc. Am. A 14(10), 2647. Matrices and formula are those of the library.
    """
    seen = [
        [colour.clone().filter("deutan", method=model) for colour in (one, other)]
        for model in ("machado", "brettel")
    ]
    return min(a.delta_e(b, method="2000") for a, b in seen)


def test_the_librarys_formula_is_the_published_one() -> None:
    # Sharma, Wu and Dalal 2005, Color Res. Appl. 30(1), 21, table 1, pairs 1, 7 and 17
    for one, other, expected in (
        ((50, 2.6772, -79.7751), (50, 0, -82.7485), 2.0425),
        ((50, 0, 0), (50, -1, 2), 2.3669),
        ((50, 2.5, 0), (73, 25, -18), 27.1492),
    ):
        found = Color("lab-d65", one).delta_e(Color("lab-d65", other), method="2000")
        assert found == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("scheme", ["day", "night"])
def test_lines_of_a_chart_differ_for_deuteranopes_and_stand_out_from_the_paper(scheme: str) -> None:
    found = colours()[scheme]
    lines = [f"t{n}" for n in range(6)]
    for one, other in combinations(lines, 2):
        assert apart(Color(found[one]), Color(found[other])) >= 10.0, (one, other)
    for one in lines:  # the names at their ends have the lines' colours (WCAG 1.4.3)
        assert Color(found[one]).contrast(found["paper"]) >= 4.5, one


def test_danger_and_safe_differ_for_deuteranopes_as_marks_and_as_bands_of_a_chart() -> None:
    for found in colours().values():
        assert apart(Color(found["red"]), Color(found["green"])) >= 10.0
        bands = [_laid_on(found, "danger", "red"), _laid_on(found, "safe", "green")]
        assert apart(*bands) >= 10.0
        for name in ("red", "green"):  # ISO 22324: white signs on them
            assert Color(found[name]).contrast("#fff") >= 4.5


def _laid_on(found: dict[str, str], band: str, colour: str) -> Color:
    """A band as it shows on the paper, through its share."""
    rule = re.search(rf"\.band-{band} {{ fill: var\(--risk-{colour}\); opacity: ([.\d]+); }}", STYLE)
    assert rule is not None
    ink, paper, share = Color(found[f"risk-{colour}"]), Color(found["paper"]), float(rule.group(1))
    return Color("srgb", [share * a + (1 - share) * b for a, b in zip(ink[:3], paper[:3], strict=True)])
