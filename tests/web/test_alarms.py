"""Answering alarms from the page: only from the page, only complete, never twice."""

import re
from dataclasses import replace
from urllib.parse import unquote

import pytest
import requests

from monitor.alarms.states import UNANSWERED, AlarmState, CommandKind
from monitor.model.notification import Notification
from monitor.model.picture import WarningNow
from monitor.notify.answers import link_of, with_link
from monitor.notify.links import GOOD_FOR_S
from monitor.web.frame.look import ALARM_STATES
from monitor.web.server import Server
from tests.signed_links import make_link
from tests.web import sample

CONDITION = "body_wet.mix-1"


Fields = list[tuple[str, str]]


def fields(session: requests.Session, address: str, condition: str = CONDITION) -> Fields:
    """The hidden fields of a condition's first form, as a browser would send them."""
    html = session.get(address, timeout=10).text
    for form in re.findall(r"<form.*?</form>", html, re.S):
        found: Fields = re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form)
        if any(value.endswith(f" {condition}") for _, value in found) or "/a/" in address:
            return found
    raise AssertionError(f"no form for {condition}")


def test_every_state_of_the_standard_has_its_words() -> None:
    assert set(ALARM_STATES) == set(AlarmState)
    assert AlarmState.ACKNOWLEDGED not in UNANSWERED


def test_acknowledging_is_passed_on_with_name_time_and_occurrence(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    done = browser_session.post(
        server.url + "/alarms", data=[*form, ("who", sample.LEAD), ("action", "acknowledge")], timeout=10
    )
    assert done.status_code == 200
    assert "Acknowledged</b> by Morgan Reyd" in done.text
    assert [asked.condition_id for asked in shop.asked] == [f"body_wet.mix-{n}" for n in range(1, 4)]
    asked = shop.asked[0]
    assert (asked.kind, asked.who) == (CommandKind.ACKNOWLEDGE, sample.LEAD)
    assert asked.began_s == sample.NOW_S - 0.9 * 3_600 + 1


def test_the_same_form_sent_twice_carries_the_same_key(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    for _ in range(2):
        browser_session.post(
            server.url + "/alarms", data=[*form, ("who", sample.LEAD), ("action", "acknowledge")], timeout=10
        )
    assert len(shop.asked) == 6
    assert len(set(shop.keys)) == 3


def test_the_name_is_remembered_for_the_next_answer(
    server: Server, browser_session: requests.Session
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    browser_session.post(
        server.url + "/alarms", data=[*form, ("who", "Ines Calloway"), ("action", "acknowledge")], timeout=10
    )
    html = browser_session.get(server.url + "/alarms", timeout=10).text
    assert 'name="who" value="Ines Calloway"' in html


def test_shelving_has_a_time_limit_and_a_reason(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    without = [*form, ("who", sample.LEAD), ("action", "shelve"), ("hours", "4")]
    refused = browser_session.post(server.url + "/alarms", data=without, timeout=10)
    assert refused.status_code == 422
    assert "shelving needs a time limit and a reason" in refused.text
    assert shop.asked == []
    whole = [*without, ("reason", "valve replaced, drying out")]
    assert browser_session.post(server.url + "/alarms", data=whole, timeout=10).status_code == 200
    asked = shop.asked[0]
    assert asked.until_s == sample.NOW_S + 4 * 3_600
    assert asked.why == "valve replaced, drying out"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"who": ""}, "who"),
        ({"action": "explode"}, "action"),
        ({"hours": "-1"}, "hours"),
        ({"hours": "nan", "reason": "x"}, "hours"),
        ({"who": "x" * 81}, "who"),
        ({"form_token": "0" * 32}, "the page was open for too long"),
        ({"form_token": "ü"}, "the page was open for too long"),
        ({"form_token": ""}, "the page was open for too long"),
    ],
)
def test_a_bad_form_changes_nothing_and_says_why(
    shop: sample.Shop, server: Server, browser_session: requests.Session, change: dict[str, str], words: str
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    whole = dict([("who", sample.LEAD), ("action", "shelve"), ("hours", "1"), ("reason", "r"), *form])
    sent = whole | change
    refused = browser_session.post(server.url + "/alarms", data=sent, timeout=10)
    assert refused.status_code == 422
    assert words in refused.text
    assert shop.asked == []


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://elsewhere.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site", "Origin": "http://other.ferrymoor.example"},
    ],
)
def test_another_site_cannot_answer(
    shop: sample.Shop, server: Server, browser_session: requests.Session, headers: dict[str, str]
) -> None:
    form = fields(browser_session, server.url + "/alarms")
    sent = [*form, ("who", sample.LEAD), ("action", "acknowledge")]
    refused = browser_session.post(server.url + "/alarms", data=sent, headers=headers, timeout=10)
    assert refused.status_code == 403
    assert shop.asked == []


