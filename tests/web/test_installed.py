"""The pages as an application of the phone: installable, and open without network, never as if of now."""

import json
import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import requests
from playwright.sync_api import Browser, Error, Page

from monitor.notify.web_push import PushKey
from monitor.store.folder_beside import BesideInFolder
from monitor.store.phone_book import PhoneBook
from monitor.web.app import create_app
from monitor.web.server import Server, serve
from tests.web import sample
from tests.web.browsing import CHROMIUM, FLAGS, PHONE, WITH_CHROMIUM, opened

pytestmark = WITH_CHROMIUM


@pytest.fixture
def page(chromium: Browser, own: sample.Shop) -> Iterator[Page]:
    """A phone whose service worker has the first page of a dry morning."""
    own.picture = sample.calm()
    site = sample.start(own)
    found = opened(chromium, site, "/", PHONE, service_workers="allow").page
    found.set_default_timeout(15_000)
    found.evaluate("navigator.serviceWorker.ready.then(() => 1)")
    found.wait_for_function("() => navigator.serviceWorker.controller !== null")
    _wait_until_kept(found, "/")
    yield found
    found.context.close()
    site.stop()


def _wait_until_kept(page: Page, address: str) -> None:
    page.evaluate(
        """async (address) => {
          for (let n = 0; n < 200; n += 1) {
            if (await caches.match(address)) return;
            await new Promise((done) => setTimeout(done, 50));
          }
          throw new Error('not kept');
        }""",
        address,
    )


def test_chromium_finds_it_installable(chromium: Browser, server: Server, tmp_path: Path) -> None:
    context = chromium.browser_type.launch_persistent_context(  # a private window installs nothing
        str(tmp_path), executable_path=CHROMIUM, args=FLAGS, viewport=PHONE
    )
    page = context.new_page()
    page.goto(server.url)
    session = context.new_cdp_session(page)
    assert session.send("Page.getAppManifest")["errors"] == []
    assert session.send("Page.getInstallabilityErrors")["installabilityErrors"] == []
    context.close()
    said = requests.get(server.url + "/manifest.webmanifest", timeout=10).json()
    for icon in said["icons"]:
        sent = requests.get(server.url + icon["src"], timeout=10)
        assert (sent.status_code, sent.headers["content-type"]) == (200, "image/png")


def test_without_network_the_last_first_page_opens_as_unknown_and_says_since_when(page: Page) -> None:
    assert page.locator("#answer-words").inner_text() == "All dry"
    page.context.set_offline(True)
    page.reload()
    assert page.locator("main h1").first.inner_text() == "Not known now"
    assert page.locator("main .answer").first.get_attribute("class") == "answer level-unknown old-page"
    assert page.locator("#old-age").inner_text() == "0 min"
    assert page.title() == "Not known now"
    # what was safe is no longer green, and no mark says so
    green = page.evaluate(
        """() => [...document.querySelectorAll('main .mark-safe')]
          .filter(one => getComputedStyle(one).visibility !== 'hidden').length"""
    )
    assert green == 0
    then = "getComputedStyle(document.getElementById('answer-words'), '::before').content"
    assert page.evaluate(then) == '"Then: "'
    for level in page.locator(".now .zone-level").all():
        assert level.evaluate("one => getComputedStyle(one).visibility") == "hidden"
    old = page.locator(".now")
    assert "grayscale(1)" in old.evaluate("one => getComputedStyle(one).filter")
    page.goto(page.url.rstrip("/") + "/week")  # a page that was never kept: the first one, marked the same
    assert page.locator("main h1").first.inner_text() == "Not known now"


def test_the_true_page_comes_by_itself_when_the_network_is_back(page: Page) -> None:
    page.context.set_offline(True)
    page.reload()
    page.locator(".old-page").wait_for()
    page.context.set_offline(False)
    page.locator(".old-page").wait_for(state="detached")
    assert page.locator("#answer-words").inner_text() == "All dry"
    assert page.evaluate("document.documentElement.dataset.live") == "/live/now"


def test_a_tap_on_a_page_opened_without_network_goes_out_later(page: Page, own: sample.Shop) -> None:
    page.goto(page.url.rstrip("/") + "/thing/spool-12")
    _wait_until_kept(page, "/thing/spool-12")
    page.context.set_offline(True)
    page.reload()
    page.locator(".old-page").wait_for()
    page.locator("#who").select_option(sample.LEAD)
    page.get_by_role("button", name="Bagged with desiccant").click()
    page.locator("#waiting", has_text="Not sent yet: Bagged with desiccant, Spool 12").wait_for()
    page.context.set_offline(False)
    page.locator(".done-note", has_text="Bagged").wait_for()
    assert len(own.ledger.events(subject="spool-12")) == 1


