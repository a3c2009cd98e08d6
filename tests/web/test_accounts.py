"""Accounts over the wire: who reads, answers and enters; attacked as a stranger on the network would."""

import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import requests
from fastapi.routing import APIRoute

from monitor.access.desk import AccessDesk
from monitor.model.event import EventKind
from monitor.notify.links import PATH, Link
from monitor.web.app import create_app
from monitor.web.frame.gate import OPEN_TO_ALL
from tests.access.desks import LEAD, OTHER, PIN, RULES, WORDS
from tests.signed_links import sign
from tests.web import sample
from tests.web.sample_shop import BOARD_TOKEN
from tests.web.signed_in import Browser, Doors, doors, handed

REVIEWER = "T. Ostrander"
NAMED = re.compile(r'<input type="hidden" name="who" value="([^"]*)">')


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Doors]:
    with doors(tmp_path) as yard:
        yield yard


@pytest.fixture
def new_yard(tmp_path: Path) -> Iterator[Doors]:
    with doors(tmp_path, accounts=False) as yard:
        yield yard


def acknowledge(browser: Browser, who: str, **more: str) -> requests.Response:
    alarm = f"{sample.wet_morning().alarms[0].since_s} {sample.wet_morning().alarms[0].condition}"
    fields = {"action": "acknowledge", "alarms": alarm, "who": who, "key": "a-key-of-a-test"}
    return browser.fill("/alarms", **fields | more)


def bag(browser: Browser, who: str, key: str = "a-key-of-a-test", **more: str) -> requests.Response:
    return browser.fill("/thing/spool-7", deed="bagged", who=who, key=key, zone="wire-store", **more)


def paths(yard: Doors, method: str) -> list[str]:
    """Every address of the application that takes this method, a word in each gap."""

    def inside(router: object) -> Iterator[APIRoute]:
        for one in getattr(router, "routes", ()):
            if isinstance(one, APIRoute):
                yield one
            else:
                yield from inside(getattr(one, "original_router", one))

    routes = inside(create_app(yard.shop.deps).router)
    return [re.sub(r"{\w+}", "spool-7", one.path) for one in routes if method in one.methods]


# -- before the first account --------------------------------------------------------------------------------


def test_before_the_first_account_pages_are_read_and_nothing_can_be_changed(new_yard: Doors) -> None:
    browser = new_yard.browser()
    assert browser.see("/").status_code == 200
    assert "no account yet" in browser.see("/log-in").text
    for who in (sample.LEAD, "", "somebody"):
        assert acknowledge(browser, who or " ").status_code in (401, 422)
        assert bag(browser, who or " ").status_code in (401, 422)
    assert new_yard.shop.asked == []
    assert new_yard.entries() == []


def test_the_first_link_is_opened_by_many_and_used_by_one(new_yard: Doors) -> None:
    link = new_yard.desk.desk.first_link()
    browser, other = new_yard.browser(), new_yard.browser()
    for one in (browser, other, new_yard.browser()):
        assert "first account of Ferrymoor" in one.see(f"/join/{link}").text
    assert browser.fill(f"/join/{link}", person=LEAD, password=WORDS).status_code == 303
    assert NAMED.findall(browser.see("/alarms").text)[0] == sample.LEAD
    again = other.fill(f"/join/{link}", person="lead-2", password=OTHER)
    assert (again.status_code, "does nothing" in again.text) == (410, True)
    assert other.see("/").headers["location"] == "/log-in?then=%2F"


def test_a_weak_password_uses_no_link_up(new_yard: Doors) -> None:
    link = new_yard.desk.desk.first_link()
    browser = new_yard.browser()
    refused = browser.fill(f"/join/{link}", person=LEAD, password="passwordpassword")
    assert (refused.status_code, "soon guessed" in refused.text) == (422, True)
    assert "passwordpassword" not in refused.text
    assert browser.fill(f"/join/{link}", person=LEAD, password=WORDS).status_code == 303


# -- who reads -----------------------------------------------------------------------------------------------


def test_once_there_is_an_account_every_page_is_for_who_is_logged_in(yard: Doors) -> None:
    stranger = yard.browser()
    found = paths(yard, "GET")
    assert len(found) > 40
    for path in [*found, "/live/now", "/openapi.json", "/no-such-page", "/week.csv"]:
        if path.startswith(OPEN_TO_ALL):
            continue
        answer = stranger.see(path)
        assert answer.status_code == 303, path
        assert answer.headers["location"].startswith("/log-in?then="), path
        plain = requests.get(yard.url + path, timeout=20, allow_redirects=False)
        assert plain.status_code == 401, path


