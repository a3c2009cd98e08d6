"""A week whose readings lie in months' files has the pages and records it had before, to the byte."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import requests

from monitor.engine.derivation import Deriver
from monitor.report.package_sheet import package_sheet
from monitor.report.paper import can_print
from monitor.report.week_record import week_record
from monitor.report.week_sheet import week_sheet
from tests.bookkeeper import small_shop
from tests.bookkeeper.yard import Yard
from tests.store.conftest import archive_all
from tests.web import sample

SITE = "tarn-hollow"


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    yard = small_shop.live_week(tmp_path_factory.mktemp("archived"))
    yield yard
    yard.close()


def made(yard: Yard) -> list[object]:
    """Everything that is printed of the week, and the clocks that are worked out of its air."""
    sources = small_shop.sources(yard)
    deriver = Deriver(yard.settings, yard.series)
    packages = [one for one in yard.keeper.things().packages.values() if one.history is not None]
    # as text: a number that is none equals nothing, not even itself
    clocks = [repr(deriver.clock(deriver.package_facts(one.history, {}), yard.fed_s)) for one in packages]
    return [
        week_record(sources, SITE, small_shop.WEEK),
        week_sheet(sources, SITE, small_shop.WEEK),
        package_sheet(sources, "spool-31"),
        package_sheet(sources, "rods-5"),
        clocks,
    ]


@pytest.mark.skipif(not can_print(), reason="the extra named paper is not installed")
def test_records_and_clocks_are_the_same_before_and_after_and_say_what_they_lack(yard: Yard) -> None:
    before = made(yard)
    assert archive_all(yard.series) > 10_000
    assert made(yard) == before
    for file in yard.series.archived():
        file.path.unlink()
    record, sheet, package = made(yard)[:3]
    for one in (record.sheet, sheet, package):
        (said,) = (section for section in one.sections if section.id == "unread")
        assert "is missing; put it back" in said.rows[0][0]
    shifts = next(section for section in record.sheet.sections if section.id == "shifts")
    unknown = [row[shifts.columns.index("not known h")] for row in shifts.rows]
    assert all(float(hours) > 7.0 for hours in unknown), (
        "hours that nobody knows, not hours in which nothing was"
    )


def test_the_weeks_page_is_the_same_before_and_after(tmp_path: Path) -> None:
    shop = sample.open_shop(tmp_path)
    server = sample.start(shop)
    paths = ("/week", "/week?zone=slip-bay", "/week.csv", "/week/air")
    try:
        before = [requests.get(server.url + path, timeout=30).text for path in paths]
        assert archive_all(shop.series) > 10_000
        after = [requests.get(server.url + path, timeout=30).text for path in paths]
        assert after == before
    finally:
        server.stop()
        shop.series.close()
        shop.ledger.close()


def test_a_week_whose_month_is_lost_is_named_by_its_page_and_by_programs_and_no_file_is_made(
    tmp_path: Path,
) -> None:
    shop = sample.open_shop(tmp_path)
    server = sample.start(shop)
    try:
        archive_all(shop.series)
        span = f"start_s={shop.now_s - 5 * 86_400.0:.0f}&end_s={shop.now_s:.0f}"
        for file in shop.series.archived():
            file.path.unlink()
        for path in ("/week", "/week?zone=slip-bay"):
            page = requests.get(server.url + path, timeout=30).text
            assert "cannot be read now" in page
            assert "is missing; put it back" in page
            for false in ("Nothing was measured", "Nothing is stored", "measured without gaps"):
                assert false not in page
        for path in ("/week.csv", f"/api/series.parquet?{span}"):
            refused = requests.get(server.url + path, timeout=30)
            assert refused.status_code == 503
            assert "is missing; put it back" in refused.text
        (one, *_) = requests.get(f"{server.url}/api/series?{span}&raw=true", timeout=30).json()
        assert "is missing; put it back" in one["unread"]
        found = requests.get(f"{server.url}/api/unknown?{span}&zone=slip-bay", timeout=30).json()
        assert "is missing; put it back" in found["unread"]
        assert found["unknown_h"] > 100.0
    finally:
        server.stop()
        shop.series.close()
        shop.ledger.close()