def test_another_session_cannot_use_the_form(shop: sample.Shop, server: Server) -> None:
    with requests.Session() as one, requests.Session() as other:
        form = fields(one, server.url + "/alarms")
        other.get(server.url + "/alarms", timeout=10)
        sent = [*form, ("who", sample.LEAD), ("action", "acknowledge")]
        assert other.post(server.url + "/alarms", data=sent, timeout=10).status_code == 422
    assert shop.asked == []


def test_a_refusal_of_the_core_is_shown(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    shop.refuse = "already acknowledged by Ines Calloway"
    form = fields(browser_session, server.url + "/alarms")
    sent = [*form, ("who", sample.LEAD), ("action", "acknowledge")]
    answer = browser_session.post(server.url + "/alarms", data=sent, timeout=10)
    assert answer.status_code == 409
    assert "already acknowledged by Ines Calloway" in answer.text


def link(action: str = "acknowledge", expires_s: float = sample.NOW_S + 3_600, **more: object) -> str:
    since_s = more.get("since_s", sample.NOW_S - 0.9 * 3_600 + 1)
    assert isinstance(since_s, float)
    return make_link("", sample.KEY, action, CONDITION, expires_s, who=sample.LEAD, since_s=since_s)


def test_a_warning_of_the_whole_site_names_it_and_says_each_deed_on_its_own(
    shop: sample.Shop, server: Server
) -> None:
    deeds = "Tue 22:00: Set the timer.\nWed 05:30: Bring in the cylinders."
    text, name = "Humid early shift Wed 06:00.", "warning:ferrymoor.outlook@1"
    ahead = WarningNow(
        name,
        "ferrymoor",
        "medium",
        "Humid shift",
        text,
        deeds,
        "",
        sample.NOW_S - 60.0,
        ("c",),
        (sample.LEAD,),
    )
    shop.picture = replace(shop.picture, warnings=(ahead,))
    link = make_link("", sample.KEY, "acknowledge", name, sample.NOW_S + 60.0, who=sample.LEAD)
    page = requests.get(server.url + link, timeout=10).text
    assert '<p class="row-small">Ferrymoor Slipway, since' in page
    assert "<span>Tue 22:00: Set the timer.</span>" in page
    assert "<span>Wed 05:30: Bring in the cylinders.</span>" in page


def test_a_tap_answers_exactly_what_its_page_listed(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    """Two of a warning stood when the page was opened; a third is wet by the time of the tap."""
    name, wet = "warning:ferrymoor.damp_air.phone@1", tuple(f"body_wet.mix-{n}" for n in (1, 2, 3))
    told = WarningNow(
        name, "ferrymoor", "high", "Wet", "Mix 1: wet.", "", "gas-cage", sample.NOW_S - 60.0, wet[:2], ()
    )
    shop.picture = replace(shop.picture, warnings=(told,))
    address = server.url + make_link(
        "", sample.KEY, "acknowledge", name, sample.NOW_S + 60.0, who=sample.LEAD
    )
    page = browser_session.get(address, timeout=10).text
    assert "these 2 and nothing else" in page
    assert page.count("<li>") == 2
    form = fields(browser_session, address)
    shop.picture = replace(shop.picture, warnings=(replace(told, conditions=wet),))
    assert "Done" in browser_session.post(address, data=form, timeout=10).text
    assert [asked.condition_id for asked in shop.asked] == list(wet[:2])
    assert all(asked.began_s is not None for asked in shop.asked)


def test_a_short_link_asks_which_answer_and_gives_each_once(
    own: sample.Shop, site: Server, browser_session: requests.Session
) -> None:
    name, wet = "warning:ferrymoor.damp_air.phone@1", tuple(f"body_wet.mix-{n}" for n in (1, 2))
    told = WarningNow(
        name, "ferrymoor", "high", "Wet", "Mix 1: wet.", "", "gas-cage", sample.NOW_S - 60.0, wet, ()
    )
    own.picture = replace(own.picture, warnings=(told,))
    data: dict[str, object] = {"person": sample.LEAD}
    note = Notification("k", sample.NOW_S, sample.NOW_S, "high", "", "", name, "", 0.0, "", data)
    note = with_link(note, site.url)
    own.ledger.commit([], entered_s=1.0, outbox=[("phone", note)])
    page = browser_session.get(link_of(note), timeout=10).text
    assert f"Acknowledge as {sample.LEAD}" in page
    assert f"Shelve as {sample.LEAD}" in page
    form = [*dict.fromkeys(fields(browser_session, link_of(note)))]
    given = [one for one in form if one[0] != "action"]
    shelve = [*given, ("action", "shelve"), ("hours", "4")]
    assert browser_session.post(link_of(note), data=shelve, timeout=10).status_code == 422  # no reason
    for answer in ([("action", "acknowledge")], [*shelve[-2:], ("reason", "paint")]):
        done = browser_session.post(link_of(note), data=[*given, *answer], timeout=10)
        assert (done.status_code, "Done" in done.text) == (200, True)
    assert [str(one.kind) for one in own.asked] == ["acknowledge"] * 2 + ["shelve"] * 2
    assert {actor.name for actor in own.actors} == {sample.LEAD}
    own.now_s += GOOD_FOR_S
    assert browser_session.get(link_of(note), timeout=10).status_code == 410


@pytest.mark.parametrize("alarms", [[], ["1.0 storage_humid.wire-store"]])
def test_a_link_to_a_warning_answers_nothing_that_is_not_in_it(
    shop: sample.Shop, server: Server, browser_session: requests.Session, alarms: list[str]
) -> None:
    name = "warning:ferrymoor.damp_air.phone@1"
    told = WarningNow(
        name, "ferrymoor", "high", "Wet", "Wet.", "", "gas-cage", sample.NOW_S, (CONDITION,), ()
    )
    shop.picture = replace(shop.picture, warnings=(told,))
    address = server.url + make_link(
        "", sample.KEY, "acknowledge", name, sample.NOW_S + 60.0, who=sample.LEAD
    )
    form = [one for one in fields(browser_session, address) if one[0] != "alarms"]
    answer = browser_session.post(address, data=[*form, *(("alarms", one) for one in alarms)], timeout=10)
    assert answer.status_code == 422
    assert "open the message" in answer.text
    assert shop.asked == []


def test_opening_a_link_shows_and_does_nothing(shop: sample.Shop, server: Server) -> None:
    page = requests.get(server.url + link(), timeout=10)
    assert page.status_code == 200
    assert "Mix 1, Gas Cage" in page.text
    assert f"Acknowledge as {sample.LEAD}" in page.text
    assert shop.asked == []


def test_sending_a_link_s_form_acts_once_under_one_key(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    address = server.url + link()
    form = fields(browser_session, address)
    for _ in range(2):
        assert "Done" in browser_session.post(address, data=form, timeout=10).text
    assert {(a.kind, a.condition_id, a.who) for a in shop.asked} == {
        (CommandKind.ACKNOWLEDGE, CONDITION, sample.LEAD)
    }
    assert len(set(shop.keys)) == 1


def test_a_mail_scanner_that_posts_without_the_form_changes_nothing(
    shop: sample.Shop, server: Server
) -> None:
    assert requests.post(server.url + link(), data={"who": sample.LEAD}, timeout=10).status_code == 422
    assert shop.asked == []


@pytest.mark.parametrize(
    ("address", "status", "words"),
    [
        (link(expires_s=sample.NOW_S), 410, "too old"),
        (link()[:-3] + "AAA", 404, "was not made by this service"),
        ("/a/nothing", 404, "not complete"),
        ("/a/n%21.x", 404, "not complete"),
    ],
)
def test_a_link_that_does_not_hold_is_explained(
    shop: sample.Shop, server: Server, address: str, status: int, words: str
) -> None:
    page = requests.get(server.url + address, timeout=10)
    assert page.status_code == status
    assert words in page.text
    assert requests.post(server.url + address, timeout=10).status_code == status
    assert shop.asked == []


def test_an_old_message_cannot_answer_a_later_warning(server: Server) -> None:
    page = requests.get(server.url + link(since_s=sample.NOW_S - 90_000.0), timeout=10)
    assert "over or was answered" in page.text
    assert "<form" not in page.text


def test_shelving_by_link_asks_for_the_reason(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    address = server.url + link("shelve")
    form = fields(browser_session, address)
    assert browser_session.post(address, data=[*form, ("hours", "1")], timeout=10).status_code == 422
    sent = [*form, ("hours", "1"), ("reason", "gas cut off")]
    assert browser_session.post(address, data=sent, timeout=10).status_code == 200
    assert shop.asked[0].until_s == sample.NOW_S + 3_600


def test_history_speaks_in_the_words_of_the_life_cycle(server: Server) -> None:
    html = requests.get(server.url + "/alarms", timeout=10).text
    assert "Acknowledged, by Morgan Reyd" in html
    assert "Humid air: Wire Store" in unquote(html)


def test_shelved_alarms_stand_apart_with_their_time_limit(shop: sample.Shop, server: Server) -> None:
    html = requests.get(server.url + "/alarms", timeout=10).text
    assert "Shelved until tomorrow 01:52" in html
    latched = replace(shop.picture.alarms[0], state="latched_acknowledged")
    shop.picture = replace(shop.picture, alarms=(latched,))
    assert 'value="reset"' in requests.get(server.url + "/alarms", timeout=10).text


@pytest.mark.parametrize(
    ("state", "shown", "hidden"),
    [
        ("acknowledged", {"shelve", "take_out_of_service"}, {"acknowledge", "reset", "return_to_service"}),
        ("latched_acknowledged", {"reset", "shelve", "take_out_of_service"}, {"acknowledge"}),
        ("shelved", {"unshelve", "take_out_of_service"}, {"acknowledge", "reset", "shelve"}),
        ("out_of_service", {"return_to_service"}, {"take_out_of_service", "shelve", "acknowledge"}),
    ],
)
def test_the_buttons_are_those_that_the_life_cycle_allows(
    shop: sample.Shop, server: Server, state: str, shown: set[str], hidden: set[str]
) -> None:
    (alarm,) = [one for one in shop.picture.alarms if one.condition == CONDITION]
    shop.picture = replace(shop.picture, alarms=(replace(alarm, state=state),))
    html = requests.get(server.url + "/alarms", timeout=10).text
    found = set(re.findall(r'name="action" value="(\w+)"', html))
    assert shown <= found
    assert not hidden & found
    # what is set aside may never have begun: then whatever stands is meant
    apart = state in ("shelved", "out_of_service")
    assert (f'value=" {CONDITION}"' in html) is apart


def test_taking_out_of_service_needs_a_reason_and_has_a_record_of_its_own(
    shop: sample.Shop, server: Server, browser_session: requests.Session
) -> None:
    form = [*fields(browser_session, server.url + "/alarms"), ("who", sample.LEAD)]
    out = [*form, ("action", "take_out_of_service")]
    assert browser_session.post(server.url + "/alarms", data=out, timeout=10).status_code == 422
    assert shop.asked == []
    browser_session.post(server.url + "/alarms", data=[*form, ("action", "acknowledge")], timeout=10)
    browser_session.post(server.url + "/alarms", data=[*out, ("reason", "probe off for repair")], timeout=10)
    asked = [one for one in shop.asked if one.condition_id == CONDITION]
    assert [one.kind for one in asked] == [CommandKind.ACKNOWLEDGE, CommandKind.TAKE_OUT_OF_SERVICE]
    keys = [key for key in shop.keys if key.endswith(CONDITION)]
    assert keys[0] != keys[1]
    assert asked[1].why == "probe off for repair"