def test_the_log_in_page_tells_a_stranger_nothing_of_the_shop_but_its_name(yard: Doors) -> None:
    page = yard.browser().see("/log-in").text
    assert "Ferrymoor Slipway" in page
    settings = yard.shop.deps.settings
    named = [one.name for one in (*settings.people, *settings.zones, *settings.packages)]
    assert [name for name in named if name in page] == []
    assert "piece-badge" not in page
    assert "piece-badge" in yard.logged_in().see("/account").text


@pytest.mark.parametrize("path", ["/healthz", "/readyz", "/metrics"])
def test_watchers_need_no_log_in_and_are_told_of_no_person(yard: Doors, path: str) -> None:
    said = requests.get(yard.url + path, timeout=20)
    assert said.status_code in (200, 503)
    assert not any(one.name in said.text for one in yard.shop.deps.settings.people)


def test_a_program_reads_below_api_with_its_token_and_nowhere_else(yard: Doors) -> None:
    def status(path: str, token: str) -> int:
        headers = {"authorization": f"Bearer {token}"}
        return requests.get(yard.url + path, headers=headers, timeout=20, allow_redirects=False).status_code

    assert status("/api/now", BOARD_TOKEN) == 200
    assert [status("/api/now", BOARD_TOKEN[:-1]), status("/records.csv", BOARD_TOKEN)] == [401, 401]


@pytest.mark.parametrize("path", ["/static", "/static/", "/static/..%2fapp.py", "/.git/config"])
def test_no_folder_is_listed(yard: Doors, path: str) -> None:
    lead = yard.logged_in()
    assert lead.get(yard.url + path, timeout=20).status_code == 404


def test_a_shop_may_let_everybody_on_its_network_read(tmp_path: Path) -> None:
    with doors(tmp_path, readers="network") as yard:
        stranger = yard.browser()
        assert stranger.see("/").status_code == 200
        assert "Log in to answer" in stranger.see("/alarms").text
        assert acknowledge(stranger, sample.LEAD).status_code == 401
        assert yard.shop.asked == []


# -- who answers and enters ----------------------------------------------------------------------------------


def test_no_form_changes_anything_without_a_log_in(yard: Doors) -> None:
    stranger, before = yard.browser(), yard.entries()
    fields = {"who": sample.LEAD, "key": "a-key-of-a-test", "deed": "bagged", "action": "acknowledge"}
    fields |= {"alarms": " x", "tick": "done 0 x", "channel": "phone", "act": "invite", "password": WORDS}
    fields |= {"person": LEAD, "of": "1", "pin": PIN}
    checked = 0
    for path in paths(yard, "POST"):
        if path.startswith(("/log-in", "/join/", "/a/", "/log-out")):
            continue
        answer = stranger.fill(path, **fields)
        assert answer.status_code == 401, path
        checked += 1
    assert checked > 12
    assert yard.shop.asked == []
    assert yard.entries() == before


def test_a_stolen_form_token_or_cookie_name_is_no_log_in(yard: Doors) -> None:
    stranger = yard.browser()
    for value in ("", "x" * 43, "ä", "../../etc", "'; DROP TABLE session; --"):
        answer = requests.get(
            yard.url + "/alarms",
            headers={"cookie": f"dryshift_login={value}".encode("latin-1", "replace")},
            timeout=20,
            allow_redirects=False,
        )
        assert answer.status_code == 401
    assert acknowledge(stranger, sample.LEAD).status_code == 401


def test_whoever_is_logged_in_is_who_answered_and_the_page_asks_for_no_name(yard: Doors) -> None:
    phone = yard.logged_in()
    page = phone.see("/alarms").text
    assert set(NAMED.findall(page)) == {sample.LEAD}
    assert "Your name" not in page
    assert "Your name" not in phone.see("/thing/spool-7").text
    assert acknowledge(phone, sample.LEAD).status_code == 303
    assert [(one.name, str(one.known_by), one.roles) for one in yard.shop.actors] == [
        (sample.LEAD, "log_in", ("lead",))
    ]
    assert bag(phone, sample.LEAD).status_code == 303
    entry = yard.entries(EventKind.PACKAGE)[-1]
    assert (entry.who, entry.body["known_by"]) == (sample.LEAD, "log_in")


