"""Long pages in pieces that a phone can read: records page by page, numbers by what is looked for."""

import re

import pytest
import requests

from monitor.model.event import EventKind, NewEvent
from monitor.web.pages.records_page import SHOWN
from monitor.web.server import Server
from tests.web import sample


def test_records_come_page_by_page_and_every_event_once(shop: sample.Shop, server: Server) -> None:
    body: dict[str, object] = {"entry": "done"}
    shop.ledger.commit(
        [NewEvent(EventKind.PLAN, f"act-{n}", sample.NOW_S, "Lead", body, key=f"act-{n}") for n in range(60)],
        entered_s=sample.NOW_S,
    )
    address, seen = "/records?kind=plan", []
    while address:
        html = requests.get(server.url + address, timeout=30).text
        rows = re.findall(r'<tr id="event-(\d+)">', html)
        assert 0 < len(rows) <= SHOWN
        seen += rows
        earlier = re.search(r'href="(/records\?before=[^"]*)"', html)
        address = earlier.group(1).replace("&amp;", "&") if earlier else ""
    assert len(seen) == len(set(seen)) == len(shop.ledger.events(kinds=[EventKind.PLAN]))


@pytest.mark.parametrize(("find", "some"), [("dew point", True), ("DEW", True), ("no such thing", False)])
def test_numbers_are_found_by_their_words(server: Server, find: str, some: bool) -> None:
    def rows(html: str) -> list[str]:
        return [
            re.sub(r"<[^>]*>", " ", one) for one in re.findall(r'<tr><th scope="row">.*?</tr>', html, re.S)
        ]

    every = rows(requests.get(server.url + "/numbers", timeout=30).text)
    html = requests.get(server.url + "/numbers", params={"find": find}, timeout=30).text
    found = rows(html)
    assert bool(found) is some
    assert f"{len(found)} of {len(every)} fit" in html
    assert len(found) < len(every)
    for word in find.lower().split():
        assert all(word in one.lower().replace("_", " ") for one in found)
