"""Why a bead is porous, and what the shop's own beads say: the pages around the models."""

import re
from dataclasses import replace

import pytest
import requests
from playwright.sync_api import Browser

from monitor.history.entries import Seen
from monitor.web.server import Server
from tests.web import sample
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened
from tests.web.sample_beads import write_beads
from tests.web.test_bead_gas_labels import bead_form, sketch

DAMP = Seen("slip-bay", 22.0, 0.85, 19.4, 75 * 3_600.0, 80 * 3_600.0, 0.0, 1.04, 0.4, "over", 6.0, 5.0)


def text_of(server: Server, path: str, status: int = 200) -> str:
    page = requests.get(server.url + path, timeout=10)
    assert page.status_code == status
    return page.text


def test_damp_wire_comes_first_when_the_package_is_over_in_humid_air(
    shop: sample.Shop, server: Server
) -> None:
    shop.seen = DAMP
    html = text_of(server, "/cause?package=spool-7&stick-out=right&gas-flow=right&surface=clean&idle=weeks")
    assert "Probably moisture" in html
    ranking = html[html.index('id="ranking"') :]
    assert ranking.index("Damp wire") < ranking.index("Poor gas cover")
    assert "Package" in ranking or "History of the package: over" in ranking
    assert "common practice" in html  # where the model's numbers come from
    assert "75.0" in html  # hours as measured


def test_dry_air_and_a_long_stick_out_are_not_moisture(shop: sample.Shop, server: Server) -> None:
    shop.seen = replace(DAMP, dew_point_c=4.0, used_frac=0.05, uptake_frac=0.01, open_s=3_600.0)
    html = text_of(server, "/cause?package=spool-7&stick-out=long&gas-flow=doubtful&surface=clean&idle=no")
    assert "Probably not moisture" in html


def test_a_test_that_was_tried_counts_and_the_next_one_is_another(shop: sample.Shop, server: Server) -> None:
    shop.seen = DAMP
    html = text_of(server, "/cause?package=spool-7")
    part = html[html.index('id="next-test"') :]
    address = re.search(r'href="(/cause\?[^"]*test-[^"]*sound)#', part)
    assert address
    after = text_of(server, address.group(1).replace("&amp;", "&"))
    assert "bead sound after it" in after
    first = re.search(r'id="next-test".*?<span>([^<]+)</span></p>', part and html, re.S)
    second = re.search(r'id="next-test".*?<span>([^<]+)</span></p>', after, re.S)
    assert first
    assert second is None or second.group(1) != first.group(1)


def test_what_was_not_measured_is_said_and_left_out(server: Server) -> None:
    html = text_of(server, "/cause?package=spool-7")
    assert html.count("not known") >= 5
    assert "Not known, and left out" in html


@pytest.mark.parametrize(
    ("query", "words"), [("stick-out=wobbly", "use one of"), ("bead=bead-none", "not in the record")]
)
def test_an_answer_nobody_can_give_is_refused(server: Server, query: str, words: str) -> None:
    assert words in text_of(server, "/cause?" + query, 422)


def test_a_recorded_porous_bead_leads_to_its_causes_with_what_was_seen_then(
    own: sample.Shop, site: Server
) -> None:
    own.seen = DAMP
    with requests.Session() as session:
        form = bead_form(session, site, sketch=sketch((10, 12.0)), package="spool-14", record="yes")
        html = session.post(site.url + "/bead", data=form, timeout=10).text
    link = re.search(r'href="(/cause\?bead=[^"]+)"', html)
    assert link
    own.seen = Seen()
    html = text_of(site, link.group(1))
    assert "19.4" in html  # the dew point then, not now
    assert "Where the pores lie: at the start" in html


def recorded_with(session: requests.Session, server: Server, **said: str) -> str:
    form = bead_form(session, server, sketch=sketch((100, 12.0)), package="spool-7", record="yes", **said)
    page = session.post(server.url + "/bead", data=form, timeout=10).text
    found = re.search(r'href="(/cause\?bead=[^"]+)"', page)
    assert found
    return found.group(1)


def test_what_was_said_of_cylinder_and_work_is_kept_and_used(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        address = recorded_with(session, site, cylinder="mix-2", plate="panel-8")
        page = session.get(site.url + address, timeout=10).text
        again = session.get(site.url + "/bead", timeout=10).text
    (bead,) = [event for event in own.ledger.events() if event.kind == "bead"]
    assert (bead.body["cylinder"], bead.body["plate"]) == ("mix-2", "panel-8")
    part = page.split('id="measured"')[1].split("</section>")[0]
    assert "Mix 2" in part
    assert "Panel 8 mm" in part
    assert "assumed" not in part
    assert re.search(r'name="cylinder" value="mix-2" checked', again)  # remembered on this phone
    assert re.search(r'name="plate" value="panel-8" checked', again)


def test_what_nobody_said_is_assumed_and_the_page_says_so(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        address = recorded_with(session, site)
        page = session.get(site.url + address, timeout=10).text
        told = session.get(site.url + address + "&plate=panel-8", timeout=10).text
    part = page.split('id="measured"')[1].split("</section>")[0]
    assert "Keel plate 25 mm (assumed, nobody said which)" in part
    part = told.split('id="measured"')[1].split("</section>")[0]
    assert "Panel 8 mm</th>" in part


def test_too_few_beads_say_nothing(own: sample.Shop, site: Server) -> None:
    assert "Weld one at the start of a shift" in text_of(site, "/evidence")
    write_beads(own.ledger, 6)
    html = text_of(site, "/evidence")
    assert "Too few beads to say anything: 6 so far" in html
    assert "90 % band" not in html
    assert html.count('class="bead-sound"') + html.count('class="bead-porous"') == 6


def test_enough_beads_give_a_curve_with_its_band_and_a_limit(own: sample.Shop, site: Server) -> None:
    write_beads(own.ledger, 60)
    html = text_of(site, "/evidence")
    assert "90 % band" in html
    assert 'class="area t0"' in html
    assert "the cautious figure" in html
    wet, dry = (text_of(site, f"/evidence?dew={dew}") for dew in (19, 8))
    assert "dew point of 19 °C" in wet
    assert "dew point of 8 °C" in dry
    assert text_of(site, "/evidence?dew=500", 422)


@WITH_CHROMIUM
@pytest.mark.parametrize("size", [PHONE, WALL], ids=["phone", "wall"])
def test_the_evidence_fits_the_screen(
    chromium: Browser, own: sample.Shop, site: Server, size: dict[str, int]
) -> None:
    write_beads(own.ledger, 60)
    watched = opened(chromium, site, "/evidence", size)
    assert watched.page.evaluate("document.documentElement.scrollWidth") <= size["width"]
    assert watched.complaints == []
    watched.page.context.close()


@WITH_CHROMIUM
def test_five_answers_and_a_button_rank_the_causes(
    chromium: Browser, shop: sample.Shop, server: Server
) -> None:
    shop.seen = DAMP
    page = opened(chromium, server, "/thing/spool-7", PHONE).page
    page.get_by_role("link", name="Why porous?").tap()
    for name, state in (("stick-out", "right"), ("cleaner", "no"), ("surface", "clean"), ("idle", "weeks")):
        page.locator(f"label.choice:has(input[name='{name}'][value='{state}'])").tap()
    page.get_by_role("button", name="Rank the causes").tap()
    page.get_by_role("heading", name="Probably moisture").wait_for()
    page.get_by_role("link", name="Still porous").tap()
    page.locator("#causes", has_text="still porous").wait_for()
    page.context.close()
