"""The to-do list: a tap ticks an action off, everybody sees who did it, and nothing is doubled."""

import re
from dataclasses import replace

import pytest
import requests

from monitor.model.event import EventKind
from monitor.web.server import Server
from tests.web import sample


def tap(session: requests.Session, site: Server, action: str, who: str = sample.LEAD) -> dict[str, str]:
    """The form that a tap on this action's button sends."""
    html = session.get(site.url + "/", timeout=10).text
    token = re.search(r'name="form_token" value="(\w+)"', html)
    button = re.search(rf'name="tick" value="((?:done|open) \d+ {action})"', html)
    assert token
    assert button
    return {"form_token": token.group(1), "who": who, "tick": button.group(1)}


def test_a_tap_ticks_off_and_says_who_and_another_opens_it_again(own: sample.Shop, site: Server) -> None:
    with requests.Session() as session:
        page = session.post(site.url + "/todo", data=tap(session, site, "door"), timeout=10)
        assert f"{sample.LEAD}, today 05:52" in page.text
        session.post(site.url + "/todo", data=tap(session, site, "door", "Ines Calloway"), timeout=10)
    events = own.ledger.events(kinds=[EventKind.PLAN])
    assert [(e.subject, e.body, e.who) for e in events] == [
        ("door", {"entry": "done", "known_by": "name_chosen"}, sample.LEAD),
        ("door", {"entry": "open", "known_by": "name_chosen"}, "Ines Calloway"),
    ]


def test_the_same_tap_twice_or_from_two_phones_is_one_entry(own: sample.Shop, site: Server) -> None:
    with requests.Session() as one, requests.Session() as other:
        first, second = tap(one, site, "door"), tap(other, site, "door", "Ines Calloway")
        for _ in range(3):
            one.post(site.url + "/todo", data=first, timeout=10)
        page = other.post(site.url + "/todo", data=second, timeout=10)
    assert page.status_code == 200
    (event,) = own.ledger.events(kinds=[EventKind.PLAN])
    assert event.who == sample.LEAD


def test_what_is_ticked_off_shows_before_the_next_look_ahead_everywhere(
    own: sample.Shop, site: Server
) -> None:
    with requests.Session() as session:
        session.post(site.url + "/todo", data=tap(session, site, "door"), timeout=10)
    seen = requests.get(site.url + "/api/now", timeout=10).json()
    assert {action["id"]: action["done"] for action in seen["actions"]} == {
        "door": True,
        "plates": False,
        "bag": True,
    }


def test_a_deadline_that_has_passed_and_a_caution_are_shown(own: sample.Shop, site: Server) -> None:
    own.now_s += 3_600.0
    caution = "A closed door keeps fumes in: extraction first."
    actions = tuple(replace(a, caution=caution) if a.id == "door" else a for a in own.picture.actions)
    own.picture = replace(own.picture, actions=actions)
    html = requests.get(site.url + "/", timeout=10).text
    assert "52\N{NO-BREAK SPACE}min late" in html
    assert caution in html


@pytest.mark.parametrize(
    "change", [{"tick": "done 0 dance"}, {"tick": "burn 0 door"}, {"tick": "done door"}, {"who": ""}]
)
def test_a_tap_on_what_is_not_planned_changes_nothing(
    own: sample.Shop, site: Server, change: dict[str, str]
) -> None:
    with requests.Session() as session:
        form = {**tap(session, site, "door"), **change}
        assert session.post(site.url + "/todo", data=form, timeout=10).status_code == 422
    assert own.ledger.events(kinds=[EventKind.PLAN]) == []