def test_what_somebody_else_did_is_entered_by_whoever_is_logged_in_for_them(yard: Doors) -> None:
    phone = yard.logged_in()
    assert bag(phone, sample.LEAD, on_behalf_of=" a welder of the night shift ").status_code == 303
    entry = yard.entries(EventKind.PACKAGE)[-1]
    assert (entry.who, entry.body["known_by"]) == (sample.LEAD, "log_in")
    assert entry.body["on_behalf_of"] == "a welder of the night shift"
    for page in ("/thing/spool-7", "/records"):
        assert f"{sample.LEAD} for a welder of the night shift" in phone.see(page).text


@pytest.mark.parametrize("who", [REVIEWER, "t. ostrander", "lead-2", "Somebody Else", "LEAD-2"])
def test_another_name_than_ones_own_is_refused(yard: Doors, who: str) -> None:
    phone = yard.logged_in()
    for answer in (acknowledge(phone, who), bag(phone, who)):
        assert answer.status_code == 422
        assert f"you are logged in as {sample.LEAD}" in answer.text
    assert yard.shop.asked == []
    assert yard.entries(EventKind.PACKAGE) == []


@pytest.mark.parametrize("who", [REVIEWER, "t. ostrander", "REVIEW-1"])
def test_a_role_that_may_not_enter_is_refused_in_any_spelling(yard: Doors, who: str) -> None:
    phone = yard.logged_in(who, OTHER)
    answer = bag(phone, who)
    assert (answer.status_code, "a reviewer may not make entries" in answer.text) == (422, True)
    assert phone.fill("/service/test", channel="phone", who=who).status_code == 422
    headers = {"authorization": f"Bearer {BOARD_TOKEN}", "idempotency-key": "a-key-of-a-test"}
    told = {"who": who, "entry": {"entry": "moved", "place": "bagged", "zone": "wire-store"}}
    said = requests.post(yard.url + "/api/packages/spool-7", json=told, headers=headers, timeout=20)
    assert (said.status_code, "may not make entries" in said.text) == (422, True)
    assert yard.entries(EventKind.PACKAGE) == []


def test_a_session_answers_nothing_below_api(yard: Doors) -> None:
    phone = yard.logged_in()
    told = {"who": sample.LEAD, "key": "a-key-of-a-test", "action": "acknowledge"}
    assert phone.post(yard.url + "/api/alarms/x", json=told, timeout=20).status_code == 401
    assert yard.shop.asked == []


def test_a_one_tap_link_works_without_log_in_for_the_one_person_it_was_sent_to(yard: Doors) -> None:
    alarm = yard.shop.picture.alarms[0]
    link = PATH + sign(sample.KEY, Link("acknowledge", alarm.condition, sample.NOW_S + 60, sample.LEAD))
    reviewer = yard.logged_in(REVIEWER, OTHER)
    assert reviewer.fill(link, who=REVIEWER).status_code == 422
    anybody = yard.browser()
    page = anybody.see(link)
    assert (page.status_code, 'data-live=""' in page.text) == (200, True)
    assert anybody.fill(link).status_code == 200
    assert [(one.name, str(one.known_by)) for one in yard.shop.actors] == [(sample.LEAD, "signed_link")]


def test_a_link_that_several_were_sent_wants_a_log_in(yard: Doors) -> None:
    alarm = yard.shop.picture.alarms[0]
    link = PATH + sign(sample.KEY, Link("acknowledge", alarm.condition, sample.NOW_S + 60))
    assert yard.browser().fill(link, who=sample.LEAD).status_code == 401
    assert yard.logged_in().fill(link, who=sample.LEAD).status_code == 200
    assert [str(one.known_by) for one in yard.shop.actors] == ["log_in"]


# -- the browser ---------------------------------------------------------------------------------------------


def flags(answer: requests.Response) -> dict[str, set[str]]:
    raw = answer.raw.headers.getlist("set-cookie")
    return {one.split("=", 1)[0]: {part.strip().lower() for part in one.split(";")[1:]} for one in raw}


