"""The sample yard with accounts, served; and browsers that log in on it as people do."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import requests

from monitor.model.event import Event, EventKind
from monitor.web.server import Server
from tests.access.desks import OTHER, PIN, WORDS, Desk
from tests.web import sample
from tests.web.sample_shop import settings


class Doors:
    """A served yard whose lead and reviewer have accounts (the lead a PIN), and the desk behind it."""

    def __init__(self, shop: sample.Shop, desk: Desk, server: Server) -> None:
        self.shop = shop
        self.desk = desk
        self.url = server.url

    def browser(self) -> "Browser":
        return Browser(self.url)

    def logged_in(self, who: str = sample.LEAD, words: str = WORDS) -> "Browser":
        browser = self.browser()
        answer = browser.log_in(who, words)
        assert answer.status_code == 303, answer.text
        return browser

    def entries(self, *kinds: EventKind) -> list[Event]:
        return self.shop.ledger.events(kinds=kinds)


class Browser(requests.Session):
    """Keeps its cookies and fills the form token in."""

    def __init__(self, url: str) -> None:
        super().__init__()
        self.url = url
        self.headers["accept"] = "text/html"

    def see(self, path: str, **more: Any) -> requests.Response:
        return self.get(self.url + path, timeout=20, allow_redirects=False, **more)

    def token(self) -> str:
        found: str = self.get(self.url + "/taps/token", timeout=20).json()["token"]
        return found

    def fill(self, path: str, **fields: Any) -> requests.Response:
        data = {"form_token": self.token(), **fields}
        return self.post(self.url + path, data=data, timeout=60, allow_redirects=False)

    def log_in(self, who: str, words: str, **more: Any) -> requests.Response:
        return self.fill("/log-in", who=who, password=words, **more)

    def keep(self, act: str, words: str = WORDS, **fields: Any) -> requests.Response:
        return self.fill("/people", act=act, password=words, **fields)


def handed(page: requests.Response) -> str:
    """The path of the link that a keeper's page shows."""
    found = re.search(r"<code>http://[^/]+(/(?:join|screen)/[\w-]+)</code>", page.text)
    assert found is not None, page.text
    return found[1]


@contextmanager
def doors(folder: Path, *, accounts: bool = True, **web: Any) -> Iterator[Doors]:
    """The yard served; without `accounts` as it is before the first one."""
    chosen = settings(log_in="accounts", **web)
    shop = sample.open_shop(folder, shop=chosen, filled=False)
    desk = Desk(folder, chosen)
    desk.desk._tell = lambda event: shop.ledger.commit([event], entered_s=event.time_s)
    shop.deps = replace(shop.deps, desk=desk.desk)
    if accounts:
        desk.account(pin=PIN)
        desk.account("review-1", OTHER)
    server = sample.start(shop)
    try:
        yield Doors(shop, desk, server)
    finally:
        server.stop()
        desk.desk.book.close()
        shop.series.close()
        shop.ledger.close()
