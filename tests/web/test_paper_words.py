"""Sheets and records are read in the shop's own units, time, clock and language, on the page and on paper."""

import io
import re
from dataclasses import dataclass
from html import unescape
from pathlib import Path
from typing import Any

import pypdfium2
import pytest
import requests

from monitor.consumables.classes import Place
from monitor.engine import page_answers
from monitor.engine.paper_records import Wanted, on_paper
from monitor.history.entries import BeadWelded, Opened, StoreChecked
from monitor.model.shop_units import in_clock, in_shop_units
from monitor.report.paper import PaperSize
from monitor.report.sheet import Sheet
from monitor.report.sources import Sources
from monitor.web.app import create_app
from monitor.web.server import serve
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings
from tests.web.yard_pages import deps_of

WEEK = "2026-W37"
SHEETS = ("package?of=spool-9", "package?of=rods-3", "lot?of=L-77", "job?of=Keel", f"week?of={WEEK}")
AMERICAN = {"temperature_unit": "F", "units": "us", "clock": "12"}
# A time of day as only a clock of 24 hours has it; not one with its offset, as records keep it.
OF_24 = re.compile(r"(?<![\d:+−-])(1[3-9]|2[0-3]|0\d):[0-5]\d(?!:?\d|[+−-]\d)")


@dataclass
class Read:
    """What a person reads of every sheet, as a page and on paper."""

    pages: dict[str, str]
    papers: dict[str, str]


def read(folder: Path, timezone: str, **web: Any) -> Read:
    """A yard's sheets after two hours with a spool, rods, a hot oven and a bead."""
    site = {"id": "ferrymoor", "name": "Ferrymoor Slipway", "timezone": timezone}
    yard = Yard(folder, yard_settings(folder, web=web, sites=[site]))
    yard.run_to(START_S + 600)
    yard.enter("spool-9", Opened("Spool 9", "fcaw-folded-h8", "slip-bay", lot="L-77", job="Keel"))
    yard.enter("rods-3", Opened("Rods 3", "e7018", "panel-hall", Place.OPEN_AIR, lot="L-77"))
    yard.enter("quay-oven", StoreChecked(131.0))
    bead = BeadWelded("iso5817-b", "fillet", 0.3, 0.01, throat_m=0.005, none_seen=True, package="spool-9")
    yard.enter("bead-1", bead)
    yard.run_to(START_S + 2 * HOUR)
    sources = Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), yard.loop.state.time_s)

    def sheet(kind: str, of: str, site: str) -> Sheet:
        return page_answers.sheet(sources, kind, of, site)

    server = serve(create_app(deps_of(yard, sheet=sheet)), "127.0.0.1", 0)
    pages = {one: requests.get(f"{server.url}/sheet/{one}", timeout=30).text for one in SHEETS}
    papers = {}
    for one in SHEETS:
        kind, _, of = one.partition("?of=")
        papers[one] = text_of(on_paper(sources, Wanted(kind, of), PaperSize.A4))
    server.stop()
    yard.close()
    return Read({one: plain(text) for one, text in pages.items()}, papers)


def plain(html: str) -> str:
    return unescape(re.sub(r"(?s)<(script|style|head)\b.*?</\1>|<[^>]*>", "\n", html))


def text_of(pdf: bytes) -> str:
    with pypdfium2.PdfDocument(io.BytesIO(pdf)) as document:
        return "\n".join(page.get_textpage().get_text_range() for page in document)


@pytest.fixture(scope="module")
def american(tmp_path_factory: pytest.TempPathFactory) -> Read:
    return read(tmp_path_factory.mktemp("us"), "America/New_York", **AMERICAN)


@pytest.fixture(scope="module")
def german(tmp_path_factory: pytest.TempPathFactory) -> Read:
    return read(tmp_path_factory.mktemp("de"), "Europe/Berlin", language="de")


@pytest.mark.parametrize("sheet", SHEETS)
def test_no_sentence_of_a_sheet_goes_past_the_shops_units(american: Read, sheet: str) -> None:
    lines = american.pages[sheet].splitlines()
    assert len(lines) > 30
    assert not [line for line in lines if in_shop_units(line, fahrenheit=True, us=True) != line]
    whole = " ".join(american.papers[sheet].split())  # on paper a line ends anywhere
    bare = re.findall(r"-?\d+(?:\.\d+)? ?°C(?! \()", whole)
    assert not bare


@pytest.mark.parametrize("sheet", SHEETS)
def test_no_sheet_tells_the_time_of_another_place_or_of_another_clock(american: Read, sheet: str) -> None:
    for text in (american.pages[sheet], american.papers[sheet]):
        assert not re.findall(r".*\bUTC\b.*", text)
        assert not OF_24.findall(text)


@pytest.mark.parametrize("sheet", SHEETS)
def test_a_record_on_paper_is_said_in_the_shops_language(german: Read, sheet: str) -> None:
    whole = " ".join(german.papers[sheet].split())
    for said in ("Druckgas, heiße Öfen und Schweißrauch", "Erstellt von: Name, Datum, Unterschrift", "von"):
        assert said in whole, said
    for left in ("Made by", "Reviewed by", "empty cells", "decide, not this record", "1 of "):
        assert left not in whole, left
    assert "Taupunkt" in whole or "week" not in sheet


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("worst 21:52, dry by 00:05.", "worst 9:52 pm, dry by 12:05 am."),
        ("Tue 12:00 to 13:30", "Tue 12:00 pm to 1:30 pm"),
        ("Fri 18 Sep 2026 05:52:07 BST", "Fri 18 Sep 2026 5:52:07 am BST"),
        ("2026-09-18T06:00", "2026-09-18T06:00"),
        ("2026-09-18 20:10:00+02:00", "2026-09-18 20:10:00+02:00"),
        ("48213:a3f19c2e77b041de, 22:cb38, 10:1", "48213:a3f19c2e77b041de, 22:cb38, 10:1"),
    ],
)
def test_a_time_of_day_is_said_on_the_shops_clock_and_a_records_time_stays(text: str, said: str) -> None:
    assert in_clock(text, twelve=True).replace("\N{NO-BREAK SPACE}", " ") == said
    assert in_clock(text, twelve=False) == text
    assert in_clock(said, twelve=True) == said