def test_cookies_of_a_log_in_are_closed_to_scripts_and_other_sites_and_by_https_to_neighbours(
    yard: Doors,
) -> None:
    plain = flags(yard.browser().log_in(sample.LEAD, WORDS))
    assert plain.keys() == {"dryshift_login", "dryshift_known", "dryshift_who"}
    assert all({"httponly", "samesite=lax", "path=/"} <= one for one in plain.values())
    behind = yard.browser()
    behind.headers["x-forwarded-proto"] = "https"
    token = re.search(r'name="form_token" value="([^"]+)"', behind.see("/log-in").text)
    assert token is not None
    sent = "; ".join(f"{one.name}={one.value}" for one in behind.cookies)
    answer = requests.post(
        yard.url + "/log-in",
        data={"form_token": token[1], "who": sample.LEAD, "password": WORDS},
        headers={"x-forwarded-proto": "https", "cookie": sent},
        timeout=20,
        allow_redirects=False,
    )
    found = flags(answer)
    assert {"__Host-dryshift_login", "__Host-dryshift_known"} <= found.keys()
    assert all("secure" in found[name] for name in found if name.startswith("__Host-"))
    assert not any("domain" in part for one in found.values() for part in one)


def test_a_session_planted_before_the_log_in_is_not_the_one_after_it(yard: Doors) -> None:
    thief = yard.logged_in(REVIEWER, OTHER)
    planted = thief.cookies["dryshift_login"]
    victim = yard.browser()
    victim.cookies.set("dryshift_login", planted)
    victim.cookies.set("dryshift_session", thief.cookies["dryshift_session"])
    assert victim.log_in(sample.LEAD, WORDS).status_code == 303
    after = [one.value for one in victim.cookies if one.name == "dryshift_login" and one.value != planted]
    assert len(after) == 1
    assert thief.see("/alarms").status_code == 303  # and the planted one is logged out


@pytest.mark.parametrize(
    ("then", "goes"),
    [
        ("/alarms", "/alarms"),
        ("/thing/spool-7?done=3", "/thing/spool-7?done=3"),
        ("https://elsewhere.example/", "/"),
        ("//elsewhere.example", "/"),
        ("/\\elsewhere.example", "/"),
        ("/a\r\nset-cookie: x=y", "/"),
        ("javascript:alert(1)", "/"),
        ("/log-in", "/"),
    ],
)
def test_after_the_log_in_the_browser_goes_to_a_page_of_ours(yard: Doors, then: str, goes: str) -> None:
    assert yard.browser().log_in(sample.LEAD, WORDS, then=then).headers["location"] == goes


def test_a_wrong_log_in_says_the_same_whatever_was_wrong_and_shows_no_password(yard: Doors) -> None:
    said = {}
    for who in (sample.LEAD, "Ines Calloway", "nobody"):
        answer = yard.browser().log_in(who, "wrong wrong wrong")
        assert "wrong wrong wrong" not in answer.text
        text = answer.text.replace(f'value="{who}"', "")  # as it was typed
        said[who] = answer.status_code, re.sub(r'value="[\w-]{32}"|<p class="clock.*?</p>', "", text)
    assert len(set(said.values())) == 1
    assert said[sample.LEAD][0] == 422


def test_too_many_wrong_log_ins_are_told_when_to_come_back(yard: Doors) -> None:
    guesser = yard.browser()
    for _ in range(RULES.from_one_address):
        assert guesser.log_in("nobody", "guess guess").status_code == 422
    late = guesser.log_in("nobody", "guess guess")
    assert late.status_code == 429
    assert int(late.headers["retry-after"]) > 0
    events = yard.entries(EventKind.ACCOUNT)
    assert [one.subject for one in events if one.body["entry"] == "too_many_tries"] == ["log-in"]


def test_a_form_of_another_site_logs_nobody_in_or_out(yard: Doors) -> None:
    phone = yard.logged_in()
    foreign = {"origin": "http://evil.example", "sec-fetch-site": "cross-site"}
    for path in ("/log-in", "/log-out", "/people", "/account/end"):
        token = phone.token()
        data = {"form_token": token, "who": sample.LEAD, "password": WORDS}
        answer = phone.post(yard.url + path, data=data, headers=foreign, timeout=20, allow_redirects=False)
        assert answer.status_code == 403
    assert phone.fill("/log-out", form_token="of another").status_code == 422
    assert phone.see("/alarms").status_code == 200


@pytest.mark.parametrize("path", ["/log-in", "/account", "/people", "/join/none"])
def test_a_page_of_accounts_is_kept_by_no_browser(yard: Doors, path: str) -> None:
    assert yard.logged_in().see(path).headers["cache-control"] == "no-store"


