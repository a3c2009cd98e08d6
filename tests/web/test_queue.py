"""Taps in a dead spot: kept on the phone, sent once, and what is refused later comes to the person's eye."""

import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, Route

from monitor.model.event import EventKind
from monitor.web.server import Server
from tests.access.desks import WORDS
from tests.signed_links import make_link
from tests.web import sample
from tests.web.browsing import CHROMIUM, FLAGS, PHONE, WITH_CHROMIUM, opened
from tests.web.signed_in import doors
from tests.web.test_browser import CONTRAST

pytestmark = WITH_CHROMIUM
CONDITION = "body_wet.mix-1"


@pytest.fixture
def page(chromium: Browser, site: Server) -> Iterator[Page]:
    """A phone that knows who holds it."""
    found = opened(chromium, site, "/thing/spool-12", PHONE).page
    found.context.add_cookies([{"name": "dryshift_who", "value": "Ines%20Calloway", "url": site.url}])
    found.set_default_timeout(15_000)
    yield found
    found.context.close()


def test_an_answer_to_a_warning_given_without_connection_is_kept_and_goes_out_with_its_moment(
    page: Page, site: Server, own: sample.Shop
) -> None:
    page.clock.install()
    for path, button, asked in (("/", "Acknowledge all 3", 3), ("/alarms", "Acknowledge", 4)):
        page.goto(site.url + path)
        page.context.set_offline(True)
        page.get_by_role("button", name=button, exact=True).first.click()
        page.locator("#waiting", has_text="Not sent yet: Acknowledge").wait_for()
        assert page.url == site.url + path  # no error page of the browser
        page.clock.fast_forward(90_000)
        page.context.set_offline(False)
        page.locator("#waiting").wait_for(state="hidden")
        assert len(own.asked) == asked
        assert own.waited_s[-1] >= 90.0


def test_a_one_tap_answer_waits_for_the_network_and_then_says_what_it_did(
    page: Page, site: Server, own: sample.Shop
) -> None:
    link = make_link(site.url, sample.KEY, "acknowledge", CONDITION, sample.NOW_S + 60.0, who=sample.LEAD)
    page.goto(link)
    page.context.set_offline(True)
    page.get_by_role("button", name="Acknowledge").click()
    page.locator("#waiting", has_text="Not sent yet").wait_for()
    page.context.set_offline(False)
    page.locator(".done-note", has_text=f"Acknowledged by {sample.LEAD}").wait_for()
    assert [one.condition_id for one in own.asked] == [CONDITION]


def test_a_bead_recorded_without_connection_arrives_once(page: Page, site: Server, own: sample.Shop) -> None:
    page.goto(site.url + "/bead")
    page.get_by_label("Slag off, looked along all of it").check()
    page.context.set_offline(True)
    page.get_by_role("button", name="Judge", exact=True).click()
    page.locator("#waiting", has_text="No connection").wait_for()  # a question is asked of the service itself
    page.get_by_role("button", name="Judge and record").click()
    page.locator("#waiting", has_text="Not sent yet: Judge and record, Test bead").wait_for()
    page.context.set_offline(False)
    page.get_by_role("heading", name="No pores seen recorded").wait_for()
    assert len(own.ledger.events(kinds=[EventKind.BEAD])) == 1
    page.locator("#bead-sketch").scroll_into_view_if_needed()  # the answered page works on
    box = page.locator("#bead-sketch").bounding_box()
    assert box is not None
    page.touchscreen.tap(box["x"] + 40, box["y"] + 50)
    page.locator("#bead-said", has_text="1 on the sketch").wait_for()


def test_what_waits_is_shown_on_every_page_and_outlives_a_reload(
    page: Page, site: Server, own: sample.Shop
) -> None:
    page.goto(site.url + "/thing/spool-12")
    held = _held(page)
    page.get_by_role("button", name="Bagged with desiccant").click()
    page.locator("#waiting", has_text="Not sent yet: Bagged with desiccant, Spool 12").wait_for()
    for path in ("/", "/numbers", "/thing/spool-12"):
        page.goto(site.url + path)
        page.locator("#waiting", has_text="Not sent yet: Bagged with desiccant, Spool 12").wait_for()
    assert own.ledger.events(subject="spool-12") == []
    held.clear()
    page.locator(".done-note", has_text="Bagged").wait_for()
    assert len(own.ledger.events(subject="spool-12")) == 1


def _until(page: Page, holds: Callable[[], bool]) -> None:
    for _ in range(300):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError("did not come to hold")


def _held(page: Page) -> list[str]:
    """A network that lets pages through and loses every post, until the list is emptied."""
    held = ["lost"]

    def lose(route: Route) -> None:
        if route.request.method == "POST" and held:
            route.abort("connectionreset")
        else:
            route.continue_()

    page.context.route("**/*", lose)
    return held


