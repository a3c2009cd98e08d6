"""Sheets of a package, lot, job and week from a real keeper: as a page, as a file, on paper."""

import io
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from playwright.sync_api import Browser

from monitor.consumables.classes import Place
from monitor.engine import page_answers
from monitor.history.entries import GotWet, Opened
from monitor.model.errors import Fault, InputError
from monitor.report.sheet import Sheet
from monitor.report.sources import Sources
from monitor.web.app import create_app
from monitor.web.frame.deps import SeenAsk
from monitor.web.server import Server, serve
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings
from tests.web.browsing import PHONE, WALL, WITH_CHROMIUM, opened
from tests.web.yard_pages import deps_of

WEEK = "2026-W37"  # holds the yard's first day


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    folder: Path = tmp_path_factory.mktemp("sheets")
    yard = Yard(folder, yard_settings(folder))
    yard.run_to(START_S + 600)
    yard.enter("spool-9", Opened("Spool 9", "fcaw-folded-h8", "slip-bay", lot="L-77", job="Keel"))
    yard.enter("rods-3", Opened("Rods 3", "e7018", "panel-hall", Place.OPEN_AIR, lot="L-77"))
    slip = yard.enter("spool-9", GotWet())
    yard.correct(slip, void=True)
    yard.run_to(START_S + 2 * HOUR)
    yield yard
    yard.close()


@pytest.fixture(scope="module")
def site(yard: Yard) -> Iterator[Server]:
    def sheet(kind: str, of: str, site: str) -> Sheet:
        now_s = yard.loop.state.time_s
        return page_answers.sheet(
            Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), now_s), kind, of, site
        )

    deps = deps_of(yard, seen=lambda ask: page_answers.seen(yard.keeper, ask), sheet=sheet)
    server = serve(create_app(deps), "127.0.0.1", 0)
    yield server
    server.stop()


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("package?of=spool-9", ("Spool 9", "L-77", "Keel", "got wet")),
        ("lot?of=L-77", ("spool-9", "rods-3")),
        ("job?of=Keel", ("spool-9",)),
        (f"week?of={WEEK}", ("Air by day", "Slip Bay")),
    ],
)
def test_a_sheet_is_a_page_and_files_with_the_same_tables(
    site: Server, path: str, words: tuple[str, ...]
) -> None:
    page = requests.get(f"{site.url}/sheet/{path}", timeout=10)
    kind, _, query = path.partition("?")
    file = requests.get(f"{site.url}/sheet/{kind}.zip?{query}", timeout=10)
    assert (page.status_code, file.status_code) == (200, 200)
    assert file.headers["content-disposition"].startswith('attachment; filename="dryshift-')
    with zipfile.ZipFile(io.BytesIO(file.content)) as archive:
        tables = [name for name in archive.namelist() if name.endswith(".csv")]
        told = "".join(archive.read(name).decode() for name in archive.namelist())
        for name in tables:
            one = f"{site.url}/sheet/{kind}.csv?{query}&table={name.removesuffix('.csv')}"
            assert requests.get(one, timeout=10).content == archive.read(name)
    assert len(tables) >= 3
    for word in words:
        assert word.lower() in page.text.lower(), word
        assert word.lower() in told.lower(), word
    assert "qualified inspector decide" in page.text


@pytest.mark.parametrize(
    ("path", "words"),
    [
        ("lot?of=L-99", "use one of: L-77"),
        ("package?of=nobody", "was never opened here"),
        ("week?of=2030-W01", "has not begun"),
        ("week?of=soon", "week"),
        (f"week?of={WEEK}&site=attic", "use one of: ferrymoor"),
        ("month?of=2026-09", "kind"),
    ],
)
def test_a_sheet_that_cannot_be_made_says_which_can(site: Server, path: str, words: str) -> None:
    page = requests.get(f"{site.url}/sheet/{path}", timeout=10)
    assert page.status_code == 422
    assert words in page.text


def test_a_table_leaves_as_the_settings_or_the_question_say(site: Server) -> None:
    address = f"{site.url}/sheet/package.csv?of=spool-9&table=proof"
    marked = requests.get(address + "&mark=yes&decimal=comma", timeout=10).content
    assert marked.startswith(b"\xef\xbb\xbf")
    assert b";" in marked.splitlines()[0]
    assert requests.get(address + "&decimal=fraction", timeout=10).status_code == 422
    unknown = requests.get(f"{site.url}/sheet/package.csv?of=spool-9&table=moon", timeout=10)
    assert (unknown.status_code, "use one of:" in unknown.text) == (422, True)


def test_a_thing_and_the_records_lead_to_their_sheets(site: Server) -> None:
    html = requests.get(site.url + "/thing/spool-9", timeout=10).text
    for address in ("/sheet/package?of=spool-9", "/sheet/lot?of=L-77", "/sheet/job?of=Keel"):
        assert f'href="{address}"' in html
    assert 'href="/sheets"' in requests.get(site.url + "/records", timeout=10).text
    listed = requests.get(site.url + "/sheets", timeout=10).text
    assert f"/sheet/week?of={WEEK}" in listed
    assert "/sheet/lot?of=L-77" in listed


def test_what_was_seen_comes_from_the_keeper(yard: Yard) -> None:
    seen = page_answers.seen(yard.keeper, SeenAsk(START_S + 1.5 * HOUR, package="spool-9"))
    assert seen.zone == "slip-bay"
    assert seen.rh_frac == pytest.approx(0.85)
    assert seen.open_s == pytest.approx(1.5 * HOUR - 600, abs=130)


def test_a_sheet_nobody_knows_is_refused(yard: Yard) -> None:
    sources = Sources(yard.settings, yard.ledger, yard.series, yard.keeper, START_S)
    with pytest.raises(InputError) as caught:
        page_answers.sheet(sources, "month", "x", "")
    assert caught.value.faults == (Fault("sheet", "month", "use one of: package, lot, job, week"),)


@WITH_CHROMIUM
@pytest.mark.parametrize("path", ["/sheets", "/sheet/package?of=spool-9", f"/sheet/week?of={WEEK}"])
def test_a_sheet_fits_the_phone_the_wall_and_paper(chromium: Browser, site: Server, path: str) -> None:
    watched = opened(chromium, site, path, PHONE)
    page = watched.page
    for width, height in (PHONE.values(), WALL.values()):
        page.set_viewport_size({"width": width, "height": height})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.emulate_media(media="print")
    assert page.locator(".nav").is_hidden()
    assert watched.complaints == []
    page.context.close()