def test_logging_out_ends_the_session_and_not_only_the_cookie(yard: Doors) -> None:
    phone = yard.logged_in()
    kept = phone.cookies["dryshift_login"]
    assert phone.fill("/log-out").headers["location"] == "/log-in?then=/"
    back = yard.browser()
    back.cookies.set("dryshift_login", kept)
    assert back.see("/").status_code == 303


def test_a_live_page_ends_when_its_session_is_revoked(yard: Doors) -> None:
    phone, other = yard.logged_in(), yard.logged_in()
    ended, began = threading.Event(), threading.Event()

    def follow() -> None:
        with phone.get(yard.url + "/live/alarms", stream=True, timeout=30) as stream:
            for _ in stream.iter_lines():
                began.set()
        ended.set()

    threading.Thread(target=follow, daemon=True).start()
    assert began.wait(20)
    assert other.fill("/account/end", password=WORDS).status_code == 303
    assert ended.wait(20)
    assert phone.see("/live/alarms").status_code == 303


# -- one's own account ---------------------------------------------------------------------------------------


def test_the_account_page_lists_ones_devices_and_every_change_asks_for_the_password(yard: Doors) -> None:
    phone = yard.logged_in()
    page = phone.see("/account").text
    assert page.count("Android device") >= 1
    for path, more in (("password", {"new": OTHER}), ("pin", {"pin": "8352"}), ("end", {})):
        answer = phone.fill(f"/account/{path}", password="not my password", **more)
        assert (answer.status_code, "is not yours" in answer.text) == (422, True)
    assert yard.logged_in().see("/").status_code == 200
    changed = phone.fill("/account/password", password=WORDS, new="saddle quartz lemon bridge")
    assert changed.headers["location"] == "/account?done=password"
    assert phone.see("/account").status_code == 200
    assert yard.browser().log_in(sample.LEAD, WORDS).status_code == 422


def test_another_persons_session_is_not_ended_by_its_number(yard: Doors) -> None:
    reviewer, lead = yard.logged_in(REVIEWER, OTHER), yard.logged_in()
    mine = yard.desk.desk.book.sessions(LEAD, yard.desk.now_s)[0].id
    assert reviewer.fill("/account/end", password=OTHER, session=mine).status_code == 303
    assert lead.see("/").status_code == 200


# -- who keeps accounts --------------------------------------------------------------------------------------


def test_only_a_keeper_keeps_accounts_and_each_time_with_the_password(yard: Doors) -> None:
    reviewer, lead = yard.logged_in(REVIEWER, OTHER), yard.logged_in()
    assert reviewer.see("/people").status_code == 422
    for act in ("invite", "close", "wall", "tablet", "revoke", "log_out"):
        refused = reviewer.keep(act, OTHER, person=LEAD, name="x")
        assert (refused.status_code, "may not keep accounts" in refused.text) == (422, True)
        assert lead.keep(act, "not my password", person="review-1", name="x").status_code in (422, 429)
    assert set(yard.desk.desk.book.accounts()) == {LEAD, "review-1"}
    assert yard.desk.desk.book.screens() == []


def test_a_keeper_invites_and_the_invited_person_joins_once(yard: Doors) -> None:
    lead, second = yard.logged_in(), yard.browser()
    page = lead.keep("invite", person="lead-2")
    assert "<svg" in page.text
    link = handed(page)
    assert "Welcome, Ines Calloway" in second.see(link).text
    assert second.fill(link, person=LEAD, password="saddle quartz lemon bridge").status_code == 303
    assert NAMED.findall(second.see("/alarms").text)[0] == "Ines Calloway"
    assert yard.browser().fill(link, password="kettle drum orchard nine").status_code == 410
    told = [(e.subject, e.body["entry"], e.who) for e in yard.entries(EventKind.ACCOUNT)]
    assert ("lead-2", "invited", sample.LEAD) in told
    assert ("lead-2", "account_made", "Ines Calloway") in told
    assert lead.keep("close", person="lead-2").status_code == 303
    assert second.see("/alarms").status_code == 303


# -- the shop's own screens ----------------------------------------------------------------------------------


