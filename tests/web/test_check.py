"""The check of a sensor over saturated salts, from the list of sensors to the record."""

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
import requests
from playwright.sync_api import Browser

from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.sensors.salt_check import CheckOutcome, check_of
from monitor.web.server import Server
from tests.web import sample

SENSOR = "panel-2"
NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[tuple[sample.Shop, Server]]:
    """A yard of its own, its sensor in the box over sodium chloride at 20 °C."""
    yield from served(tmp_path)


@pytest.fixture
def fahrenheit_yard(tmp_path: Path) -> Iterator[tuple[sample.Shop, Server]]:
    """The same where temperatures are in °F."""
    yield from served(tmp_path, temperature_unit="F")


def served(folder: Path, **web: object) -> Iterator[tuple[sample.Shop, Server]]:
    shop = sample.open_shop(folder, filled=False, shop=sample.settings(**web))
    fill(shop, 0.7600, 20.0)
    site = sample.start(shop)
    yield shop, site
    site.stop()
    shop.series.close()
    shop.ledger.close()


def fill(shop: sample.Shop, humidity: float, celsius: float, until_s: float = sample.NOW_S) -> None:
    """Ten minutes of readings, a tenth of a percent around a mean."""
    rows = []
    for n in range(20):
        time_s = until_s - 15.0 - 30.0 * n
        for quantity, value in (
            (Quantity.RELATIVE_HUMIDITY, humidity + (0.001 if n % 2 else -0.001)),
            (Quantity.AIR_TEMPERATURE, celsius),
        ):
            rows.append(Reading(SeriesKey("panel-hall", SENSOR, quantity), time_s, time_s, value))
    shop.series.append(rows)


def fields_of(html: str) -> dict[str, str]:
    """What the form would send as it stands."""
    form = re.search(r'<form[^>]*id="check".*?</form>', html, re.S)
    assert form
    inputs = [i for i in re.findall(r"<input[^>]*>", form.group()) if 'type="radio"' not in i]
    pairs = ((re.search(r'name="(\w+)"', one), re.search(r'value="([^"]*)"', one)) for one in inputs)
    return {name[1]: value[1] if value else "" for name, value in pairs if name}


def send(site: Server, times: int = 1, sensor: str = SENSOR, **changes: str) -> requests.Response:
    with requests.Session() as session:
        fields = fields_of(session.get(f"{site.url}/check/{SENSOR}", timeout=10).text)
        form = {**fields, "salt": "sodium_chloride", "who": sample.LEAD, **changes}
        for _ in range(times):
            page = session.post(f"{site.url}/check/{sensor}", data=form, timeout=10)
    return page


def recorded(shop: sample.Shop) -> list[Event]:
    return shop.ledger.events(kinds=[EventKind.SENSOR_CHECK])


def test_the_form_is_filled_with_what_the_sensor_showed(yard: tuple[sample.Shop, Server]) -> None:
    html = requests.get(f"{yard[1].url}/check/{SENSOR}", timeout=10).text
    fields = fields_of(html)
    assert (fields["reading"], fields["temperature"], fields["scatter"]) == ("76.00", "20.0", "0.10")
    for words in ("damp slurry", "out of the sun", "stands still", "irritate", "No food container"):
        assert words in html
    assert "Still moving" not in html


