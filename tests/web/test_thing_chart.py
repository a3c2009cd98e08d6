"""The chart of each thing shows what the store holds of it, and what the last look ahead gave."""

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import requests

from monitor.history.entries import CylinderMoved, Opened
from monitor.model.reading import Quantity, SeriesKey
from monitor.report.chart import X_FULL, Y_FULL
from monitor.web.app import create_app
from monitor.web.server import Server, serve
from tests.bookkeeper.yard import HOUR, START_S, Yard, yard_settings
from tests.web import sample
from tests.web.yard_pages import deps_of

WIDTH_S = 900.0


def drawn(html: str, name: str, style: int) -> list[tuple[float, float]]:
    """A line of a plot as times and shown values."""
    ends = re.search(r'data-start="([^"]+)" data-end="([^"]+)"', html)
    part = html[html.index(f'data-panel="{name}"') :]
    scale = re.search(r'data-low="([^"]+)" data-high="([^"]+)"', part)
    path = re.search(rf'class="line t{style}" d="([^"]+)"', part[: part.index("</section>")])
    assert ends is not None
    assert scale is not None
    assert path is not None
    (start_s, end_s), (low, high) = map(float, ends.groups()), map(float, scale.groups())
    return [
        (start_s + float(x) / X_FULL * (end_s - start_s), high - float(y) / Y_FULL * (high - low))
        for x, y in re.findall(r"(\d+) (\d+)", path[1])
    ]


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """Six hours of a yard with a cylinder that was moved and a spool that was opened."""
    folder: Path = tmp_path_factory.mktemp("things")
    yard = Yard(folder, yard_settings(folder))
    yard.air["slip-bay"] = lambda t: (18.0, 0.60) if t < START_S + 3 * HOUR else (22.0, 0.80)
    yard.run_to(START_S + HOUR)
    yard.enter("mix-1", CylinderMoved("slip-bay"))
    yard.enter("spool-90", Opened("Spool 90", "fcaw-folded-h8", "slip-bay"))
    yard.run_to(START_S + 6 * HOUR)
    yield yard
    yard.close()


@pytest.fixture(scope="module")
def pages(yard: Yard) -> Iterator[Server]:
    """Its pages."""
    server = serve(create_app(deps_of(yard, lambda: yard.fed_s)), "127.0.0.1", 0)
    yield server
    server.stop()


def test_the_drawn_skin_and_margin_are_those_of_the_store(yard: Yard, pages: Server) -> None:
    html = requests.get(f"{pages.url}/thing/mix-1", timeout=30).text
    for name, quantity in (("skin", Quantity.SKIN_TEMPERATURE), ("margin", Quantity.MARGIN)):
        line = drawn(html, name, 1)
        key = SeriesKey("slip-bay", "mix-1", quantity)
        stored = yard.series.buckets(key, yard.fed_s - 86_400.0, yard.fed_s, WIDTH_S)
        assert len(stored) > 12
        for bucket in stored:
            near = min(line, key=lambda one: abs(one[0] - bucket.start_s - WIDTH_S / 2))
            assert abs(near[0] - bucket.start_s - WIDTH_S / 2) < 60.0
            assert near[1] == pytest.approx(bucket.mean, abs=0.05)


def test_what_no_look_ahead_holds_is_said_to_be_not_known(pages: Server) -> None:
    html = requests.get(f"{pages.url}/thing/mix-1", timeout=30).text
    assert "What comes is not known" in html


def test_a_packages_hours_and_where_it_lay_are_those_of_the_store(yard: Yard, pages: Server) -> None:
    html = requests.get(f"{pages.url}/thing/spool-90", timeout=30).text
    line = drawn(html, "hours", 0)
    key = SeriesKey("slip-bay", "spool-90", Quantity.EXPOSURE_USED)
    stored = yard.series.buckets(key, START_S, yard.fed_s + 1.0, WIDTH_S)
    assert line[-1][1] == pytest.approx(stored[-1].maximum, abs=0.1)
    assert re.search(r'aria-label="on machine, [^"]*"|aria-label="open air, [^"]*"', html)
    assert "h permitted" in html


def test_tomorrow_is_the_median_of_the_look_ahead_with_its_band(server: Server) -> None:
    html = requests.get(f"{server.url}/thing/mix-1", timeout=30).text
    questions = sample.site_ahead().questions
    assert questions is not None
    course = questions.ahead.bodies["mix-1"]
    line = [one for one in drawn(html, "margin", 1) if one[0] > sample.NOW_S + WIDTH_S]
    assert line[-1][0] > sample.NOW_S + 23 * 3_600.0
    for time_s, value in line[:: len(line) // 12]:
        # a bucket is drawn at its middle and holds the course at its start
        expected = np.interp(time_s - WIDTH_S / 2, course.times_s, course.margin_k[-1])
        assert value == pytest.approx(float(expected), abs=0.06)
    assert "From now on expected, as of" in html


def test_a_sensors_line_stands_beside_its_neighbours_and_is_believed_only(
    shop: sample.Shop, server: Server
) -> None:
    html = requests.get(f"{server.url}/sensor/slip-1", timeout=30).text
    line = drawn(html, "relative_humidity_frac", 0)
    key = SeriesKey("slip-bay", "slip-1", Quantity.RELATIVE_HUMIDITY)
    last = shop.series.buckets(key, sample.NOW_S - 3_600.0, sample.NOW_S, WIDTH_S)[-1]
    assert line[-1][1] == pytest.approx(100.0 * last.mean, abs=0.1)
    assert all(f">{name}</span>" in html for name in ("slip-1", "slip-2", "slip-3"))
    assert requests.get(f"{server.url}/sensor/attic-9", timeout=30).status_code == 404


def test_the_line_on_a_card_is_the_coldest_steel_of_its_place(shop: sample.Shop, server: Server) -> None:
    svg = requests.get(f"{server.url}/spark/slip-bay.svg", timeout=30).text
    path = re.search(r'class="line" d="([^"]+)"', svg)
    dew = re.search(r'class="dew"[^>]*y1="(\d+)"', svg)
    assert path is not None
    assert dew is not None
    heights = [int(y) for _, y in re.findall(r"(\d+) (\d+)", path[1])]
    end_s = sample.NOW_S // WIDTH_S * WIDTH_S
    least = [
        min(held)
        for bucket_s in np.arange(end_s - 86_400.0, end_s, WIDTH_S)
        if (
            held := [
                bucket.mean
                for body in ("co2-1", "keel-25")
                for bucket in shop.series.buckets(
                    SeriesKey("slip-bay", body, Quantity.MARGIN), bucket_s, bucket_s + WIDTH_S, WIDTH_S
                )
            ]
        )
    ]
    assert len(heights) == len(least)
    for height, margin_k in zip(heights, least, strict=True):
        assert (height <= int(dew[1])) == (margin_k >= 0.0) or abs(margin_k) < 0.05
    assert heights.index(max(heights)) == least.index(min(least))
    assert requests.get(f"{server.url}/spark/attic.svg", timeout=30).status_code == 404


def test_a_card_shows_the_line_only_where_steel_stands(server: Server) -> None:
    html = requests.get(f"{server.url}/", timeout=30).text
    assert "/spark/gas-cage.svg" in html
    assert "/spark/wire-store.svg" not in html
