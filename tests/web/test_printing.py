"""Every page printed by a browser on A4 and Letter, and read back: how many sheets, and no text over text."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser

from monitor.web.app import create_app
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
        "/things", "/thing/spool-7", "/bead", "/gas", "/ahead", "/cause?package=spool-7", "/evidence",
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