def test_what_is_kept_is_bounded_and_pages_of_figures_are_not_kept(page: Page) -> None:
    home = page.url.rstrip("/")
    for n in range(25):
        page.goto(f"{home}/alarms?n={n}")
    page.goto(f"{home}/records")
    kept = page.evaluate(
        """caches.open('dryshift-pages').then(pages => pages.keys())
          .then(all => all.map(one => new URL(one.url).pathname))"""
    )
    assert len(kept) == 20
    assert set(kept) == {"/alarms"}


def test_a_page_that_cannot_be_marked_old_is_not_shown(page: Page) -> None:
    page.evaluate(
        """caches.open('dryshift-pages').then(pages => pages.put('/', new Response(
          '<html lang="en"><main>All dry</main></html>',
          { headers: { 'content-type': 'text/html', date: new Date().toUTCString() } })))"""
    )
    page.context.set_offline(True)
    with pytest.raises(Error, match="net::ERR_"):
        page.reload()


@pytest.mark.parametrize("way", ["logs out", "is asked to log in"])
def test_whoever_logs_out_or_is_asked_to_log_in_leaves_nothing_to_read_on_the_phone(
    page: Page, way: str
) -> None:
    if way == "logs out":
        page.evaluate("fetch('/log-out', { method: 'POST' }).then(() => 1)")
    else:
        page.goto(page.url.rstrip("/") + "/log-in")
    _until(page, lambda: page.evaluate("caches.has('dryshift-pages')") is False)


def test_a_pushed_warning_is_shown_with_the_page_shut_and_opens_its_link(page: Page) -> None:
    page.context.grant_permissions(["notifications"])
    session = page.context.new_cdp_session(page)
    found: list[str] = []
    session.on(
        "ServiceWorker.workerRegistrationUpdated",
        lambda said: found.extend(one["registrationId"] for one in said["registrations"]),
    )
    session.send("ServiceWorker.enable")
    _until(page, lambda: bool(found))
    told = {"title": "Wet", "text": "Mix 1 is wet.", "subject": "warning:x", "priority": "high"}
    told |= {"created_s": sample.NOW_S, "link": "/a/abc"}
    pushed = {"origin": page.url.rstrip("/"), "registrationId": found[0], "data": json.dumps(told)}
    session.send("ServiceWorker.deliverPushMessage", pushed)
    shown = """navigator.serviceWorker.ready.then(worker => worker.getNotifications())
      .then(all => all.map(one => [one.title, one.body, one.tag, one.data]))"""
    expected = [["Wet", "Mix 1 is wet.", "warning:x", "/a/abc"]]
    _until(page, lambda: page.evaluate(shown) == expected)


def _until(page: Page, holds: Callable[[], bool]) -> None:
    for _ in range(200):
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError("did not come to hold")


def test_a_browser_is_kept_for_its_person_and_only_at_a_push_services_address(tmp_path: Path) -> None:
    settings = sample.settings()
    service = settings.service.model_copy(update={"data_dir": tmp_path})
    shop = sample.open_shop(tmp_path, filled=False, shop=settings.model_copy(update={"service": service}))
    book = PhoneBook(BesideInFolder(tmp_path))
    site = serve(create_app(replace(shop.deps, phones=book)), "127.0.0.1", 0)
    who = {"dryshift_who": "Morgan%20Reyd"}
    with requests.Session() as browser:
        page = browser.get(site.url + "/phone", cookies=who, timeout=10).text
        token = re.search(r'name="form_token" value="([^"]+)"', page)
        assert token is not None
        assert f'data-key="{PushKey(book).public}"' in page
        sent = {"form_token": token.group(1), "who": sample.LEAD, "public_key": "BAAA", "secret": "AAAA"}
        for endpoint in ("http://push.example/1", "https://127.0.0.1/1", "https://localhost:9/1", ""):
            refused = browser.post(site.url + "/phone", data={**sent, "endpoint": endpoint}, timeout=10)
            assert refused.status_code == 422, endpoint
        taken = {**sent, "endpoint": "https://push.example/1", "device": "Android"}
        assert browser.post(site.url + "/phone", data=taken, timeout=10).status_code == 200
        (kept,) = book.of([sample.LEAD])
        assert (kept.endpoint, kept.device) == ("https://push.example/1", "Android")
        gone = {**taken, "public_key": "", "secret": ""}
        assert browser.post(site.url + "/phone", data=gone, timeout=10).status_code == 200
    assert book.of([]) == []
    site.stop()
    book.close()
    shop.series.close()
    shop.ledger.close()