def test_a_shared_tablet_offers_names_and_pins_and_is_nobodys_after_done(yard: Doors) -> None:
    bay = yard.logged_in()
    assert bay.keep("tablet", name="Slip Bay tablet").headers["location"] == "/log-in?then=/"
    chooser = bay.see("/log-in").text
    assert "Slip Bay tablet: who are you?" in chooser
    assert f'value="{LEAD}"' in chooser
    assert 'value="review-1"' not in chooser  # has no PIN
    assert bay.see("/").status_code == 200  # it reads
    assert acknowledge(bay, sample.LEAD).status_code == 401
    assert bay.fill("/log-in/pin", person=LEAD, pin="0001").status_code == 422
    assert bay.fill("/log-in/pin", person=LEAD, pin=PIN).status_code == 303
    page = bay.see("/alarms").text
    assert "Done, log out" in page
    assert acknowledge(bay, sample.LEAD).status_code == 303
    assert [str(one.known_by) for one in yard.shop.actors] == ["pin"]
    bay.fill("/log-out")
    assert acknowledge(bay, sample.LEAD).status_code == 401
    assert yard.browser().fill("/log-in/pin", person=LEAD, pin=PIN).status_code == 422


def test_what_a_page_fetches_by_itself_keeps_nobody_logged_in_on_a_tablet(yard: Doors) -> None:
    bay = yard.logged_in()
    bay.keep("tablet", name="Slip Bay tablet")
    bay.fill("/log-in/pin", person=LEAD, pin=PIN)
    before = yard.desk.desk.book.sessions(LEAD, yard.desk.now_s)[0].seen_s
    yard.desk.now_s += RULES.pin_idle - 10.0
    for path, kind in (("/spark/slip-bay.svg", "image/*"), ("/taps/token", "*/*"), ("/api/now", "*/*")):
        assert bay.get(yard.url + path, headers={"accept": kind}, timeout=20).status_code == 200
    assert yard.desk.desk.book.sessions(LEAD, yard.desk.now_s)[0].seen_s == before
    assert bay.see("/").status_code == 200
    assert yard.desk.desk.book.sessions(LEAD, yard.desk.now_s)[0].seen_s == yard.desk.now_s


def test_a_tap_made_as_somebody_before_is_not_taken_for_the_next_person(yard: Doors) -> None:
    bay = yard.logged_in()
    bay.keep("tablet", name="Slip Bay tablet")
    assert bay.log_in(REVIEWER, OTHER).status_code == 303
    answer = bag(bay, sample.LEAD)
    assert (answer.status_code, "you are logged in as T. Ostrander" in answer.text) == (422, True)


def test_a_wall_screen_shows_the_wall_and_nothing_else_until_it_is_revoked(yard: Doors) -> None:
    lead, wall = yard.logged_in(), yard.browser()
    address = handed(lead.keep("wall", name="Panel Hall"))
    assert wall.see(address).headers["location"] == "/wall"
    assert wall.see("/wall").status_code == 200
    with wall.get(wall.url + "/live/wall", stream=True, timeout=20) as stream:
        assert stream.status_code == 200
        for path in ("/", "/alarms", "/records.csv", "/live/now", "/api/now", "/people"):
            assert wall.see(path).status_code in (303, 401), path
        assert acknowledge(wall, sample.LEAD).status_code == 401
        screen = yard.desk.desk.book.screens()[0].id
        assert lead.keep("revoke", screen=screen).status_code == 303
        assert all(True for _ in stream.iter_lines())  # it ends
    assert wall.see("/wall").status_code == 303
    assert wall.see(address).status_code == 410


def test_where_accounts_are_switched_off_there_is_no_log_in_and_the_record_says_chosen(
    own: sample.Shop, site: Any
) -> None:
    browser = Browser(site.url)
    assert browser.see("/log-in").status_code == 404
    assert bag(browser, sample.LEAD).status_code == 303
    assert own.ledger.events(kinds=[EventKind.PACKAGE])[-1].body["known_by"] == "name_chosen"


def test_what_the_desk_meets_on_a_full_disk_logs_nobody_out(
    yard: Doors, monkeypatch: pytest.MonkeyPatch
) -> None:
    from monitor.store.contract import StoreUnavailableError

    def full(*_: object) -> None:
        raise StoreUnavailableError("the disk is full")

    phone = yard.logged_in()
    monkeypatch.setattr(yard.desk.desk.book, "saw", full)
    assert phone.see("/").status_code == 200
    monkeypatch.setattr(AccessDesk, "caller", full)
    assert phone.see("/").status_code == 503
    assert phone.see("/healthz").status_code == 200
