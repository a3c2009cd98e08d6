"""What the week's page says and draws is what the store holds, and what the record to sign says of it."""

import re
from collections.abc import Iterator
from dataclasses import replace

import pytest
import requests

from monitor.model.place import Zone
from monitor.model.reading import Quantity, SeriesKey
from monitor.model.shift_span import ShiftSpan
from monitor.report.chart import X_FULL, Y_FULL, Window
from monitor.report.exposure_bars import exposure_bars
from monitor.report.sheet import Writing
from monitor.report.shift_lines import ShiftLine
from monitor.report.week_record import week_record
from monitor.report.week_story import PlaceWeek, WeekTold, story
from monitor.report.zone_series import ZoneSeries
from monitor.store.contract import Bucket
from monitor.web.app import create_app
from monitor.web.server import Server, serve
from tests.bookkeeper import small_shop
from tests.bookkeeper.yard import Yard
from tests.web.sample_shop import TZ

WIDTH_S = 900.0
WEEK_S = 7 * 86_400.0


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """A small shop's week, judged as it came."""
    yard = small_shop.live_week(tmp_path_factory.mktemp("chart"))
    yield yard
    yard.close()


@pytest.fixture(scope="module")
def small(yard: Yard) -> Iterator[Server]:
    """Its pages."""
    server = serve(create_app(small_shop.deps(yard)), "127.0.0.1", 0)
    yield server
    server.stop()


def page(small: Server, **query: str) -> str:
    """The week's page."""
    return requests.get(f"{small.url}/week", params={"week": small_shop.WEEK, **query}, timeout=60).text


def keys(yard: Yard) -> list[SeriesKey]:
    """Every series of the store."""
    return yard.series.keys()


def held(yard: Yard, zone: str, source: str, quantity: Quantity) -> list[Bucket]:
    """What the store has of a line, by quarter hours."""
    key = SeriesKey(zone, source, quantity)
    return yard.series.buckets(key, small_shop.BEGIN_S, small_shop.END_S, WIDTH_S)


def sweating_h(yard: Yard, zone: str) -> float:
    """Quarter hours in which any body of a place was at or below the dew point, straight from the store."""
    bodies = [k.source for k in keys(yard) if k.zone == zone and k.quantity is Quantity.MARGIN]
    wet = {b.start_s for body in bodies for b in held(yard, zone, body, Quantity.MARGIN) if b.mean <= 0.0}
    return 0.25 * len(wet)


def panel(html: str, name: str) -> tuple[str, float, float]:
    """A plot with the values at its bottom and top."""
    part = html[html.index(f'data-panel="{name}"') :]
    part = part[: part.index("</section>")]
    ends = re.search(r'data-low="([^"]+)" data-high="([^"]+)"', part)
    assert ends is not None
    return part, float(ends[1]), float(ends[2])


def points(path: str, low: float, high: float) -> list[tuple[float, float]]:
    """A drawn path as times and values."""
    pairs = re.findall(r"(\d+) (\d+)", path)
    window_s = small_shop.END_S - small_shop.BEGIN_S
    return [
        (small_shop.BEGIN_S + float(x) / X_FULL * window_s, high - float(y) / Y_FULL * (high - low))
        for x, y in pairs
    ]


def near(drawn: list[tuple[float, float]], time_s: float) -> float:
    """The drawn value nearest to a moment."""
    return min(drawn, key=lambda one: abs(one[0] - time_s))[1]


