"""Every page answers, carries its guards, asks nothing of other hosts, and escapes what it shows."""

import csv
import re
from dataclasses import replace
from pathlib import Path

import pytest
import requests

from monitor.model.event import EventKind, NewEvent
from monitor.model.picture import not_judged
from monitor.store.contract import SetAside
from monitor.web.pages.numbers_page import checks_of
from monitor.web.server import Server
from tests.web import sample

PAGES = [
    "/", "/wall", "/week", "/week?zone=slip-bay", "/week?week=2026-W38", "/alarms", "/sensors", "/set-aside",
    "/records", "/numbers", "/safety", "/more", "/api", "/things", "/things/new",
    "/thing/spool-12", "/labels", "/bead", "/gas", "/ahead", "/cause", "/cause?package=spool-7", "/week/air",
    "/evidence",
    "/service", "/sheets", "/alarms/performance", "/check/slip-1",
]  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_a_page_answers_with_its_guards(server: Server, path: str) -> None:
    response = requests.get(server.url + path, timeout=10)
    assert response.status_code == 200
    policy = response.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert response.headers["x-content-type-options"] == "nosniff"
    assert response.headers["referrer-policy"] == "same-origin"
    assert "frame-ancestors 'none'" in policy
    assert "SameSite=Lax" in response.headers["set-cookie"]


@pytest.mark.parametrize("path", PAGES)
def test_a_page_needs_no_other_host_and_no_inline_code(server: Server, path: str) -> None:
    html = requests.get(server.url + path, timeout=10).text
    assert re.findall(r'(?:src|href|action)="(?:https?:)?//[^"]*"', html) == []
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    assert re.findall(r"<style|\sstyle=|\son\w+=", html) == []


def test_static_files_are_kept_only_under_their_marked_address(server: Server) -> None:
    html = requests.get(server.url + "/", timeout=10).text
    address = re.search(r'href="(/static/site\.css\?v=\w+)"', html)
    assert address
    marked = requests.get(server.url + address.group(1), timeout=10)
    assert "immutable" in marked.headers["cache-control"]
    plain = requests.get(server.url + "/static/site.css", timeout=10)
    assert "immutable" not in plain.headers.get("cache-control", "")


def test_what_came_from_outside_is_escaped(shop: sample.Shop, server: Server) -> None:
    nasty = '<script>alert("x")</script>'
    zones = (replace(shop.picture.zones[0], name=nasty, reason=nasty), *shop.picture.zones[1:])
    shop.picture = replace(shop.picture, zones=zones)
    html = requests.get(server.url + "/", timeout=10).text
    assert nasty not in html
    assert "&lt;script&gt;" in html


def test_an_unknown_page_is_said_to_be_one(server: Server) -> None:
    response = requests.get(server.url + "/nowhere", timeout=10)
    assert response.status_code == 404
    assert "There is no such page." in response.text


def test_the_first_page_says_what_is_wrong_with_the_service(shop: sample.Shop, server: Server) -> None:
    html = requests.get(server.url + "/", timeout=10).text
    assert "Forecast: no answer since 03:00" in html
    assert "demo time" in html
    assert "keeps messages in memory only" in html
    shop.picture = not_judged(shop.picture, "not judged for 20 min")
    html = requests.get(server.url + "/", timeout=10).text
    assert "Nothing is judged now: the picture is from 05:51." in html
    assert "risk-safe" not in html


def test_cautions_never_tell_anyone_to_heat_a_cylinder(server: Server) -> None:
    # practice of 29 CFR 1910.253 as kept in university and state sheets: no flame or heater on a cylinder
    text = requests.get(server.url + "/safety", timeout=10).text
    assert "Never heat a cylinder" in text
    assert "governing code" in text
    assert "licensed people" in text


def test_set_aside_messages_show_reason_and_fix(server: Server) -> None:
    html = requests.get(server.url + "/set-aside", timeout=10).text
    assert "send numbers as JSON writes them" in html
    assert "ff fe 00 01" in html


def test_a_page_of_set_aside_messages_stays_small_and_leads_to_the_older_ones(tmp_path: Path) -> None:
    shop = sample.open_shop(tmp_path, filled=False)
    many = [SetAside("x" * 60_000, b"\xe2\x82\xac" * 9_000, sample.NOW_S, "malformed", "text")] * 1_500
    shop.series.append([], many)
    server = sample.start(shop)
    try:
        first = requests.get(server.url + "/set-aside", timeout=10)
        assert len(first.content) < 250_000
        assert "60000 characters" in first.text
        assert "27000 bytes, of which the first 8192 are kept" in first.text
        assert "bytes more that are kept" in first.text
        assert 'href="/set-aside?skip=50"' in first.text
        last = requests.get(server.url + "/set-aside?skip=1500", timeout=10).text
        assert "Older" not in last
        assert 'href="/set-aside?skip=1450"' in last
    finally:
        server.stop()


