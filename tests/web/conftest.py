"""One sample shop served for the module's tests; each test starts from the same picture."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from playwright.sync_api import Browser, sync_playwright

from monitor.history.entries import Seen
from monitor.web.server import Server
from tests.web import sample
from tests.web.browsing import CHROMIUM, FLAGS


@pytest.fixture(scope="session")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[sample.Shop]:
    """A filled sample on real SQLite files."""
    folder: Path = tmp_path_factory.mktemp("shop")
    shop = sample.open_shop(folder)
    yield shop
    shop.series.close()
    shop.ledger.close()


@pytest.fixture(scope="session")
def server(shop: sample.Shop) -> Iterator[Server]:
    """The sample, served on a free port."""
    server = sample.start(shop)
    yield server
    server.stop()


@pytest.fixture
def own(tmp_path: Path) -> Iterator[sample.Shop]:
    """A shop of the test's own: what is entered stays in its ledger."""
    shop = sample.open_shop(tmp_path, filled=False)
    yield shop
    shop.series.close()
    shop.ledger.close()


@pytest.fixture
def site(own: sample.Shop) -> Iterator[Server]:
    """That shop, served."""
    server = sample.start(own)
    yield server
    server.stop()


@pytest.fixture(autouse=True)
def _same_start(request: pytest.FixtureRequest) -> None:
    if "shop" in request.fixturenames or "server" in request.fixturenames:
        shop: sample.Shop = request.getfixturevalue("shop")
        shop.picture, shop.now_s, shop.refuse = sample.wet_morning(), sample.NOW_S, ""
        shop.asked.clear()
        shop.actors.clear()
        shop.keys.clear()
        shop.looked, shop.seen = (sample.site_ahead(),), Seen()


@pytest.fixture
def browser_session(server: Server) -> Iterator[requests.Session]:
    """A client that keeps its cookies."""
    with requests.Session() as session:
        yield session


@pytest.fixture(scope="session")
def chromium() -> Iterator[Browser]:
    """One browser for all; each test opens its own context."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()
