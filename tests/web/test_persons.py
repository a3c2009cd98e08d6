"""Whose request it is, and how that is known: decided in one place, and written into every entry."""

from collections.abc import Mapping
from urllib.parse import quote

import pytest
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
