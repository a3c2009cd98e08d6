"""Every page printed by a browser on A4 and Letter, and read back: how many sheets, and no text over text."""

import re
from collections.abc import Iterator
from html import unescape
from pathlib import Path

import pytest
import requests
from playwright.sync_api import Browser

from monitor.report import paper
from monitor.web.app import create_app
from monitor.web.frame import page as web_page
from monitor.web.server import Server, serve
from tests.bookkeeper import small_shop
from tests.web.browsing import WALL, WITH_CHROMIUM, opened
from tests.web.printed import read_back

pytestmark = WITH_CHROMIUM
PAPERS = {"A4": (595, 842), "Letter": (612, 792)}
SMALL = {  # the most sheets for an ordinary week of a small shop
    "/": 3,
    f"/week?week={small_shop.WEEK}": 4,
    "/week?zone=bottle-rack": 4,
    "/alarms": 5,
    "/alarms/performance": 2,
    "/sensors": 1,
    "/things": 1,
    "/thing/spool-31": 2,
    "/thing/mix-1": 1,
    "/labels": 1,
    "/evidence": 1,
    "/sheets": 1,
    "/numbers": 10,
    "/service": 1,
    "/safety": 1,
    f"/sheet/week?of={small_shop.WEEK}": 7,
    "/sheet/package?of=spool-31": 2,
    "/sheet/lot?of=K-204": 2,
    "/sheet/job?of=Gantry%203": 2,
}
YARD = ["/", "/week", "/week?zone=slip-bay", "/alarms", "/sensors", "/set-aside", "/records", "/things/new",
        "/things", "/thing/spool-7", "/bead", "/gas", "/ahead", "/cause?package=spool-7", "/week/air",
    "/evidence",
        "/service", "/check/slip-1", "/more", "/api"]  # fmt: skip


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    yard = small_shop.live_week(tmp_path_factory.mktemp("small"))
    server = serve(create_app(small_shop.deps(yard)), "127.0.0.1", 0)
    yield server
    server.stop()
    yard.close()


def printed(chromium: Browser, server: Server, path: str, paper: str) -> int:
    """The number of sheets, none of which is spoilt."""
    page = opened(chromium, server, path, WALL).page
    sheets = read_back(page.pdf(format=paper))
    page.context.close()
    for number, sheet in enumerate(sheets):
        assert sheet.size_pt == pytest.approx(PAPERS[paper], abs=1.0)
        assert sheet.overprinted() == [], f"{path}, sheet {number + 1} of {len(sheets)} on {paper}"
        assert sheet.outside() == [], f"{path}, sheet {number + 1} of {len(sheets)} on {paper}"
    return len(sheets)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("path", SMALL)
def test_a_small_shops_page_prints_on_a_few_sheets_and_nothing_over_anything(
    chromium: Browser, small: Server, path: str, paper: str
) -> None:
    assert printed(chromium, small, path, paper) <= SMALL[path] + (paper == "Letter")


@pytest.mark.parametrize("path", YARD)
def test_a_yards_page_prints_on_a_few_sheets_and_nothing_over_anything(
    chromium: Browser, server: Server, path: str
) -> None:
    assert printed(chromium, server, path, "A4") <= 4


@pytest.mark.parametrize(("asked", "size_pt"), [("", PAPERS["A4"]), ("&size=letter", PAPERS["Letter"])])
def test_one_button_on_the_weeks_page_gives_the_record_to_sign(
    small: Server, asked: str, size_pt: tuple[int, int]
) -> None:
    address = f"/sheet/week.pdf?of={small_shop.WEEK}&amp;site=tarn-hollow"
    for page in (f"/week?week={small_shop.WEEK}", f"/sheet/week?of={small_shop.WEEK}&site=tarn-hollow"):
        assert f'href="{address}"' in requests.get(small.url + page, timeout=30).text
    answer = requests.get(small.url + unescape(address) + asked, timeout=60)
    assert (answer.status_code, answer.headers["content-type"]) == (200, "application/pdf")
    assert "dryshift-week-2026-W38.pdf" in answer.headers["content-disposition"]
    sheets = read_back(answer.content)
    assert len(sheets) <= 2
    assert sheets[0].size_pt == pytest.approx(size_pt, abs=1.0)


def test_a_record_that_there_is_not_is_refused_in_words(small: Server) -> None:
    answer = requests.get(f"{small.url}/sheet/package.pdf?of=nobody", timeout=30)
    assert answer.status_code == 422
    assert "was never opened here" in answer.text


def test_without_the_typesetter_the_pages_say_how_to_get_it(
    small: Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paper, "TYPESETTER", "no_typesetter_of_this_name")
    answer = requests.get(f"{small.url}/sheet/week.pdf?of={small_shop.WEEK}", timeout=30)
    assert answer.status_code == 503
    assert "sh deploy/install.sh paper" in answer.text
    page = requests.get(f"{small.url}/week?week={small_shop.WEEK}", timeout=30).text
    assert "sh deploy/install.sh paper; the browser prints this page" in page
    assert "week.pdf" not in page


def test_a_style_for_the_width_of_a_screen_never_reaches_paper() -> None:
    # the whole class of the fault: paper is as narrow as a large phone, so a bare width catches it
    css = (Path(web_page.__file__).parents[1] / "static" / "site.css").read_text(encoding="utf-8")
    queries = re.findall(r"@media ([^{]*)", css)
    parts = [part.strip() for query in queries for part in query.split(",")]
    assert any("width" in part for part in parts)
    assert [part for part in parts if "width" in part and not part.startswith("screen")] == []


def test_letters_over_letters_are_found(chromium: Browser) -> None:
    # the check checked: two words in one place are found, a word beside another is not
    page = chromium.new_page()
    page.set_content("<p>beside</p><p>another</p>")
    (sound,) = read_back(page.pdf())
    page.set_content("<p style='position:absolute'>beside</p><p style='position:absolute'>another</p>")
    (spoilt,) = read_back(page.pdf())
    page.close()
    assert (sound.overprinted(), spoilt.text.split()) == ([], ["beside", "another"])
    assert len(spoilt.overprinted()) >= 5
