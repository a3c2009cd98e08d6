"""The page of a week over a yard that was really watched: bodies and unknown hours are those of the store."""

import csv
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import requests

from monitor.history.entries import CylinderMoved, PlateBroughtIn
from monitor.model.reading import Quantity, SeriesKey
from monitor.report.sources import Sources
from monitor.report.week_sheet import week_sheet
from monitor.web.app import create_app
from monitor.web.server import serve
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings
from tests.web.yard_pages import deps_of

WEEK = "2026-W37"  # Monday, 7 September 2026, and what follows


@contextmanager
def served(yard: Yard) -> Iterator[str]:
    """The yard's pages."""
    server = serve(create_app(deps_of(yard, lambda: yard.fed_s)), "127.0.0.1", 0)
    try:
        yield server.url
    finally:
        server.stop()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    """A yard on real stores."""
    yard = Yard(tmp_path, yard_settings(tmp_path))
    yield yard
    yard.close()


def page(url: str, **query: str) -> str:
    """The week's page."""
    return requests.get(f"{url}/week", params={"week": WEEK, **query}, timeout=30).text


def rows(url: str, **query: str) -> list[dict[str, Any]]:
    """The week's file."""
    answer = requests.get(f"{url}/week.csv", params={"week": WEEK, **query}, timeout=30)
    return list(csv.DictReader(io.StringIO(answer.text)))


def said(html: str, zone: str, what: str) -> str:
    """A number of a zone in the page's table."""
    row = re.search(rf'<th scope="row">{zone}</th>(.*?)</tr>', html, re.S)
    assert row is not None
    cell = re.search(rf'data-label="{what}">([^<]*)<', row.group(1))
    assert cell is not None
    return cell.group(1)


def below_h(yard: Yard, zone: str, body: str) -> float:
    """Hours that the store holds below the dew point, by quarter hours."""
    key = SeriesKey(zone, body, Quantity.MARGIN)
    return 0.25 * sum(b.mean <= 0 for b in yard.series.buckets(key, START_S, yard.fed_s, 900.0))


def test_what_was_entered_and_what_was_carried_off_is_in_chart_table_and_file(yard: Yard) -> None:
    yard.air["slip-bay"] = lambda t: (12.0, 0.60) if t < START_S + HOUR else (22.0, 0.85)
    yard.run_to(START_S + HOUR)
    yard.enter("keel-40", PlateBroughtIn("Keel plate", "slip-bay", 0.040, start_temperature_c=8.0))
    yard.enter("mix-1", CylinderMoved("slip-bay"))
    yard.run_to(START_S + 6 * HOUR)
    wet_h = {body: below_h(yard, "slip-bay", body) for body in ("keel-40", "mix-1")}
    assert min(wet_h.values()) >= 0.5
    with served(yard) as url:
        html = page(url, zone="slip-bay")
        assert "Keel plate" in html
        assert "Mix 1" in html
        at_least_h = max(wet_h.values())
        assert float(said(html, "Slip Bay", "Below dew point").split()[0]) >= at_least_h - 0.05
        assert float(said(page(url), "Slip Bay", "Below dew point").split()[0]) >= at_least_h - 0.05
        assert "Mix 1" in page(url, zone="gas-cage")  # for the time it stood there
        inside = {row["source"] for row in rows(url, zone="slip-bay") if row["quantity"] == "margin_k"}
        assert inside == {"keel-40", "mix-1"}
        first = {row["zone"]: row["start_utc"] for row in reversed(rows(url)) if row["source"] == "mix-1"}
        assert first["gas-cage"] < first["slip-bay"]


def test_how_long_nothing_was_measured_has_one_answer(yard: Yard) -> None:
    yard.air["slip-bay"] = lambda t: (18.0, 0.80) if (t - START_S) % HOUR < 20 * 60 else None
    yard.run_to(START_S + 24 * HOUR)
    sources = Sources(yard.settings, yard.ledger, yard.series, yard.keeper.recall(), yard.fed_s)
    section = week_sheet(sources, "ferrymoor", WEEK).section("air")
    place, hours, unknown = (section.columns.index(name) for name in ("zone", "hours", "not known h"))
    of_bay = [row for row in section.rows if row[place] == "Slip Bay"]
    before_h = sum(float(row[hours]) for row in of_bay) - 24.0  # of the week, before anything was watched
    sheet_h = sum(float(row[unknown]) for row in of_bay)
    # each hour 40 min without a reading, less at most the 5 min until it is silent and 6 min that air speaks
    assert 24 * (40 - 5 - 6) / 60 <= sheet_h - before_h <= 24 * 40 / 60
    with served(yard) as url:
        for html in (page(url), page(url, zone="slip-bay")):
            assert float(said(html, "Slip Bay", "No reading").split()[0]) == pytest.approx(sheet_h, abs=0.06)
        found = [float(row["mean"]) for row in rows(url, zone="slip-bay") if row["quantity"] == "unknown_h"]
        assert sum(found) == pytest.approx(sheet_h, abs=0.02)
        asked = {"zone": "slip-bay", "start_s": START_S, "end_s": START_S + 24 * HOUR}
        answer = requests.get(f"{url}/api/unknown", params=asked, timeout=30).json()
        assert answer["unknown_h"] == pytest.approx(sheet_h - before_h, abs=0.02)
        assert len(answer["stretches"]) in (24, 25)


def test_the_same_hours_past_a_limit_stand_on_the_page_of_all_zones_and_on_the_zones_own(yard: Yard) -> None:
    yard.air["wire-store"] = lambda t: (20.0, 0.55 + 0.1 * ((t - START_S) % 2_700 < 1_500))
    yard.run_to(START_S + 12 * HOUR)
    with served(yard) as url:
        everywhere, alone = page(url), page(url, zone="wire-store")
        assert said(everywhere, "Wire Store", "Over its limit") == said(alone, "Wire Store", "Over its limit")


def test_hours_past_a_limit_are_not_known_where_nothing_was_measured(yard: Yard) -> None:
    yard.run_to(START_S + HOUR)
    with served(yard) as url:
        html = page(url, zone="quay-cabinet")  # nobody hung a sensor there
        assert said(html, "Quay Cabinet", "Over its limit") == "not known"
        assert said(html, "Quay Cabinet", "Below dew point") == "–"


def test_zones_past_the_sixth_are_named_and_in_the_file(yard: Yard) -> None:
    yard.run_to(START_S + HOUR)
    with served(yard) as url:
        html = page(url)
        assert re.search(r"Not drawn here, and in the CSV: [^<]*Slipway Mast", html)
        assert "slipway-mast" in {row["zone"] for row in rows(url)}
