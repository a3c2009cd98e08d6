"""Strangers on the shop's network: names that are not ours, foreign cookies, what is kept on the way."""

from pathlib import Path

import pytest
import requests

from monitor.settings.schema import WebSection
from monitor.web.frame.own_names import own_names
from monitor.web.server import Server
from tests.web import sample

WEEK = f"start_s={sample.START_S}&end_s={sample.NOW_S}"
OURS = ("127.0.0.1", "192.0.2.7:8480", "[::1]", "[2001:db8::7]:8480", "localhost", "LocalHost.:8480")
FOREIGN = (
    "rebound.example.net",
    "127.0.0.1.rebound.example.net",
    "localhost.rebound.example.net",
    "2130706433",  # browsers write 127.0.0.1 out before they send it
    "::1",
    "",
    "localhost:8480:80",
    "localhost/",
    "[rebound.example.net]",
)


@pytest.mark.parametrize("host", OURS)
def test_addresses_and_localhost_are_answered_without_a_setting(host: str) -> None:
    # RFC 9110, 7.2 and RFC 3986, 3.2.2: a host is a name, an IPv4 address or an IPv6 address in brackets
    assert own_names(WebSection()).hold(host)


@pytest.mark.parametrize("host", FOREIGN)
def test_any_other_name_is_not_ours(host: str) -> None:
    assert not own_names(WebSection()).hold(host)


def test_the_public_address_and_names_by_setting_are_ours() -> None:
    names = own_names(
        WebSection(public_url="https://Dryshift.example.org:444/x", hosts=("shop.lan", "*.yard.lan"))
    )
    for ours in ("dryshift.example.org", "shop.lan", "wall.yard.lan:8480"):
        assert names.hold(ours)
    for foreign in ("example.org", "a.shop.lan", "yard.lan", "wall.yard.lan.example.net", "xyard.lan"):
        assert not names.hold(foreign)
    assert names.said() == "IP addresses, *.yard.lan, dryshift.example.org, localhost, shop.lan"


def test_a_site_that_rebinds_its_name_to_us_reads_and_changes_nothing(
    shop: sample.Shop, server: Server
) -> None:
    """As the server meets it: the browser takes the rebound name for the page's own origin."""
    foreign = f"rebound.example.net:{server.port}"
    headers = {"host": foreign, "origin": f"http://{foreign}", "sec-fetch-site": "same-origin"}
    shelve = {"action": "shelve", "who": "x", "key": "rebound-1", "hours": 24, "reason": "quiet"}
    for path in ("/", "/alarms", "/api/now", "/api/events", "/live/now", "/healthz", "/static/site.css"):
        answer = requests.get(server.url + path, headers=headers, timeout=10)
        assert answer.status_code == 421
        assert "form_token" not in answer.text
        assert "set-cookie" not in answer.headers
    for path in ("/api/alarms/body_wet.mix-1", "/alarms"):
        assert requests.post(server.url + path, json=shelve, headers=headers, timeout=10).status_code == 421
    assert shop.asked == []
    said = requests.get(server.url + "/", headers=headers, timeout=10).text
    assert "IP addresses, localhost" in said
    assert "hosts in the table [web]" in said


def test_the_names_in_the_settings_are_answered(tmp_path: Path) -> None:
    shop = sample.open_shop(tmp_path, filled=False, shop=sample.settings(hosts=["dryshift.example.org"]))
    site = sample.start(shop)
    hosts = ("dryshift.example.org", "evil.example.net")
    found = [
        requests.get(site.url + "/healthz", headers={"host": one}, timeout=10).status_code for one in hosts
    ]
    site.stop()
    shop.series.close()
    shop.ledger.close()
    assert found == [200, 421]


@pytest.mark.parametrize(
    "cookie",
    ["a:b=1; dryshift_session=x", "[]=1", "=;;;=", '"="', 'dryshift_session="', "k{}=v", "x" * 4000, "é=1"],
)
def test_a_foreign_cookie_with_an_odd_name_gives_a_page(server: Server, cookie: str) -> None:
    answer = requests.get(server.url + "/", headers={"cookie": cookie.encode("latin-1")}, timeout=10)
    assert answer.status_code == 200
    assert "dryshift_session=" in answer.headers["set-cookie"]


def test_our_session_is_found_beside_a_foreign_cookie(server: Server) -> None:
    given = requests.get(server.url + "/", timeout=10).cookies["dryshift_session"]
    both = {"cookie": f"a:b=1; dryshift_session={given}; c[d]=2"}
    assert "set-cookie" not in requests.get(server.url + "/", headers=both, timeout=10).headers


@pytest.mark.parametrize(
    "path",
    ["/api/now", "/api/events", f"/api/series?{WEEK}", "/records.csv", "/metrics", "/readyz", "/api/nothing"],
)
def test_what_is_no_page_is_kept_by_no_cache(server: Server, path: str) -> None:
    # RFC 9111, 5.2.2.5
    assert requests.get(server.url + path, timeout=10).headers["cache-control"] == "no-store"


def test_files_of_ours_are_kept_by_browsers(server: Server) -> None:
    kept = requests.get(server.url + "/static/site.css?v=1", timeout=10).headers["cache-control"]
    assert "immutable" in kept
