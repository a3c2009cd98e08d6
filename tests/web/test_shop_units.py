"""Numbers in sentences: one conversion, which no page of a shop in US units and another time zone escapes."""

import re
from html import unescape
from pathlib import Path

import pytest
import requests

from monitor.model.shop_units import celsius, degrees, in_shop_units, span
from monitor.settings.schema import Settings
from tests.web import sample

PACKAGE = Path(__file__).parents[2] / "monitor"
# scales of ITS-90 as everybody's thermometer has them: NIST SP 811 (2008), B.8.10
FIXED = [(-40.0, -40.0), (-5.0, 23.0), (0.0, 32.0), (37.0, 98.6), (100.0, 212.0)]
# Reads "32" or "1.8" that is a conversion of temperature: what sensors send is decoded, not shown.
DECODING = {"mqtt/units.py", "weather/recordings.py", "model/shop_units.py"}
PAGES = [
    "/",
    "/more",
    "/ahead",
    "/alarms",
    "/alarms/performance",
    "/gas",
    "/bead",
    "/cause",
    "/week/air",
    "/evidence",
]
PAGES += ["/things", "/thing/spool-7", "/thing/spool-12", "/thing/rods-3", "/thing/mix-1", "/thing/deck-12"]
PAGES += [
    "/check/slip-1",
    "/safety",
    "/records",
    "/thing/rod-oven",
    "/things",
    "/labels?ids=spool-7",
    "/sheets",
]
PAGES += ["/sensors", "/week", "/wall", "/service", "/things/new?kind=package"]


@pytest.mark.parametrize(("value_c", "value_f"), FIXED)
def test_a_temperature_is_turned_and_taken_back_with_its_sign(value_c: float, value_f: float) -> None:
    assert degrees(value_c, fahrenheit=True) == pytest.approx(value_f)
    assert celsius(value_f, fahrenheit=True) == pytest.approx(value_c)
    assert degrees(value_c, fahrenheit=False) == celsius(value_c, fahrenheit=False) == value_c
    assert span(value_c, fahrenheit=True) == pytest.approx(value_f - 32.0)


@pytest.mark.parametrize(
    ("metric", "told"),
    [
        ("dew point -5 °C", "dew point -5 °C (23 °F)"),
        ("skin −18 °C, worst 04:00", "skin −18 °C (0 °F), worst 04:00"),
        ("at −10 to −5 °C", "at −10 to −5 °C (14 to 23 °F)"),
        ("bake at 370-430 °C for 1 h", "bake at 370-430 °C (698-806 °F) for 1 h"),
        ("up to 10 °C colder", "up to 10 °C (18 °F) colder"),
        ("gets within 3 °C of sweating", "gets within 3 °C (5 °F) of sweating"),
        ("3 °C below the dew point", "3 °C (5 °F) below the dew point"),
        ("1.2 K wetter from 6 h ahead", "1.2 °C (2 °F) wetter from 6 h ahead"),
        ("±0.5 °C", "±0.5 °C (1 °F)"),
        ("at 16 L/min", "at 16 L/min (34 ft³/h)"),
        ("5 mm² of 20 kg/m³", "5 mm² of 20 kg/m³"),
        ("Keep 10 °C (50 °F)", "Keep 10 °C (50 °F)"),
    ],
)
def test_a_sentence_gets_the_shops_units_with_sign_and_without_a_zero_for_differences(
    metric: str, told: str
) -> None:
    said = in_shop_units(metric, fahrenheit=True, us=True)
    assert said.replace("\N{NO-BREAK SPACE}", " ") == told
    assert in_shop_units(said, fahrenheit=True, us=True) == said
    assert "°F" not in in_shop_units(metric, fahrenheit=False, us=False).replace("(50 °F)", "")


def test_nothing_else_turns_temperatures() -> None:
    turned = re.compile(r"[*/] ?1\.8\b|[+-] ?32\.0|9\.0 ?/ ?5\.0|1\.8 if ")
    found = {
        str(path.relative_to(PACKAGE)) for path in PACKAGE.rglob("*.py") if turned.search(path.read_text())
    }
    assert found <= DECODING


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """What a person reads on every page of a shop in °F, US units, New York's time and a clock of twelve."""
    units = sample.settings(temperature_unit="F", units="us", clock="12")
    there = units.sites[0].model_copy(update={"timezone": "America/New_York"})
    chosen = Settings.model_validate(units.model_copy(update={"sites": (there,)}).model_dump())
    shop = sample.open_shop(tmp_path_factory.mktemp("us"), shop=chosen)
    site = sample.start(shop)
    found = {name: requests.get(site.url + name, timeout=30) for name in PAGES}
    site.stop()
    shop.series.close()
    shop.ledger.close()
    assert {name: one.status_code for name, one in found.items()} == dict.fromkeys(PAGES, 200)
    return {name: _read(one.text) for name, one in found.items()}


def _read(html: str) -> str:
    text = re.sub(r"(?s)<(script|style|head)\b.*?</\1>|<[^>]*>", "\n", html)
    return unescape(text)


@pytest.mark.parametrize("name", PAGES)
def test_no_sentence_of_a_page_goes_past_the_shops_units(pages: dict[str, str], name: str) -> None:
    bare = [
        line.strip()
        for line in pages[name].splitlines()
        if in_shop_units(line, fahrenheit=True, us=True) != line and not _is_a_name(line)
    ]
    assert not bare


@pytest.mark.parametrize("name", PAGES)
def test_no_page_tells_a_lead_the_time_of_another_place(pages: dict[str, str], name: str) -> None:
    assert not re.findall(r".*\bUTC\b.*", pages[name])


@pytest.mark.parametrize("name", PAGES)
def test_no_page_of_a_shop_with_a_clock_of_twelve_hours_tells_the_thirteenth(
    pages: dict[str, str], name: str
) -> None:
    late = re.compile(r"(?<![\w:.+−-])(1[3-9]|2[0-3]|0\d):[0-5]\d(?![\d:+−-])")
    assert not [line for line in pages[name].splitlines() if late.search(line)]


def _is_a_name(line: str) -> bool:
    return any(name in line for name in ("Deck plate 12 mm", "Keel plate 25 mm", "Panel 8 mm"))
