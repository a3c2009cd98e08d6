"""Test beads, the gas page and labels."""

import json
import re
from contextlib import suppress
from pathlib import Path

import pytest
import requests
from hypothesis import given
from hypothesis import strategies as st

from monitor.gas.questions import GasCylinder, purge_answer, wet_tail
from monitor.gas.usual_practice import gas_use
from monitor.history.entries import Seen, entry_of
from monitor.history.entries import TestBead as Welded
from monitor.model.errors import InputError
from monitor.model.picture import Picture
from monitor.physics.gas_data import gas_data
from monitor.physics.regulator import RegulatorState
from monitor.settings.reference import load_toml
from monitor.web.pages.bead_page import counted
from monitor.web.pages.gas_page import GasAsk, answer
from monitor.web.server import Server
from tests.web import sample

AIR = sample.wet_morning().zones[0].air
USE = gas_use(load_toml("gas_use.toml"), gas_data(load_toml("gas_grades.toml")))


def bead_form(session: requests.Session, server: Server, **changes: str) -> dict[str, str]:
    html = session.get(server.url + "/bead", timeout=10).text
    form = re.search(r'<form[^>]*id="bead".*?</form>', html, re.S)
    assert form
    found = dict(re.findall(r'<input type="hidden" name="(\w+)"[^>]* value="([^"]*)"', form.group()))
    usual = {"rule": "d11-static", "weld": "fillet", "length": "300", "thickness": "10", "throat": "7"}
    return {**found, **usual, "who": sample.LEAD, **changes}


def sketch(*pores: tuple[float, float]) -> str:
    return json.dumps([{"at": at, "diameter": d, "length": 0, "kind": "surface"} for at, d in pores])


@pytest.mark.parametrize(
    ("pores", "outcome"),
    [
        # AWS D1.1/D1.1M visual table, item (8): pores of 1 mm and more,
        # sum of diameters in any 25 mm up to 10 mm
        (((10, 0.5),), "Cosmetic"),
        (((100, 3.0), (110, 3.0), (120, 4.0)), "Acceptable"),
        (((100, 3.0), (110, 3.0), (120, 4.5)), "Rejectable"),
        # and in any 300 mm up to 20 mm
        (((0, 4.0), (60, 4.0), (120, 4.0), (180, 4.0), (240, 4.5)), "Rejectable"),
    ],
)
def test_pores_on_the_sketch_are_judged_by_the_code(
    server: Server, pores: tuple[tuple[float, float], ...], outcome: str
) -> None:
    with requests.Session() as session:
        form = bead_form(session, server, sketch=sketch(*pores))
        page = session.post(server.url + "/bead", data=form, timeout=10)
    assert page.status_code == 200
    assert f"<h2>{outcome}" in page.text
    assert "The qualified inspector decides" in page.text


@pytest.mark.parametrize(
    ("changes", "outcome", "level"),
    [
        ({}, "Not judged", "unknown"),
        ({"none_seen": "yes"}, "No pores seen", "safe"),
        # inner pores are not in D1.1's visual table (6.1); its radiography clause decides
        ({"sketch": '[{"at": 99, "diameter": 4, "kind": "internal"}]'}, "Not judged", "unknown"),
        # ISO 5817 Table 1: a share of the area needs the bead's width, a crater pipe its depth
        (
            {"rule": "iso5817-d", "sketch": '[{"at": 99, "diameter": 1, "kind": "internal"}]'},
            "Not judged",
            "unknown",
        ),
        (
            {"rule": "iso5817-d", "width": "12", "sketch": '[{"at": 99, "diameter": 1, "kind": "internal"}]'},
            "Acceptable",
            "safe",
        ),
        (
            {
                "rule": "iso5817-d",
                "sketch": '[{"at": 299, "diameter": 1, "depth": 2.2, "kind": "crater pipe"}]',
            },
            "Rejectable",
            "danger",
        ),
        # 1 mm wide and 30 mm long is a tube: l <= a (2016, from memory)
        (
            {"rule": "iso5817-d", "sketch": '[{"at": 99, "diameter": 1, "length": 30}]'},
            "Rejectable",
            "danger",
        ),
        ({"rule": "d11-static-in", "sketch": sketch((10, 0.85))}, "Acceptable", "safe"),
    ],
)
def test_what_cannot_be_judged_is_shown_as_unknown(
    server: Server, changes: dict[str, str], outcome: str, level: str
) -> None:
    with requests.Session() as session:
        page = session.post(server.url + "/bead", data=bead_form(session, server, **changes), timeout=10)
    assert page.status_code == 200
    assert f"<h2>{outcome}" in page.text
    assert f'card level-{level}" role="status"' in page.text


