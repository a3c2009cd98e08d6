"""The shift outlook: odds, what crosses, and the what-if that is answered by the same sums as the plan."""

import re
from dataclasses import replace

import numpy as np
import pytest
import requests
from playwright.sync_api import Browser

from monitor.outlook.action import ActionKind, PlanInputs
from monitor.outlook.plan import plan
from monitor.outlook.scene import ZoneAhead
from monitor.outlook.shift_outlook import look_ahead, shift_outlooks
from monitor.outlook.whatif import Control
from monitor.web.frame.show import Show
from monitor.web.pages import ahead_view
from monitor.web.pages.ahead_page import Asked, control_of
from monitor.web.server import Server
from tests.outlook import ahead
from tests.outlook.ahead import cylinder, forecast, plate, thing
from tests.web import sample
from tests.web.browsing import PHONE, WITH_CHROMIUM, opened

SHOW = Show(sample.settings())


def test_each_shift_has_odds_reason_and_what_crosses(server: Server) -> None:
    html = requests.get(server.url + "/ahead", timeout=10).text
    for words in (
        "Day, today 06:00 to 14:00",
        "Water on 6 cylinders",
        "Slip Bay over 80",
        "Spool 12 over its",
    ):
        assert words in html
    assert "Panel Hall: only 9 days to learn from." in html  # what is not known
    assert "an invented weather office, open licence" in html  # attribution


def test_a_what_if_touches_only_its_zone_and_never_heats_a_cylinder(shop: sample.Shop) -> None:
    (site,) = shop.looked
    questions = site.questions
    assert questions is not None
    shut = Control(shut_from_s=sample.NOW_S, shut_until_s=sample.NOW_S + 8 * 3_600.0)
    day = ahead_view.what_if(questions, site.outlooks, "slip-bay", shut, SHOW)[0]
    humid = next(one for one in day.changes if "RH" in one.what)
    assert humid.after_frac < humid.before_frac
    assert not any("Mix" in one.what for one in day.changes)
    heat = Control(heat_to_c=25.0, heat_from_s=sample.NOW_S)
    caged = ahead_view.what_if(questions, site.outlooks, "gas-cage", heat, SHOW)[0]
    assert not any("Mix" in one.what for one in caged.changes)
    assert caged.after_frac == caged.before_frac


def test_what_the_plan_says_that_heat_saves_is_what_the_what_if_of_it_says() -> None:
    """One zone stays humid whatever is done in the other, and a cold cylinder stands in the heated one."""
    zones = {
        "bay": ZoneAhead("bay", "Bay A", "ferrymoor", "bay", 0.75, heat_up_to_c=25.0),
        "yard": ZoneAhead("yard", "Plate Yard", "ferrymoor", "yard", 0.7),
    }
    things = (thing("Plate keel", plate(), "bay", 15.0), thing("Cylinder 4", cylinder(), "bay", 15.0))
    scene = ahead.scene(zones=zones, bodies=things)
    air = {"bay": forecast("bay", 10.6, 15.0, spread_k=0.6), "yard": forecast("yard", 9.0, 10.0)}
    seen = look_ahead(scene, air, ahead.NOW_S)
    outlooks = shift_outlooks(scene, seen, (ahead.SHIFT,))
    questions = PlanInputs(scene, seen, (ahead.SHIFT,), {}, np.full(49, np.nan), ahead.practice())
    heat = next(one for one in plan(questions, outlooks) if one.kind is ActionKind.HEAT)
    warm_c, start = re.search(r"to (\d+) °C from Wed (\d\d):00", heat.text).groups()  # type: ignore[union-attr]
    from_s = ahead.START_S + 3_600.0 * (int(start) - 6)
    told = ahead_view.what_if(
        questions, outlooks, "bay", Control(heat_to_c=float(warm_c), heat_from_s=from_s), SHOW
    )[0]
    assert heat.saves_frac == told.here_frac[0] - told.here_frac[1] > 0.1
    more = ahead_view.what_if(questions, outlooks, "bay", Control(heat_to_c=25.0, heat_from_s=from_s), SHOW)[
        0
    ]
    assert more.here_frac[1] <= told.here_frac[1]  # more heat is never said to do less
    assert told.before_frac == told.after_frac == 1.0  # the yard stays humid, which is said of the shift


def test_doing_nothing_changes_nothing(shop: sample.Shop) -> None:
    (site,) = shop.looked
    assert site.questions is not None
    for zone in site.questions.ahead.air:
        for one in ahead_view.what_if(site.questions, site.outlooks, zone, Control(), SHOW):
            assert one.after_frac == one.before_frac
            assert all(change.after_frac == change.before_frac for change in one.changes)


def test_a_what_if_is_taken_in_the_shop_s_unit() -> None:
    fahrenheit = Show(sample.settings(temperature_unit="F"))
    assert control_of(Asked(heat=68.0), fahrenheit, 0.0).heat_to_c == pytest.approx(20.0)


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("zone=attic&heat=20", "has no forecast"),
        ("zone=plate-yard&heat=20", "has no forecast"),
        ("door=shut", "choose until when"),
        ("door=shut&until_s=5", "choose until when"),
        ("door=ajar", "door"),
        ("dry=0", "dry"),
        ("heat=hot", "heat"),
        ("from_s=nan&heat=20", "from_s"),
    ],
)
def test_a_question_that_cannot_be_asked_says_why(server: Server, query: str, words: str) -> None:
    page = requests.get(f"{server.url}/ahead?{query}", timeout=10)
    assert page.status_code == 422
    assert words in page.text


def test_before_the_first_look_the_page_says_so(shop: sample.Shop, server: Server) -> None:
    shop.looked = ()
    assert "No look ahead has been made" in requests.get(server.url + "/ahead", timeout=10).text


def test_without_weather_the_page_says_what_it_rests_on(shop: sample.Shop, server: Server) -> None:
    shop.looked = (replace(shop.looked[0], weather="no answer since 03:00", forecast_good=False),)
    html = requests.get(server.url + "/ahead", timeout=10).text
    assert "No weather forecast" in html
    assert "no answer since 03:00" in html


@WITH_CHROMIUM
def test_a_what_if_takes_two_taps_from_the_first_page(chromium: Browser, server: Server) -> None:
    watched = opened(chromium, server, "/", PHONE)
    page = watched.page
    page.get_by_role("link", name="What crosses, and what helps").tap()
    page.locator(".presets a", has_text=re.compile("door shut")).first.tap()
    page.locator("#what-if [role=status]", has_text="➜").wait_for()
    assert "fumes" in page.locator("#what-if .caution").inner_text()
    assert watched.complaints == []
    page.context.close()
