"""Entering things: what is asked, what is not preselected, and that a layer is as deep as its wire."""

import re

import pytest
import requests
from playwright.sync_api import Browser

from monitor.consumables.classes import Place
from monitor.history.entries import Opened, RanOff, entry_of
from monitor.web.server import Server
from tests.web import sample
from tests.web.test_things import Fields, entered, hidden

NEW = "/things/new?kind=package&id=bridge-wire"


def opened(site: Server, name: str, **said: str) -> requests.Session:
    session = requests.Session()
    form: Fields = hidden(session, f"{site.url}/things/new?kind=package&id={name}")
    fields = {**form, "deed": "opened", "name": name, "zone": "slip-bay", **said}
    assert session.post(f"{site.url}/thing/{name}?kind=package", data=fields, timeout=10).status_code == 200
    return session


def tapped(session: requests.Session, site: Server, name: str, deed: str, **said: str) -> requests.Response:
    form = hidden(session, f"{site.url}/thing/{name}")
    return session.post(f"{site.url}/thing/{name}", data={**form, "deed": deed, **said}, timeout=10)


@pytest.mark.parametrize(("wire", "layer_mm"), [("1.6", 1.44), ("0.9", 0.81)])
def test_layers_run_off_are_as_deep_as_the_wire_that_was_entered_lies_nested(
    own: sample.Shop, site: Server, wire: str, layer_mm: float
) -> None:
    """0.9 diameters a layer (layer_pitch of shared/spools.toml)."""
    session = opened(site, "bridge-wire", consumable="fcaw-folded-h8", wire_mm=wire, spool="s300")
    assert tapped(session, site, "bridge-wire", "ran-off@2").status_code == 200
    first, second = (entry_of(one.kind, one.body) for one in entered(own, "bridge-wire"))
    assert isinstance(first, Opened)
    assert isinstance(second, RanOff)
    assert (first.place, first.spool) == (Place.ON_MACHINE, "s300")
    assert first.wire_m == pytest.approx(float(wire) / 1000.0)
    assert second.depth_m * 1000.0 == pytest.approx(2 * layer_mm)


def test_layers_of_a_wire_that_nobody_named_are_asked_for_and_not_supposed(
    own: sample.Shop, site: Server
) -> None:
    """What was run off counts only once its wire is said, which the package then keeps."""
    session = opened(site, "bridge-wire", consumable="fcaw-folded-h8", spool="s300")
    assert "a layer is as deep as its wire" in session.get(f"{site.url}/thing/bridge-wire", timeout=10).text
    refused = tapped(session, site, "bridge-wire", "ran-off@2")
    assert refused.status_code == 422
    assert "choose the wire size" in refused.text
    assert len(entered(own, "bridge-wire")) == 1
    assert tapped(session, site, "bridge-wire", "ran-off@2", wire_mm="1.6").status_code == 200
    again = entry_of(*[(one.kind, one.body) for one in entered(own, "bridge-wire")][1])
    assert again == RanOff(pytest.approx(2 * 0.00144), wire_m=pytest.approx(0.0016))
    assert tapped(session, site, "bridge-wire", "ran-off@1").status_code == 200  # now it is known
    page = session.get(f"{site.url}/thing/bridge-wire", timeout=10).text
    assert "a layer is as deep as its wire" not in page


@pytest.mark.parametrize("consumable", ["e7018", "saw-flux-agglomerated"])
def test_rods_and_flux_hang_on_no_machine_and_have_no_wraps(
    own: sample.Shop, site: Server, consumable: str
) -> None:
    session = opened(site, "tin-4", consumable=consumable, wire_mm="1.2", spool="s300")
    entry = entry_of(entered(own, "tin-4")[0].kind, entered(own, "tin-4")[0].body)
    assert isinstance(entry, Opened)
    assert (entry.place, entry.spool, entry.wire_m) == (Place.OPEN_AIR, "", None)
    page = session.get(f"{site.url}/thing/tin-4", timeout=10).text
    assert "Back on the machine" not in page
    assert "Ran off" not in page


def test_nothing_is_preselected_and_the_shops_own_classes_come_first(site: Server) -> None:
    page = requests.get(site.url + NEW, timeout=10).text
    assert not re.findall(r'name="consumable"[^>]*checked', page)
    assert re.search(r"What is it: used here.*fcaw-folded-h8.*<summary>Wire</summary>", page, re.S)
    for sort, inside in (("Rods", "e10015-x"), ("Flux", "saw-flux-fused")):
        assert re.search(rf"<summary>{sort}</summary>.*?{inside}.*?</details>", page, re.S)
    gas = requests.get(site.url + "/things/new?kind=cylinder", timeout=10).text
    assert not re.findall(r'name="gas"[^>]*checked', gas)
    for percent in (8, 18, 25):  # ISO 14175 M20 and M21 by their label
        assert f"Argon with {percent} % carbon dioxide" in gas


def test_out_of_the_oven_asks_where(own: sample.Shop, site: Server) -> None:
    session = opened(site, "tin-5", consumable="e7018")
    assert tapped(session, site, "tin-5", "oven@rod-oven").status_code == 200
    assert "Choose where</option>" in session.get(f"{site.url}/thing/tin-5", timeout=10).text
    refused = tapped(session, site, "tin-5", "out", zone="")
    assert refused.status_code == 422
    assert "choose one of: Slip Bay" in refused.text
    assert len(entered(own, "tin-5")) == 2
    assert tapped(session, site, "tin-5", "out", zone="panel-hall").status_code == 200


def test_a_bead_names_weld_and_code_in_one_choice(site: Server) -> None:
    with requests.Session() as session:
        page = session.get(site.url + "/bead", timeout=10).text
        choices = re.findall(r'<option value="([^"|]+)\|([^"]+)"', page)
        assert ("d11-cjp-tension-static", "cjp tension") in choices
        assert (
            "d11-cjp-tension-static",
            "fillet",
        ) not in choices  # a weld it does not cover
        form = hidden(session, site.url + "/bead")
        said = {"judged_by": "d11-cjp-tension-static|cjp tension", "length": "300", "thickness": "10"}
        answer = session.post(
            site.url + "/bead", data={**form, **said, "none_seen": "yes", "counts": ""}, timeout=10
        )
        assert answer.status_code == 200
        assert "No pores seen" in answer.text


def test_a_pore_is_drawn_round_on_a_phone_whatever_its_size(site: Server, chromium: Browser) -> None:
    page = chromium.new_page(viewport={"width": 390, "height": 800})
    page.goto(site.url + "/bead")
    for size in range(page.locator("input[name=_size]").count()):
        page.locator("input[name=_size]").nth(size).check(force=True)
        page.locator("#bead-sketch").click(position={"x": 40 + 60 * size, "y": 50})
    radii = page.eval_on_selector_all(
        ".bead-pore", "all => all.map(one => [one.getAttribute('rx'), one.getAttribute('ry')])"
    )
    page.close()
    assert len(radii) > 1
    assert all(float(rx) == float(ry) for rx, ry in radii)
    assert radii == sorted(radii, key=lambda one: float(one[0]))
