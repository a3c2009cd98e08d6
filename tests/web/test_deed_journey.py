"""A deed on its way to the record asks for each thing once, and for nothing that it does not need."""

import re
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import requests

from monitor.consumables.classes import Place
from monitor.engine.derivation import Deriver
from monitor.engine.loop import CoreLoop
from monitor.history.entries import Moved, Opened, Withdrawn
from monitor.history.shop_history import DeclaredThings
from monitor.web.app import create_app
from monitor.web.server import serve
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings
from tests.web.yard_pages import deps_of


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yard.run_to(START_S + 600)
    yard.enter("spool-9", Opened("Spool 9", "fcaw-folded-h8", "slip-bay"))
    yard.enter("rods-3", Opened("Rods 3", "e7018", "slip-bay"))
    yard.run_to(START_S + HOUR)
    yield yard
    yard.close()


@pytest.fixture
def url(yard: Yard) -> Iterator[str]:
    server = serve(create_app(deps_of(yard)), "127.0.0.1", 0)
    yield server.url
    server.stop()


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often each step ran, and of which thing."""
    found: Counter[str] = Counter()

    def counted(owner: type, name: str, of: Callable[[tuple[Any, ...]], str]) -> None:
        real = getattr(owner, name)

        def run(self: Any, *given: Any) -> Any:
            found[f"{name} {of(given)}".strip()] += 1
            return real(self, *given)

        monkeypatch.setattr(owner, name, run)

    counted(DeclaredThings, "package", lambda given: str(given[0]))
    counted(DeclaredThings, "history", lambda _: "")
    counted(Deriver, "package_facts", lambda given: str(given[0].id))
    counted(Deriver, "clock", lambda given: str(given[0].id))
    counted(CoreLoop, "snapshot", lambda _: "")
    return found


def test_a_spool_bagged_on_the_page_is_derived_once_and_no_picture_is_composed_for_it(
    yard: Yard, url: str, calls: Counter[str]
) -> None:
    with requests.Session() as browser:
        html = browser.get(f"{url}/thing/spool-9", timeout=20).text
        form = re.search(r'<form[^>]*class="deeds".*?</form>', html, re.S)
        assert form is not None
        fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)"', form.group()))
        fields |= {"who": "Ann", "deed": "bagged", "zone": "panel-hall"}
        calls.clear()
        answer = browser.post(f"{url}/thing/spool-9", data=fields, timeout=20, allow_redirects=False)
    assert answer.status_code == 303
    assert yard.package("spool-9").place == "bagged"
    # the page looks once what the label is, the check folds once what it would become; that is then taken
    assert calls == {
        "package spool-9": 2,
        "package_facts spool-9": 1,
        "clock spool-9": 1,
        "snapshot": calls["snapshot"],
    }
    assert calls["snapshot"] <= 1  # the test's own look above


def test_what_the_check_found_is_what_the_ledger_tells(yard: Yard, calls: Counter[str]) -> None:
    yard.enter("spool-9", Moved(Place.BAGGED, "panel-hall"), START_S + 1_800)
    assert calls["package spool-9"] == 1
    taken = yard.loop.shop.packages["spool-9"]
    yard.restart(clean=True)
    assert yard.loop.shop.packages["spool-9"] == taken


def test_a_package_withdrawn_lately_is_not_derived_anew_with_every_entry(
    yard: Yard, calls: Counter[str]
) -> None:
    yard.enter("rods-3", Withdrawn())
    calls.clear()
    yard.enter("spool-9", Moved(Place.BAGGED, "panel-hall"))
    assert not [name for name in calls if "rods-3" in name]