def test_a_reading_that_still_moves_is_said_to_do_so(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    fill(shop, 0.60, 20.0, sample.NOW_S - 301.0)
    assert "Still moving" in requests.get(f"{site.url}/check/{SENSOR}", timeout=10).text


# L. Greenspan, J. Res. NBS 81A (1977) 89, Table 2: NaCl at 20 °C 75.47 %RH.
def test_a_good_sensor_is_recorded_once_however_often_it_is_sent(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    page = send(site, times=3)
    assert page.status_code == 200
    assert "Good: reads 0.5 %RH high at 75 %RH, within its ±2.0 %RH" in page.text
    assert "what was measured stays as it was" in page.text
    (event,) = recorded(shop)
    assert (event.subject, event.who, event.time_s) == (SENSOR, sample.LEAD, sample.NOW_S)
    check = check_of(event.body)
    assert check.points[0].reference_frac == pytest.approx(0.7547, abs=1e-6)
    assert check.points[0].indicated_frac == pytest.approx(0.7600)
    assert check.points[0].scatter_frac == pytest.approx(0.001, rel=0.1)
    assert not check.significant
    row = requests.get(site.url + "/sensors", timeout=10).text
    assert "Good: reads 0.5 %RH high" in row
    assert "next due Sat 18 Sep 2027" in row
    assert f'href="/check/{SENSOR}"' in row
    ledger = requests.get(site.url + "/records?kind=sensor_check", timeout=10).text
    assert "good: reads 0.5 %RH high at 75 %RH" in ledger


def test_a_sensor_that_is_off_is_told_exactly_what_to_set(tmp_path: Path) -> None:
    settings = sample.settings()
    plain = settings.model_dump(mode="json", exclude_none=True, exclude={"programs"})
    for sensor in plain["sensors"]:
        if sensor["id"] == SENSOR:
            sensor["measures"][1]["offset"] = 0.01
    shop = sample.open_shop(tmp_path, filled=False, shop=type(settings).model_validate(plain))
    site = sample.start(shop)
    page = send(site, reading="71.5", temperature="20")
    site.stop()
    assert "Off: reads 4.0 %RH low at 75 %RH" in page.text
    assert "offset = 0.0497" in page.text  # 0.01 + 0.7547 - 0.7150
    assert "the offset of 0.0100 set already" in page.text
    assert check_of(recorded(shop)[0].body).set_offset == pytest.approx(0.0497)
    shop.series.close()
    shop.ledger.close()


def test_two_salts_tell_the_slope_and_a_wreck_is_to_be_replaced(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    second = {
        "salt_2": "magnesium_chloride",
        "reading_2": "36",
        "temperature_2": "20",
        "at_2": "2026-09-18T05:00",
    }
    page = send(site, reading="72", temperature="20", **second)
    check = check_of(recorded(shop)[0].body)
    assert [point.salt for point in check.points] == ["sodium_chloride", "magnesium_chloride"]
    assert check.points[1].time_s == sample.NOW_S - 52 * 60
    assert check.correction.gain_error == pytest.approx((0.7547 - 0.3307) / 0.36 - 1.0, rel=1e-6)
    assert re.search(r"gain = 1\.17\d\d, offset = -0\.0\d\d\d", page.text)
    assert "Replace the sensor" in send(site, reading="99", temperature="20").text
    assert check_of(recorded(shop)[1].body).outcome is CheckOutcome.BEYOND_USE


def test_a_second_reading_left_empty_is_taken_from_its_ten_minutes(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    fill(shop, 0.3310, 20.5, sample.NOW_S - 52 * 60)
    send(site, salt_2="magnesium_chloride", at_2="2026-09-18T05:00")
    second = check_of(recorded(shop)[0].body).points[1]
    assert (second.indicated_frac, second.temperature_c) == (pytest.approx(0.3310), pytest.approx(20.5))


@pytest.mark.parametrize(
    ("changes", "named", "words"),
    [
        ({"salt": ""}, "salt", "use one of: lithium_chloride"),
        ({"salt": "table_salt"}, "salt", "use one of: lithium_chloride"),
        ({"temperature": "41"}, "temperature", f"41.0{NBSP}°C is outside this salt&#39;s table"),
        ({"reading": "100.5"}, "reading", "100.5 %RH cannot be; enter what it showed, from 0 to 100 %RH"),
        ({"reading": "-1"}, "reading", "-1.0 %RH cannot be"),
        ({"reading": "nan"}, "reading", "finite"),
        ({"at": "2026-09-18T06:30"}, "time", "Fri 18 Sep 2026 06:30:00 BST lies in the future"),
        ({"at": "2026-09-18T01:00"}, "reading", "nothing is stored of the ten minutes before"),
        ({"who": ""}, "who", ""),
        (
            {"salt_2": "magnesium_chloride", "at_2": "2026-09-18T03:00"},
            "reading of the second salt",
            "enter what",
        ),
        ({"salt_2": "sodium_chloride", "reading_2": "75", "temperature_2": "20"}, "salt", "given twice"),
    ],
)
def test_what_cannot_be_is_refused_by_name_and_nothing_is_written(
    yard: tuple[sample.Shop, Server], changes: dict[str, str], named: str, words: str
) -> None:
    shop, site = yard
    page = send(site, **changes)
    assert page.status_code == 422
    assert f"<b>{named}</b>: " in page.text
    assert words in page.text
    assert recorded(shop) == []


def test_a_filled_in_reading_from_before_the_box_is_not_taken(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    with requests.Session() as session:
        fields = fields_of(session.get(f"{site.url}/check/{SENSOR}", timeout=10).text)
        shop.now_s += 1_800
        form = {**fields, "salt": "sodium_chloride", "who": sample.LEAD}
        page = session.post(f"{site.url}/check/{SENSOR}", data=form, timeout=10)
        assert page.status_code == 422
        assert "was filled in at 05:52; take it again" in page.text
        form["reading"] = "75.2"
        assert session.post(f"{site.url}/check/{SENSOR}", data=form, timeout=10).status_code == 200
    assert check_of(recorded(shop)[0].body).points[0].scatter_frac == 0.0


def test_an_unknown_sensor_is_named_with_those_that_are_known(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    page = send(site, sensor="nowhere-9")
    assert page.status_code == 422
    assert "nowhere-9 is not in the settings; use one of: slip-1, " in page.text
    assert requests.get(site.url + "/check/nowhere-9", timeout=10).status_code == 404
    assert recorded(shop) == []


def test_a_foreign_form_changes_nothing(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    form = {"salt": "sodium_chloride", "who": sample.LEAD, "reading": "75", "key": "12345678"}
    assert requests.post(f"{site.url}/check/{SENSOR}", data=form, timeout=10).status_code in (403, 422)
    assert recorded(shop) == []


def test_a_slip_is_taken_back_and_its_record_stays(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    with requests.Session() as session:
        fields = fields_of(session.get(f"{site.url}/check/{SENSOR}", timeout=10).text)
        form = {**fields, "salt": "sodium_chloride", "who": sample.LEAD}
        session.post(f"{site.url}/check/{SENSOR}", data=form, timeout=10)
        (event,) = recorded(shop)
        undo = {"form_token": fields.get("form_token", ""), "of": str(event.number), "who": sample.LEAD}
        page = session.post(f"{site.url}/check/{SENSOR}/undo", data=undo, timeout=10)
    assert page.status_code == 200
    assert "None recorded" in page.text
    assert len(recorded(shop)) == 1
    assert "no check recorded" in requests.get(site.url + "/sensors", timeout=10).text


def test_an_overdue_check_is_said_in_the_terms_of_sensor_health(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    send(site)
    shop.now_s += 370 * 86_400.0
    row = requests.get(site.url + "/sensors", timeout=10).text
    assert "<b>Overdue</b> since Sat 18 Sep 2027: maintenance required" in row


def test_the_drift_against_the_last_check_is_told(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    send(site, at="2026-06-18T06:00", reading="75.5", temperature="20")
    page = send(site, reading="79.5", temperature="20")
    assert "Drift since Thu 18 Jun 2026: +15.9 %RH a year" in page.text
    assert "by its drift, sooner than its 365 days" in page.text
    assert len(recorded(shop)) == 2


def test_temperatures_are_in_the_shops_unit(fahrenheit_yard: tuple[sample.Shop, Server]) -> None:
    shop, site = fahrenheit_yard
    html = requests.get(f"{site.url}/check/{SENSOR}", timeout=10).text
    assert fields_of(html)["temperature"] == "68.0"
    assert "Box, °F" in html
    refused = send(site, temperature="106")
    assert f"check within 41.0{NBSP}°F to 104.0{NBSP}°F" in refused.text
    send(site, temperature="77")
    point = check_of(recorded(shop)[0].body).points[0]
    assert point.temperature_c == pytest.approx(25.0)
    assert point.reference_frac == pytest.approx(0.7529, abs=1e-6)  # Greenspan, at 25 °C


def test_a_sensor_without_humidity_cannot_be_checked_over_salts(tmp_path: Path) -> None:
    settings = sample.settings()
    plain = settings.model_dump(mode="json", exclude_none=True, exclude={"programs"})
    for sensor in plain["sensors"]:
        if sensor["id"] == "gas-1":
            sensor["measures"] = sensor["measures"][:1]
    shop = sample.open_shop(tmp_path, filled=False, shop=type(settings).model_validate(plain))
    site = sample.start(shop)
    html = requests.get(site.url + "/check/gas-1", timeout=10).text
    refused = send(site, sensor="gas-1", reading="75", temperature="20")
    site.stop()
    assert "measures no humidity" in html
    assert refused.status_code == 422
    shop.series.close()
    shop.ledger.close()


def test_what_is_typed_in_a_note_is_escaped(yard: tuple[sample.Shop, Server]) -> None:
    shop, site = yard
    page = send(site, note='"><script>x</script>', reading="140")
    assert "<script>x" not in page.text
    new = NewEvent(EventKind.SENSOR_CHECK, SENSOR, sample.NOW_S, "x", {"words": "<b>odd</b>"}, key="odd-1")
    shop.record(new)
    assert "<b>odd</b>" not in requests.get(site.url + "/records", timeout=10).text
    assert requests.get(f"{site.url}/check/{SENSOR}", timeout=10).status_code == 200


def test_on_a_phone_every_target_fits_a_glove(yard: tuple[sample.Shop, Server], chromium: Browser) -> None:
    send(yard[1])
    context = chromium.new_context(viewport={"width": 390, "height": 844})
    page = context.new_page()
    for path in (f"/check/{SENSOR}", f"/check/{SENSOR}?done={recorded(yard[0])[0].number}", "/sensors"):
        page.goto(yard[1].url + path)
        small = page.evaluate(
            """() => [...document.querySelectorAll('main a, main button, main select, main summary,'
                 + ' main .choice, main input:not([type=radio]):not([type=hidden])')]
                .filter(e => e.offsetParent && e.getBoundingClientRect().height < 44).map(e => e.outerHTML)"""
        )
        assert small == []
        assert page.evaluate("document.documentElement.scrollWidth") <= 390
    context.close()
