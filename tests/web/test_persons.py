"""Whose request it is, and how that is known: decided in one place, and written into every entry."""

import socket
from collections.abc import Mapping
from pathlib import Path
from urllib.parse import quote

import pytest
import requests
from fastapi import HTTPException, Request

from monitor.model.actor import ANYBODY, Actor, KnownBy
from monitor.model.errors import InputError
from monitor.notify.links import Link
from monitor.settings.schema import Settings
from monitor.web.frame.page import WHO_COOKIE, who_of
from monitor.web.frame.person import acting
from tests.web import sample
from tests.web.sample_shop import BOARD_TOKEN

SHOP = sample.settings()
NOBODY = SHOP.model_copy(update={"people": ()})
REVIEWER = "T. Ostrander"


def request(path: str = "/alarms", headers: Mapping[str, str] | None = None) -> Request:
    raw = [(name.encode(), value.encode()) for name, value in (headers or {}).items()]
    return Request({"type": "http", "method": "POST", "path": path, "headers": raw, "query_string": b""})


def proxied(user: str | None, peer: str = "127.0.0.1") -> Request:
    asked = request(headers={} if user is None else {"x-remote-user": user})
    asked.state.peer = peer
    return asked


def link(who: str) -> Link:
    return Link("shelve", "warning:damp", 2e9, who)


@pytest.mark.parametrize(
    "who", [REVIEWER, "t. ostrander", "T. OSTRANDER", "  t.   Ostrander ", "review-1", "REVIEW-1"]
)
def test_however_a_name_is_spelt_it_is_the_same_person_with_the_same_role(who: str) -> None:
    assert acting(SHOP, request(), who) == Actor(REVIEWER, KnownBy.CHOSEN, ("reviewer",))


@pytest.mark.parametrize(
    "who",
    [
        "somebody",
        "T. 0strander",
        "\N{FULLWIDTH LATIN CAPITAL LETTER T}. Ostrander",
        "lead",
        "",
    ],
)
def test_a_name_that_the_settings_do_not_know_has_no_role(who: str) -> None:
    assert acting(SHOP, request(), who) == Actor(who, KnownBy.TYPED)


def test_where_the_settings_name_nobody_every_name_is_anybodys() -> None:
    assert acting(NOBODY, request(), "Ann") == Actor("Ann", KnownBy.TYPED, (ANYBODY,))


@pytest.mark.parametrize("who", ["", REVIEWER, "t. ostrander"])
def test_a_link_for_one_person_is_that_person(who: str) -> None:
    assert acting(SHOP, request(), who, link(REVIEWER)) == Actor(REVIEWER, KnownBy.LINK, ("reviewer",))


@pytest.mark.parametrize("who", [sample.LEAD, "lead-1", "somebody"])
def test_a_link_for_one_person_is_taken_under_no_other_name(who: str) -> None:
    with pytest.raises(InputError, match=r"was sent to T\. Ostrander and answers as T\. Ostrander"):
        acting(SHOP, request(), who, link(REVIEWER))


def test_a_link_for_somebody_who_has_left_is_taken_no_more() -> None:
    with pytest.raises(InputError, match="no longer among this shop"):
        acting(SHOP, request(), "", link("Gone Away"))


def test_a_link_that_several_were_sent_is_answered_by_one_of_the_shops_people() -> None:
    assert acting(SHOP, request(), sample.LEAD, link("")).known_by is KnownBy.SHARED_LINK
    assert acting(SHOP, request(), "somebody", link("")).roles == ()


def test_below_api_only_a_token_counts() -> None:
    asked = request("/api/alarms/x", {"authorization": f"bearer {BOARD_TOKEN}"})
    found = acting(SHOP, asked, REVIEWER)
    assert found == Actor(REVIEWER, KnownBy.PROGRAM, ("reviewer", "lead"), "board")
    assert found.proof == "program_token board"
    for shop in (SHOP, NOBODY, SHOP.model_copy(update={"programs": ()})):
        with pytest.raises(HTTPException, match="401"):
            acting(shop, request("/api/alarms/x"), sample.LEAD)


def test_a_browser_remembers_only_whom_the_shop_still_names() -> None:
    def remembered(shop: Settings, who: str) -> str:
        return who_of(shop, request(headers={"cookie": f"{WHO_COOKIE}={quote(who, safe='')}"}))

    assert remembered(SHOP, "t. ostrander") == REVIEWER
    assert remembered(SHOP, "Gone Away") == ""
    assert remembered(NOBODY, "Gone Away") == "Gone Away"


BEHIND = sample.settings(user_header="X-Remote-User")


@pytest.mark.parametrize(
    ("user", "who"), [("review-1", ""), ("T. OSTRANDER", REVIEWER), ("review-1", "review-1")]
)
def test_who_logged_in_to_a_listed_proxy_is_that_person(user: str, who: str) -> None:
    assert acting(BEHIND, proxied(user), who) == Actor(REVIEWER, KnownBy.PROXY, ("reviewer",))
    assert who_of(BEHIND, proxied(user)) == REVIEWER


def test_who_logged_in_acts_under_no_other_name() -> None:
    with pytest.raises(InputError, match="you are logged in as review-1"):
        acting(BEHIND, proxied("review-1"), sample.LEAD)


@pytest.mark.parametrize("peer", ["192.0.2.9", "127.0.0.2", ""])
def test_the_header_of_anybody_else_is_not_looked_at(peer: str) -> None:
    assert acting(BEHIND, proxied("lead-1", peer), sample.LEAD) == Actor(sample.LEAD, KnownBy.TYPED)
    assert who_of(BEHIND, proxied("lead-1", peer)) == ""


def test_where_a_proxy_logs_people_in_nobody_else_has_a_role() -> None:
    assert acting(BEHIND, proxied(None), sample.LEAD).roles == ()
    assert acting(BEHIND, proxied("visitor"), "visitor") == Actor("visitor", KnownBy.PROXY)
    assert acting(BEHIND, proxied(None), "", link(REVIEWER)).known_by is KnownBy.LINK


def test_without_the_setting_the_header_says_nothing() -> None:
    assert acting(SHOP, proxied("lead-1"), REVIEWER) == Actor(REVIEWER, KnownBy.CHOSEN, ("reviewer",))


def test_over_the_wire_only_the_peer_itself_counts_and_not_what_it_says_of_addresses(tmp_path: Path) -> None:
    shop = sample.open_shop(tmp_path, filled=False, shop=BEHIND)
    site = sample.start(shop)
    user = {"X-Remote-User": "review-1"}
    shown = {
        name: requests.get(site.url + "/alarms", headers=headers, timeout=20).text
        for name, headers in {
            "proxy": {**user, "X-Forwarded-For": "192.0.2.9"},
            "nobody": {"X-Forwarded-For": "192.0.2.9"},
        }.items()
    }
    foreign = socket.create_connection(("127.0.0.1", site.port), 20, ("127.0.0.2", 0))
    foreign.sendall(
        b"GET /alarms HTTP/1.1\r\nHost: localhost\r\nX-Remote-User: review-1\r\n"
        b"X-Forwarded-For: 127.0.0.1\r\nConnection: close\r\n\r\n"
    )
    said = foreign.makefile("rb").read().decode()
    foreign.close()
    site.stop()
    shop.series.close()
    shop.ledger.close()
    hidden = f'name="who" value="{REVIEWER}"'
    assert said.startswith("HTTP/1.1 200")
    assert [hidden in page for page in (shown["proxy"], shown["nobody"], said)] == [True, False, False]