def test_the_drawn_dew_point_and_its_band_are_those_of_the_store(yard: Yard, small: Server) -> None:
    part, low, high = panel(page(small, zone="bottle-rack"), "dew")
    line = re.search(r'class="line t0" d="([^"]+)"', part)
    area = re.search(r'class="area t0" d="([^"]+)"', part)
    assert line is not None
    assert area is not None
    drawn, band = points(line[1], low, high), points(area[1], low, high)
    stds = {b.start_s: b.mean for b in held(yard, "bottle-rack", "zone", Quantity.DEW_POINT_STD)}
    stored = held(yard, "bottle-rack", "zone", Quantity.DEW_POINT)
    fine = 1.01 * (high - low) / Y_FULL
    for bucket in stored[:: len(stored) // 20]:
        middle_s = bucket.start_s + WIDTH_S / 2
        assert near(drawn, middle_s) == pytest.approx(bucket.mean, abs=fine)
        beside = [value for time_s, value in band if abs(time_s - middle_s) < WIDTH_S / 2]
        wide = 2.0 * stds[bucket.start_s]
        assert max(beside) == pytest.approx(bucket.mean + wide, abs=fine)
        assert min(beside) == pytest.approx(bucket.mean - wide, abs=fine)


def test_the_skin_of_the_coldest_cylinder_is_drawn_beside_the_dew_point(yard: Yard, small: Server) -> None:
    html = page(small, zone="bottle-rack")
    part, low, high = panel(html, "dew")
    bodies = {k.source for k in keys(yard) if k.zone == "bottle-rack" and k.quantity is Quantity.MARGIN}
    coldest = min(
        bodies, key=lambda body: min(b.mean for b in held(yard, "bottle-rack", body, Quantity.MARGIN))
    )
    line = re.search(r'class="line t1" d="([^"]+)"', part)
    assert line is not None
    drawn = points(line[1], low, high)
    stored = held(yard, "bottle-rack", coldest, Quantity.SKIN_TEMPERATURE)
    for bucket in stored[:: len(stored) // 10]:
        found = near(drawn, bucket.start_s + WIDTH_S / 2)
        assert found == pytest.approx(bucket.mean, abs=1.01 * (high - low) / Y_FULL)


def test_what_happened_names_the_hours_that_the_store_holds(yard: Yard, small: Server) -> None:
    html = page(small)
    said = re.search(r"What happened</b> ([^<]+)<", html)
    assert said is not None
    most = max(("north-bay", "bottle-rack", "stockyard"), key=lambda zone: sweating_h(yard, zone))
    name = next(zone.name for zone in yard.settings.zones if zone.id == most)
    assert f"{name}: steel sweated {sweating_h(yard, most):.1f} h" in said[1]


def test_a_line_a_shift_is_that_of_the_record_to_sign(yard: Yard, small: Server) -> None:
    sheet = week_record(small_shop.sources(yard), "tarn-hollow", small_shop.WEEK).sheet
    record = next(section for section in sheet.sections if section.id == "shifts")
    html = page(small)
    table = html[html.index('id="shifts"') : html.index('id="warned"')]
    found = re.findall(r'data-label="(Sweating|Humid|Not known|Done)">([\d.]+)', table)
    for n, row in enumerate(record.rows):
        told = dict(zip(record.columns, row, strict=True))
        expected = [told["sweating h"], told["humid h"], told["not known h"], told["done"]]
        shown = [float(value) for _, value in found[4 * n : 4 * n + 4]]
        assert shown == pytest.approx([float(one) for one in expected], abs=0.051)
    assert len(found) == 4 * len(record.rows) > 0


def test_the_warnings_are_a_few_lines_that_count_every_one(small: Server) -> None:
    html = page(small)
    part = html[html.index('id="warned"') :]
    total = int(re.search(r">(\d+) warning", part)[1])  # type: ignore[index]
    groups = [int(one) for one in re.findall(r": (\d+) on \d+ day", part)]
    assert sum(groups) == total > 30
    assert len(groups) <= 12


def test_a_bar_ends_at_the_hours_that_the_store_holds(yard: Yard) -> None:
    packages = yard.keeper.recall().packages()
    zones = [zone.id for zone in yard.settings.zones]
    window = Window(small_shop.BEGIN_S, small_shop.END_S, WIDTH_S)
    bars = exposure_bars(yard.series, packages, zones, window)
    assert bars
    for bar in bars:
        parts = [
            yard.series.slice(key, small_shop.END_S - WIDTH_S, small_shop.END_S)
            for key in keys(yard)
            if key.source == bar.package and key.quantity is Quantity.EXPOSURE_USED
        ]
        if bar.known[-1][1] == small_shop.END_S:
            assert bar.used_h == max(float(part.value.max()) for part in parts if part.value.size)


def test_a_bar_is_solid_only_while_hours_ran(yard: Yard) -> None:
    window = Window(small_shop.BEGIN_S, small_shop.END_S, WIDTH_S)
    zones = [zone.id for zone in yard.settings.zones]
    (rods,) = exposure_bars(yard.series, ["rods-5"], zones, window)
    # opened at 8:00, put into the oven at 10:30, which is entered at 11:00
    ((start_s, end_s),) = rods.ran
    assert (start_s - small_shop.BEGIN_S) / 3600.0 == pytest.approx(8.0, abs=0.26)
    assert (end_s - small_shop.BEGIN_S) / 3600.0 == pytest.approx(11.0, abs=0.26)


def test_a_nearer_look_draws_a_part_and_keeps_the_weeks_numbers(small: Server) -> None:
    whole, day_s = page(small, zone="bottle-rack"), small_shop.BEGIN_S + 86_400.0
    near_by = page(small, zone="bottle-rack", from_s=str(day_s), to_s=str(day_s + 86_400.0))
    assert f'data-start="{day_s}" data-end="{day_s + 86_400.0}"' in near_by
    told = "What happened</b>"
    assert near_by[near_by.index(told) :][:200] == whole[whole.index(told) :][:200]
    for wrong in ("nan", "inf"):
        assert f'data-start="{small_shop.BEGIN_S}"' in page(small, zone="bottle-rack", from_s=wrong, to_s="5")


def place(name: str, sweating_h: float | None, unknown_h: float, over_h: float | None = 0.0) -> PlaceWeek:
    """A place with one plate."""
    zone = Zone(id=name, site="tarn", name=name.title(), kind="yard")
    margins = {"web-20": [Bucket(0.0, 1, -1.5, -1.5, -1.5)]} if sweating_h is not None else {}
    return PlaceWeek(ZoneSeries(zone, [], [], margins, ()), 0.8, sweating_h, over_h, unknown_h)


def told(*places: PlaceWeek) -> WeekTold:
    """A week of these places and nothing else."""
    return WeekTold(places, (), (), (), {"web-20": "Web plate"}, {"web-20": "plate"})


def test_what_was_not_measured_is_said_and_comes_before_what_was_only_damp() -> None:
    found = story(told(place("yard", 4.0, 0.0), place("store", None, 30.0, None)), Writing(TZ))
    assert "not known: Store for 30.0 h" in found.happened
    assert found.change.startswith("Get Store measured")


def test_nothing_measured_is_never_called_dry() -> None:
    found = story(told(place("yard", None, 168.0, None)), Writing(TZ))
    assert found.happened == "Nothing was measured, so nothing is known of these days."
    assert "Get Yard measured" in found.change


def test_a_dry_week_with_gaps_says_how_far_it_was_measured() -> None:
    found = story(told(place("yard", 0.0, 3.0)), Writing(TZ))
    assert found.happened.startswith("No air over its limit and no steel sweated as far as it was measured")
    assert "not known: Yard for 3.0 h" in found.happened


def test_a_shift_in_which_nobody_knew_is_not_counted_as_one_without_sweating() -> None:
    lines = [
        ShiftLine(
            ShiftSpan(f"early-{day}", "tarn", "early", 0.0, 1.0),
            1.0,
            sweating_h,
            humid_h,
            None,
            0.0,
            0,
            0,
            0,
            0,
        )
        for day, (sweating_h, humid_h) in enumerate([(None, 8.0), (0.0, 0.0), (1.5, None)])
    ]
    found = story(replace(told(), lines=lines), Writing(TZ))
    assert found.did == "Of 3 shifts steel sweated in 1 (1 not known), air was humid in 1 (1 not known)."
    blind = [replace(line, sweating_h=None) for line in lines]
    assert "not known in how many steel sweated" in story(replace(told(), lines=blind), Writing(TZ)).did