def test_a_recorded_bead_is_kept_with_its_pores_and_told_to_its_package(
    shop: sample.Shop, server: Server
) -> None:
    with requests.Session() as session:
        form = bead_form(session, server, sketch=sketch((100, 12.0)), package="spool-14", record="yes")
        for _ in range(2):
            page = session.post(server.url + "/bead", data=form, timeout=10)
    assert "recorded" in page.text
    beads = [e for e in shop.ledger.events() if e.kind == "bead"]
    assert len(beads) == 1
    assert beads[0].body["outcome"] == "rejectable"
    (told,) = shop.ledger.events(subject="spool-14")
    assert entry_of(told.kind, told.body) == Welded(sound=False, bead=beads[0].subject, seen=Seen())


def test_a_bead_that_was_not_judged_tells_its_package_nothing(shop: sample.Shop, server: Server) -> None:
    before = len(shop.ledger.events(subject="spool-12"))
    with requests.Session() as session:
        form = bead_form(session, server, package="spool-12", record="yes")
        page = session.post(server.url + "/bead", data=form, timeout=10)
    assert "recorded" in page.text
    assert len(shop.ledger.events(subject="spool-12")) == before


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"sketch": "[{"}, "tap the pores again"),
        ({"sketch": '[{"at": 999, "diameter": 1}]'}, "must lie on the bead"),
        ({"sketch": '[{"at": 9, "diameter": -1}]'}, "greater than 0"),
        ({"counts": "2 x many"}, "size x number"),
        ({"counts": "-1 x 3"}, "size above zero"),
        ({"length": "0"}, "greater than 0"),
        ({"rule": "house rule"}, "use one of"),
        ({"rule": "d11-cjp-tension-static"}, "covers"),
        ({"record": "yes", "who": ""}, "say who you are"),
    ],
)
def test_a_bead_that_cannot_be_is_refused(server: Server, changes: dict[str, str], words: str) -> None:
    with requests.Session() as session:
        form = bead_form(session, server, **changes)
        page = session.post(server.url + "/bead", data=form, timeout=10)
    assert page.status_code == 422
    assert words in page.text


def test_counts_by_size_are_read() -> None:
    assert counted("1.5 x 3, 2 x 1; 4") == [(1.5, 3), (2.0, 1), (4.0, 1)]
    assert counted("1/16 x 2") == [(0.0625, 2)]


@given(st.text(max_size=60))
def test_no_text_breaks_the_counts(text: str) -> None:
    found = []
    with suppress(InputError):
        found = counted(text)
    assert all(size > 0 and number >= 0 for size, number in found)


def test_the_gas_page_says_what_sweats_and_never_to_heat(server: Server) -> None:
    page = requests.get(server.url + "/gas", timeout=10)
    assert page.status_code == 200
    assert "Never heat a cylinder" in page.text
    assert "Purging needs ventilation" in page.text
    assert "Mix 6" in page.text


@pytest.mark.parametrize("gas", list(USE.mixtures))
def test_every_gas_of_the_settings_is_worked_out(server: Server, gas: str) -> None:
    page = requests.get(f"{server.url}/gas?gas={gas}&flow=18&hose=ptfe", timeout=10)
    assert page.status_code == 200
    assert f"<h3>{USE.mixtures[gas].title}</h3>" in page.text
    assert "ISO 14175" in page.text
    assert "let gas run" in page.text or "No purge needed" in page.text


