"""The payload check tells a sensor builder everything at once, in lines that can be acted on."""

from hypothesis import given
from hypothesis import strategies as st

from monitor.mqtt.payload_check import check_payload
from monitor.mqtt.rejection import RejectionReason
from tests.mqtt.yard import AIR_AND_HUMIDITY, NOW_S, UNHURRIED, sensor, settings_with, topic

POINTED = [AIR_AND_HUMIDITY[0] | {"pointer": "/t"}, AIR_AND_HUMIDITY[1] | {"pointer": "/rh"}]
SETTINGS = settings_with(
    sensor("slip-1"),
    sensor("slip-2", "senml"),
    sensor("slip-3", "json", measures=POINTED, time_pointer="/at"),
    sensor("slip-4", "number"),
)
GOOD = b"""{"time": "2026-09-07T05:40:00Z", "sequence": 7, "quantities": {
  "air_temperature": {"value": 63.3, "unit": "degF"}, "relative_humidity": {"value": 86.5, "unit": "%RH"}}}"""


def text_of(settings: object, name: str | None, payload: bytes) -> tuple[bool, str]:
    report = check_payload(settings, name, payload, NOW_S)  # type: ignore[arg-type]
    return report.ok, "\n".join(report.lines)


def test_a_good_payload_is_shown_as_it_is_understood() -> None:
    for settings, name in ((SETTINGS, topic("slip-1")), (SETTINGS, None), (None, None), (None, "any/other")):
        ok, text = text_of(settings, name, GOOD)
        assert ok
        assert (
            "air_temperature 17.39 °C at 2026-09-07T05:40:00.000Z, by the device's clock, sequence 7" in text
        )
        assert "relative_humidity 86.50 %RH" in text
        assert "the device's clock is 10 s behind" in text
        assert text.endswith("All of it is understood.")


def test_a_fraction_sent_as_percent_is_not_believed_and_the_slip_is_named() -> None:
    payload = b"""{"sequence": 7, "quantities": {
      "air_temperature": {"value": 17.4, "unit": "Cel"},
      "relative_humidity": {"value": 0.61, "unit": "%RH"}}}"""
    for settings, name in ((SETTINGS, topic("slip-1")), (SETTINGS, None), (None, None)):
        ok, text = text_of(settings, name, payload)
        assert not ok
        assert 'a fraction sent as percent? send 61 or give the unit as "/"' in text
        assert "All of it is understood" not in text


def test_near_nothing_in_hot_air_is_no_slip_and_degrees_of_the_wrong_kind_are_named() -> None:
    """At a dew point of 15 °C, 1705 Pa, air of 150 °C (476 kPa) holds 0.36 %RH (ASHRAE 2017, ch. 1)."""
    oven = b"""{"sequence": 7, "quantities": {
      "relative_humidity": {"value": 0.36, "unit": "%RH"},
      "air_temperature": {"value": 150, "unit": "Cel"}}}"""
    assert "fraction" not in text_of(None, None, oven)[1]
    assert "Fahrenheit sent as Celsius" in text_of(None, None, oven.replace(b"150", b"68"))[1]


def test_every_fault_is_named_with_its_reason_and_fix() -> None:
    payload = b"""{"time": 42, "sequence": "7", "note": 1, "quantities": {
      "air_temperature": {"value": 17.4, "unit": "Cel"}, "relative_humidity": {"value": -5, "unit": "%RH"},
      "surface_temperature": {"value": 1, "unit": "bar"}, "dew": {"value": 1, "unit": "Cel"}}}"""
    ok, text = text_of(None, None, payload)
    assert not ok
    assert "air_temperature 17.40 °C at 2026-09-07T05:40:10.000Z, by its arrival" in text
    assert "note: time: found 42; more than 2.592e+06 s behind" in text
    assert "note: sequence: found 7; it is not a whole number" in text
    assert "note: note is not part of the contract" in text
    assert "fault (impossible_value): quantities.relative_humidity: found -5 %RH" in text
    assert "fault (wrong_unit): quantities.surface_temperature unit: found bar; " in text
    assert "fault (unknown_quantity): quantities: found dew; is no quantity" in text
    assert text.endswith("the rest would be counted, and a sample kept for inspection.")


def test_a_payload_without_a_topic_is_tried_on_every_sensor() -> None:
    for payload, name in (
        (b'[{"n": "x:air_temperature", "u": "Cel", "v": 17.4}]', "slip-2"),
        (b'{"t": 17.4, "rh": 80, "at": 1788759600}', "slip-3"),
        (b"17.4", "slip-4"),
    ):
        ok, text = text_of(SETTINGS, None, payload)
        assert ok
        assert f"of sensor {name} on {topic(name)}" in text


def test_an_unknown_topic_is_said() -> None:
    ok, text = text_of(SETTINGS, "dryshift/ferrymoor/slip-bay/slip-9", GOOD)
    assert not ok
    assert "fault (unknown_topic): topic: found dryshift/ferrymoor/slip-bay/slip-9" in text


def test_settings_without_sensors_are_said() -> None:
    ok, text = text_of(settings_with(), None, GOOD)
    assert not ok
    assert "the settings name no sensor" in text


def test_notes_say_which_time_is_used_and_why() -> None:
    for name, payload, note in (
        ("slip-1", GOOD.replace(b"00Z", b"00"), "send RFC 3339 text with an offset"),
        ("slip-1", GOOD.replace(b"2026", b"2027"), "more than 300 s ahead"),
        ("slip-1", GOOD.replace(b'"2026-09-07T05:40:00Z"', b"null"), "there is no time"),
        ("slip-3", b'{"t": 17.4}', "there is no time"),
        ("slip-3", b'{"t": 17.4, "at": "soon"}', "time: found soon"),
        ("slip-4", b"17.4", "a plain number has no time"),
        ("slip-1", GOOD.replace(b"86.5", b"103"), "above 100 % is stored as it is"),
    ):
        ok, text = text_of(SETTINGS, topic(name), payload)
        assert ok
        assert note in text


@UNHURRIED
@given(st.binary(max_size=200), st.sampled_from([None, *(topic(f"slip-{n}") for n in range(6))]))
def test_any_bytes_give_a_report(payload: bytes, name: str | None) -> None:
    for settings in (SETTINGS, None):
        report = check_payload(settings, name, payload, NOW_S)
        assert report.ok == (not report.rejections)
        assert all(line.isprintable() for line in report.lines)
        assert all(rejection.reason in RejectionReason for rejection in report.rejections)