def test_a_tap_outlives_the_browser_being_killed(
    chromium: Browser, tmp_path: Path, site: Server, own: sample.Shop
) -> None:
    def started() -> Page:
        kind, profile = chromium.browser_type, str(tmp_path / "phone")
        return kind.launch_persistent_context(
            profile, executable_path=CHROMIUM, args=FLAGS, viewport=PHONE
        ).new_page()

    page = started()
    page.goto(site.url + "/thing/spool-12")
    page.locator("#who").select_option(sample.LEAD)
    page.context.set_offline(True)
    page.get_by_role("button", name="Bagged with desiccant").click()
    page.locator("#waiting", has_text="Not sent yet").wait_for()
    _kill(str(tmp_path / "phone"))
    page = started()
    page.goto(site.url + "/numbers")  # any page sends what waits
    _until(page, lambda: len(own.ledger.events(subject="spool-12")) == 1)
    page.context.close()
    (entry,) = own.ledger.events(subject="spool-12")
    assert (entry.who, entry.body["place"]) == (sample.LEAD, "bagged")


def _kill(profile: str) -> None:
    """End the browser that this test started, as a phone does that runs out of memory."""
    for folder in Path("/proc").iterdir():
        try:
            words = (folder / "cmdline").read_bytes().split(b"\0") if folder.name.isdigit() else []
        except OSError:
            continue
        if f"--user-data-dir={profile}".encode() in words and not any(
            w.startswith(b"--type=") for w in words
        ):
            os.kill(int(folder.name), signal.SIGKILL)


def test_what_is_refused_later_stays_on_every_page_until_it_was_seen(
    page: Page, site: Server, own: sample.Shop
) -> None:
    page.goto(site.url + "/alarms")
    page.context.set_offline(True)
    page.get_by_role("button", name="Acknowledge", exact=True).first.click()
    page.locator("#waiting", has_text="Not sent yet").wait_for()
    own.refuse = "already acknowledged by Bo Larkin"
    page.context.set_offline(False)
    page.locator("#waiting", has_text="already acknowledged by Bo Larkin").wait_for()
    page.goto(site.url + "/numbers")
    note = page.locator("#waiting", has_text="Refused: Acknowledge")
    note.wait_for()
    assert page.evaluate(CONTRAST) == []
    page.locator("#waiting").get_by_role("button", name="Seen").click()
    page.locator("#waiting").wait_for(state="hidden")
    page.reload()
    assert page.locator("#waiting").is_hidden()
    assert len(own.asked) == 1


def test_an_answer_of_the_networks_own_page_is_no_receipt(page: Page, own: sample.Shop) -> None:
    portal = ["up"]

    def answer(route: Route) -> None:
        if portal and route.request.method == "POST":
            route.fulfill(status=200, content_type="text/html", body="<main>Log in to this network</main>")
        else:
            route.continue_()

    page.reload()
    page.route("**/*", answer)
    page.get_by_role("button", name="Bagged with desiccant").click()
    page.locator("#waiting", has_text="Not sent yet").wait_for()
    assert own.ledger.events(subject="spool-12") == []
    portal.clear()
    page.locator(".done-note", has_text="Bagged").wait_for()
    assert len(own.ledger.events(subject="spool-12")) == 1


def test_the_same_deed_twice_with_another_between_is_entered_twice_and_an_impatient_tap_once(
    page: Page, own: sample.Shop
) -> None:
    page.reload()
    page.context.set_offline(True)
    for name in ("Test bead sound", "Test bead not sound", "Test bead sound", "Test bead sound"):
        page.get_by_role("button", name=name, exact=True).click()
        page.wait_for_function("() => !document.querySelector('button.sent')")
    assert page.locator("#waiting p").count() == 3
    page.context.set_offline(False)
    _until(page, lambda: len(own.ledger.events(subject="spool-12")) == 3)
    page.locator(".done-note", has_text="Test bead sound").wait_for()
    told = own.ledger.events(subject="spool-12")
    assert [event.body["sound"] for event in told] == [True, False, True]


def test_a_tap_from_a_page_of_an_older_session_is_sent_with_the_token_of_the_present_one(
    page: Page, site: Server, own: sample.Shop
) -> None:
    page.reload()
    page.context.clear_cookies(name="dryshift_session")
    page.get_by_role("button", name="Bagged with desiccant").click()
    page.locator(".done-note", has_text="Bagged").wait_for()
    assert len(own.ledger.events(subject="spool-12")) == 1


def test_a_tap_after_a_log_in_ended_waits_for_the_next_one(chromium: Browser, tmp_path: Path) -> None:
    with doors(tmp_path) as yard:
        page = opened(chromium, yard, "/log-in", PHONE).page

        def log_in() -> None:
            page.goto(yard.url + "/log-in?then=/thing/spool-12")
            page.locator("[name=who]").last.fill(sample.LEAD)
            page.locator("[name=password]").fill(WORDS)
            page.locator("form.log-in button").last.click()
            page.get_by_role("heading", name="Spool 12").wait_for()

        log_in()
        page.context.clear_cookies(name="dryshift_login")
        page.get_by_role("button", name="Bagged with desiccant").click()
        page.locator("#waiting", has_text="Not sent yet: Bagged with desiccant").wait_for()
        assert page.get_by_role("link", name="Log in: then it goes out").is_visible()
        log_in()
        _until(page, lambda: len(yard.shop.ledger.events(subject="spool-12")) == 1)
        page.context.close()