def test_carbon_dioxide_is_weighed_and_never_judged_by_its_gauge(server: Server) -> None:
    page = requests.get(server.url + "/gas?gas=co2", timeout=10).text
    assert "The gauge shows the vapour pressure, not what is left: weigh it." in page
    assert "Liquid left" in page


def test_the_page_says_what_the_things_say() -> None:
    assert AIR is not None
    usual = answer(GasAsk(gas="argon"), AIR, 10.0, USE)
    assert usual.purge == purge_answer("argon", AIR, USE, None, [64.0])
    assert usual.tail == wet_tail(GasCylinder("argon", 10.0), USE)


def test_a_cylinder_in_sweating_air_carries_a_wet_regulator() -> None:
    assert AIR is not None
    at_flow = answer(GasAsk(flow=20), AIR, 8.0, USE).at_flow
    assert at_flow is not None
    assert at_flow.state is not RegulatorState.DRY


@pytest.mark.parametrize("query", ["gas=neon", "hose=straw", "regulator=none"])
def test_a_gas_nobody_knows_is_refused_with_the_known_ones(server: Server, query: str) -> None:
    page = requests.get(f"{server.url}/gas?{query}", timeout=10)
    assert page.status_code == 422
    assert "use one of" in page.text


def test_without_air_nothing_is_worked_out(shop: sample.Shop, server: Server) -> None:
    shop.picture = Picture(sample.NOW_S)
    assert "not known now" in requests.get(server.url + "/gas", timeout=10).text


def test_labels_open_the_thing_s_page(server: Server) -> None:
    html = requests.get(server.url + "/labels?kind=cylinder", timeout=10).text
    assert html.count('<li class="label">') == 7
    assert 'href="/thing/mix-1"' in html
    fresh = requests.get(server.url + "/labels?kind=package&new=24", timeout=10).text
    assert fresh.count('<li class="label">') == 24
    assert requests.get(server.url + "/labels?ids=spool-7,../x", timeout=10).status_code == 422


def test_a_shop_in_us_units_asks_and_answers_in_them(tmp_path: Path) -> None:
    shop = sample.open_shop(tmp_path, shop=sample.settings(temperature_unit="F", units="us"))
    site = sample.start(shop)
    page = requests.get(site.url + "/gas?flow_ft3h=40&gauge_psi=2000", timeout=10).text
    # 40 ft3/h are 18.88 L/min and 2000 psi 137.9 bar (NIST SP 811, B.8)
    assert "18.9 L/min (40\N{NO-BREAK SPACE}ft³/h)" in page
    assert "Gauge shows, psi" in page
    assert 'name="flow_ft3h"' in page
    assert "Flow, L/min" not in page
    site.stop()
    shop.series.close()
    shop.ledger.close()


def test_a_shop_in_us_units_enters_its_beads_in_inches(tmp_path: Path) -> None:
    """D1.1 in inches, 3/8 in of diameters in one inch: three of 1/8 in reach it, one more is over."""
    shop = sample.open_shop(tmp_path, shop=sample.settings(temperature_unit="F", units="us"))
    site = sample.start(shop, 0)
    said = {"rule": "d11-static-in", "length": "12", "thickness": "0.375", "throat": "0.25"}
    with requests.Session() as session:
        page = session.get(site.url + "/bead", timeout=10).text
        assert "Bead length, in" in page
        assert "3/32 in" in page
        for counts, outcome in (("1/8 x 3", "Acceptable"), ("1/8 x 3, 1/32 x 1", "Rejectable")):
            form = bead_form(session, site, counts=counts, **said)
            html = session.post(site.url + "/bead", data=form, timeout=10).text
            assert f"<h2>{outcome}" in html
            assert "limit 3/8 in" in html
    site.stop()
    shop.series.close()
    shop.ledger.close()