def test_a_sensor_without_time_or_sequence_and_a_session_that_was_lost_are_said(tmp_path: Path) -> None:
    plain = sample.settings()
    bare = plain.sensors[0].model_copy(update={"format": "number", "measures": plain.sensors[0].measures[:1]})
    shop = sample.open_shop(
        tmp_path, filled=False, shop=plain.model_copy(update={"sensors": (bare, *plain.sensors[1:])})
    )
    lost = {"from_s": sample.NOW_S - 7_200.0, "to_s": sample.NOW_S - 3_600.0}
    event = NewEvent(EventKind.BROKER_SESSION, "broker", lost["to_s"], "dryshift", dict(lost))
    shop.ledger.commit([event], entered_s=lost["to_s"])
    server = sample.start(shop)
    try:
        page = requests.get(server.url + "/sensors", timeout=10).text
        assert page.count("sends no time: what is sent again after a break may be stored twice") == 1
        assert "The broker forgot the session" in page
        asks = "asks the broker whether its messages can be heard and names what is missing"
        assert asks not in page
        first, *others = shop.picture.zones
        mute = tuple(replace(one, last_time_s=None) for one in first.sensors)
        shop.picture = replace(shop.picture, zones=(replace(first, sensors=mute), *others))
        assert requests.get(server.url + "/sensors", timeout=10).text.count(asks) == len(mute) > 0
    finally:
        server.stop()


def test_a_record_proof_is_checked_by_a_tap_and_one_that_is_none_is_refused(
    server: Server, browser_session: requests.Session
) -> None:
    page = browser_session.get(server.url + "/records", timeout=10).text
    proof = re.search(r"Record proof now: <b>(\d+:[0-9a-f]{16})</b>", page)
    token = re.search(r'name="form_token" value="(\w+)"', page)
    assert proof
    assert token

    def told(witness: str) -> requests.Response:
        form = {"form_token": token.group(1), "witness": witness}
        return browser_session.post(server.url + "/records/verify", data=form, timeout=10)

    assert "and the record proof you typed" in told(proof.group(1)).text
    number = proof.group(1).partition(":")[0]
    assert "not the one that was witnessed" in told(f"{number}:{'0' * 16}").text
    wrong = told("12")
    assert (wrong.status_code, "is no record proof" in wrong.text) == (422, True)


def test_the_chain_of_records_is_verified_by_a_tap(server: Server, browser_session: requests.Session) -> None:
    page = browser_session.get(server.url + "/records", timeout=10).text
    token = re.search(r'name="form_token" value="(\w+)"', page)
    assert token
    done = browser_session.post(
        server.url + "/records/verify", data={"form_token": token.group(1)}, timeout=10
    )
    assert re.search(r"Verified: \d+ events", done.text)


def test_records_leave_as_csv_that_no_spreadsheet_runs(shop: sample.Shop, server: Server) -> None:
    new = NewEvent(EventKind.PLAN, "x", sample.NOW_S, "=cmd()", {}, key="csv-1")
    shop.record(new)
    text = requests.get(server.url + "/records.csv?kind=plan", timeout=10).text
    assert text.startswith("number,kind,subject,happened_utc")
    assert "'=cmd()" in text


def test_the_records_page_says_of_an_event_what_its_file_says(shop: sample.Shop, server: Server) -> None:
    move = {"kind": "body_wet", "subject": "mix-1", "from_state": "normal", "to_state": "unacknowledged"}
    condition, now_s = "body_wet.mix-1", sample.NOW_S
    shop.record(NewEvent(EventKind.ALARM_TRANSITION, condition, now_s, "dryshift", move, key="w-1"))
    shop.record(NewEvent(EventKind.CORRECTION, "mix-1", now_s, "x", {"of": 1, "void": True}, key="w-2"))
    undone = NewEvent(
        EventKind.CORRECTION, "mix-1", now_s, "x", {"of": 1, "void": False}, "", "w-3", "signed_link"
    )
    shop.record(undone)
    said = {"alarm_transition": "Wet: Mix 1: unacknowledged", "correction": "entry 1 taken back"}
    for kind, words in said.items():
        file = requests.get(f"{server.url}/records.csv?kind={kind}", timeout=10).text
        assert words in [row["what"] for row in csv.DictReader(file.splitlines())]
        page = requests.get(f"{server.url}/records?kind={kind}", timeout=10).text
        assert words in page
        assert ("signed link" in page) is (kind == "correction")


def test_the_numbers_page_shows_distance_bound_and_source() -> None:
    row = {"quantity": "dew point", "worst": 0.0123, "bound": 0.05, "unit": "K", "source": "CoolProp"}
    (check,) = checks_of({"checks": [row]})
    assert (check.source, check.tested_on) == ("CoolProp", "")
    assert check.share_frac == pytest.approx(0.246)
    assert checks_of({}) == []


def test_the_numbers_page_says_where_sources_disagree(server: Server) -> None:
    html = requests.get(server.url + "/numbers", timeout=10).text
    assert "Where sources disagree" in html
    assert "Saturation over supercooled water" in html
