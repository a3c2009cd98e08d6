"""Logging in as people do it, in a real browser on a phone: what they see, how large it is, what it does."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Error, Page

from tests.access.desks import LEAD, OTHER, PIN, WORDS
from tests.brokers import wait_until
from tests.web import sample
from tests.web.browsing import PHONE, WITH_CHROMIUM
from tests.web.signed_in import Doors, doors
from tests.web.test_browser import CONTRAST, SMALL_TARGETS

pytestmark = WITH_CHROMIUM
PASTES = """() => { const at = document.getElementById("password"); at.focus();
  const given = new DataTransfer(); given.setData("text/plain", "x");
  return at.dispatchEvent(new ClipboardEvent("paste", { clipboardData: given, cancelable: true })); }"""
NONE_WAITS = """() => new Promise((done) => {
  const asked = indexedDB.open("dryshift", 1);
  asked.onsuccess = () => {
    const all = asked.result.transaction("taps").objectStore("taps").getAll();
    all.onsuccess = () => done(all.result.length === 0);
  }; })"""


def none_waits(page: Page) -> bool:
    """Whether the outbox is empty; not told while the page is just being changed for another."""
    try:
        return bool(page.evaluate(NONE_WAITS))
    except Error:
        return False


def leave(page: Page) -> None:
    """Close it all; a page that is just being changed is left first, or closing may wait for ever."""
    try:
        page.goto("about:blank")
    except Error:  # the other page came first
        page.wait_for_load_state()
        page.goto("about:blank")
    page.context.close()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Doors]:
    with doors(tmp_path) as yard:
        yield yard


@pytest.fixture
def phone(yard: Doors, chromium: Browser) -> Iterator[Page]:
    context = chromium.new_context(viewport=PHONE, has_touch=True, service_workers="block")
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda one: complaints.append(one.text) if one.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    yield page
    leave(page)
    assert [one for one in complaints if "401" not in one] == []  # a browser complains of every log-in wanted


def log_in(page: Page, who: str = sample.LEAD, words: str = WORDS) -> None:
    page.get_by_label("Name", exact=True).fill(who)
    page.get_by_label("Password", exact=True).fill(words)
    page.get_by_role("button", name="Log in").click()


def test_a_phone_logs_in_once_and_its_buttons_answer_without_a_name(yard: Doors, phone: Page) -> None:
    phone.goto(yard.url + "/alarms")
    assert phone.url.endswith("/log-in?then=%2Falarms")
    log_in(phone)
    phone.wait_for_url(yard.url + "/alarms")
    assert phone.get_by_text("Your name").count() == 0
    with phone.expect_navigation():  # the page again, with the answer in it
        phone.get_by_role("button", name="Acknowledge").first.click()
    assert [str(one.known_by) for one in yard.shop.actors][:1] == ["log_in"]


def test_a_password_may_be_filled_in_pasted_and_looked_at(yard: Doors, phone: Page) -> None:
    phone.goto(yard.url + "/log-in")
    field = phone.get_by_label("Password", exact=True)
    assert (field.get_attribute("autocomplete"), field.get_attribute("type")) == (
        "current-password",
        "password",
    )
    assert phone.evaluate(PASTES) is True
    field.fill(WORDS)
    phone.get_by_label("Show it").check()
    assert field.get_attribute("type") == "text"
    phone.get_by_label("Show it").uncheck()
    assert field.get_attribute("type") == "password"


@pytest.mark.parametrize("path", ["/log-in", "/account", "/people", "join"])
def test_every_button_is_large_enough_for_a_glove_and_nothing_is_wider_than_the_phone(
    yard: Doors, phone: Page, path: str
) -> None:
    if path == "join":
        path = "/join/" + yard.desk.desk.book.invite("join", "lead-2", sample.LEAD, yard.desk.now_s + 60.0)
    elif path != "/log-in":
        phone.goto(yard.url + "/log-in")
        log_in(phone)
        phone.wait_for_url(yard.url + "/")
    phone.goto(yard.url + path)
    phone.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
    assert phone.evaluate(SMALL_TARGETS) == []
    assert phone.evaluate("() => document.documentElement.scrollWidth") <= PHONE["width"]
    for scheme in ("light", "dark"):
        phone.emulate_media(color_scheme=scheme)
        assert phone.evaluate(CONTRAST) == [], scheme
    unnamed = phone.locator("main input:not([type=hidden])").evaluate_all(
        "(all) => all.filter((one) => one.labels.length === 0).map((one) => one.name)"
    )
    assert unnamed == []


def test_on_a_shared_tablet_a_tap_and_four_digits_are_enough(yard: Doors, phone: Page) -> None:
    phone.goto(yard.url + "/log-in")
    log_in(phone)
    phone.wait_for_url(yard.url + "/")
    phone.goto(yard.url + "/people")
    phone.get_by_label("Your password").fill(WORDS)
    phone.get_by_label("Name of a new one").fill("Slip Bay tablet")
    phone.get_by_role("button", name="This device is a shared tablet").click()
    phone.wait_for_url(yard.url + "/log-in?then=/")
    phone.get_by_text(sample.LEAD).click()
    phone.get_by_label("PIN", exact=True).fill(PIN)
    phone.get_by_role("button", name="That is me").click()
    phone.wait_for_url(yard.url + "/")
    assert phone.locator(".tablet-me").inner_text().startswith(sample.LEAD)
    phone.get_by_role("button", name="Done, log out").click()
    phone.wait_for_url(yard.url + "/log-in?then=/")
    assert yard.desk.desk.book.sessions(LEAD, yard.desk.now_s)[0].tablet == ""


def test_a_tap_whose_session_is_over_waits_and_goes_out_after_the_log_in(
    yard: Doors, chromium: Browser
) -> None:
    context = chromium.new_context(viewport=PHONE, has_touch=True)  # with its service worker
    phone = context.new_page()
    phone.goto(yard.url + "/log-in")
    log_in(phone)
    phone.wait_for_url(yard.url + "/")
    phone.goto(yard.url + "/alarms")
    yard.desk.desk.book.end(LEAD)
    phone.get_by_role("button", name="Acknowledge").first.click()
    phone.wait_for_url(yard.url + "/log-in*")
    assert yard.shop.asked == []
    log_in(phone)
    phone.wait_for_url(lambda address: "/log-in" not in address)
    wait_until(lambda: none_waits(phone), "the tap to go out", 30)
    assert {(one.name, str(one.known_by)) for one in yard.shop.actors} == {(sample.LEAD, "log_in")}
    assert len(yard.shop.asked) == len(set(yard.shop.keys))
    leave(phone)


def test_who_may_not_is_told_so_on_the_page(yard: Doors, phone: Page) -> None:
    phone.goto(yard.url + "/log-in")
    log_in(phone, "T. Ostrander", OTHER)
    phone.wait_for_url(yard.url + "/")
    phone.goto(yard.url + "/account")
    assert phone.get_by_role("link", name="People and screens").count() == 0
