"""Own JSON, plain numbers and foreign JSON: what is read, which time counts, what is said of the rest."""

import json
from typing import Any

import pytest

from monitor.model.errors import InputError
from monitor.mqtt.decode import decode
from monitor.mqtt.device_times import DAY_S, device_time
from monitor.mqtt.encode import encode_own
from monitor.mqtt.rejection import RejectionReason
from monitor.mqtt.sensor_topics import SensorCatalogue
from tests.mqtt.yard import AIR, AIR_AND_HUMIDITY, HUMIDITY, NOW_S, catalogue_with, key, sensor, topic

CATALOGUE = catalogue_with(sensor("slip-1"), sensor("plain", "number"))


def read(
    payload: bytes | dict[str, Any], name: str = "slip-1", catalogue: SensorCatalogue = CATALOGUE
) -> Any:
    raw = payload if isinstance(payload, bytes) else json.dumps(payload).encode()
    return decode(topic(name), raw, NOW_S, catalogue)


def reasons(payload: bytes | dict[str, Any], name: str = "slip-1") -> list[RejectionReason]:
    return [rejection.reason for rejection in read(payload, name).rejections]


def test_a_message_gives_one_reading_a_quantity_in_inside_units() -> None:
    air, humidity = read(encode_own(NOW_S - 10, {AIR: 17.4, HUMIDITY: 0.865}, 4711)).readings
    assert air == (key("slip-1", AIR), NOW_S - 10, NOW_S, 17.4, 4711, True)
    assert humidity == (key("slip-1", HUMIDITY), NOW_S - 10, NOW_S, 0.865, 4711, True)


@pytest.mark.parametrize(
    ("device_s", "sound"),
    [
        (NOW_S + 300, True),
        (NOW_S + 300.001, False),
        (NOW_S - 30 * DAY_S, True),
        (NOW_S - 30 * DAY_S - 1, False),
        (0.0, False),
        (946_684_800.0, False),  # a real-time clock that counts from 2000
        (4e9, False),
    ],
)
def test_a_device_time_counts_within_its_limits_and_the_arrival_beyond(device_s: float, sound: bool) -> None:
    (reading,) = read(encode_own(device_s, {AIR: 17.4})).readings
    assert (reading.time_s, reading.time_from_device) == ((device_s, True) if sound else (NOW_S, False))


def test_the_limits_of_a_device_time_are_settings() -> None:
    catalogue = catalogue_with(sensor("slip-1"), max_age_s=60.0, future_tolerance_s=5.0)
    for device_s in (NOW_S - 61, NOW_S + 6):
        (reading,) = read(encode_own(device_s, {AIR: 17.4}), catalogue=catalogue).readings
        assert reading.time_s == NOW_S


def test_times_are_rounded_to_milliseconds() -> None:
    payload = {"time": NOW_S - 5.00049, "quantities": {"air_temperature": {"value": 1, "unit": "Cel"}}}
    assert read(payload).readings[0].time_s == NOW_S - 5.0


@pytest.mark.parametrize(
    ("given", "seconds"),
    [
        ("2026-09-07T05:40:00Z", 1_788_759_600.0),
        ("2026-09-07T06:40:00+01:00", 1_788_759_600.0),
        ("2026-09-07T05:40:00.123456789Z", 1_788_759_600.123456),
        (1_788_759_600, 1_788_759_600.0),
        (1_788_759_600_123, 1_788_759_600.123),
        ("2026-09-07T05:40:00", None),
        ("2026-09-07", None),
        ("yesterday", None),
        ("", None),
        (True, None),
        (None, None),
        ([1], None),
        (10**400, None),
        (float("nan"), None),
    ],
)
def test_a_time_is_rfc_3339_with_an_offset_or_epoch_seconds_or_milliseconds(
    given: object, seconds: float | None
) -> None:
    assert device_time(given) == seconds


@pytest.mark.parametrize("given", ["yesterday", [], {}, True, "2026-09-07T05:40:00"])
def test_a_bad_time_never_costs_a_reading(given: object) -> None:
    decoded = read({"time": given, "quantities": {"air_temperature": {"value": 17.4, "unit": "Cel"}}})
    assert decoded.rejections == ()
    assert decoded.readings[0].time_s == NOW_S
    assert not decoded.readings[0].time_from_device


@pytest.mark.parametrize("given", [-1, 1.5, "7", True, 2**63, [], None])
def test_a_bad_sequence_never_costs_a_reading(given: object) -> None:
    decoded = read({"sequence": given, "quantities": {"air_temperature": {"value": 17.4, "unit": "Cel"}}})
    assert decoded.rejections == ()
    assert decoded.readings[0].sequence is None


def test_every_fault_of_a_message_is_found_and_what_is_right_is_kept() -> None:
    decoded = read(
        {
            "quantities": {
                "air_temperature": {"value": 17.4, "unit": "Cel"},
                "relative_humidity": {"value": 300, "unit": "%RH"},
                "battery": {"value": 3.6, "unit": "V"},
                "humidity": {"value": 3, "unit": "%RH"},
            }
        }
    )
    assert [reading.value for reading in decoded.readings] == [17.4]
    assert [(r.reason, r.fault.field, r.fault.value) for r in decoded.rejections] == [
        (RejectionReason.IMPOSSIBLE_VALUE, "quantities.relative_humidity", "300 %RH"),
        (RejectionReason.UNKNOWN_QUANTITY, "quantities", "battery"),
        (RejectionReason.UNKNOWN_QUANTITY, "quantities", "humidity"),
    ]
    assert "-2 and 110 %RH" in decoded.rejections[0].fault.fix
    assert "settings of sensor slip-1 do not list it" in decoded.rejections[1].fault.fix
    assert "is no quantity" in decoded.rejections[2].fault.fix


@pytest.mark.parametrize(
    ("value", "unit", "possible"),
    [
        (-300, "Cel", False),
        (-127, "Cel", False),  # what a common probe sends when its wire is broken
        (-40, "Cel", True),
        (0, "K", False),
        (-40, "degF", True),
        (701, "Cel", False),
    ],
)
def test_what_nothing_in_a_shop_can_have_is_refused(value: float, unit: str, possible: bool) -> None:
    payload = {"quantities": {"air_temperature": {"value": value, "unit": unit}}}
    assert reasons(payload) == ([] if possible else [RejectionReason.IMPOSSIBLE_VALUE])


@pytest.mark.parametrize(("percent", "possible"), [(-5, False), (-1, True), (104.2, True), (300, False)])
def test_a_little_above_saturation_is_kept_as_it_comes(percent: float, possible: bool) -> None:
    payload = {"quantities": {"relative_humidity": {"value": percent, "unit": "%RH"}}}
    decoded = read(payload)
    assert [r.value for r in decoded.readings] == ([percent / 100] if possible else [])


def test_an_unknown_topic_an_empty_and_a_huge_message_are_refused() -> None:
    (refusal,) = decode("dryshift/ferrymoor/slip-bay/slip-77", b"{}", NOW_S, CATALOGUE).rejections
    assert refusal.reason is RejectionReason.UNKNOWN_TOPIC
    assert refusal.fault.value == "dryshift/ferrymoor/slip-bay/slip-77"
    assert reasons(b"") == [RejectionReason.EMPTY]
    assert reasons(b" " * 65_537) == [RejectionReason.TOO_LARGE]


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"[" * 60_000, RejectionReason.TOO_DEEP),
        (b'{"quantities":' * 4_000, RejectionReason.TOO_DEEP),
        (b"\xff\xfe", RejectionReason.NOT_UTF8),
        (b"{'quantities': 1}", RejectionReason.MALFORMED),
        (b"[]", RejectionReason.WRONG_SHAPE),
        (b'{"quantities": []}', RejectionReason.WRONG_SHAPE),
        (b"{}", RejectionReason.MISSING_FIELD),
        (
            b'{"quantities": {"air_temperature": {"value": -Infinity, "unit": "Cel"}}}',
            RejectionReason.NOT_FINITE,
        ),
        (
            b'{"quantities": {"air_temperature": {"value": null, "unit": "Cel"}}}',
            RejectionReason.NOT_A_NUMBER,
        ),
        (
            b'{"quantities": {"air_temperature": {"value": true, "unit": "Cel"}}}',
            RejectionReason.NOT_A_NUMBER,
        ),
        (b'{"quantities": {"air_temperature": {"value": 1, "unit": "C"}}}', RejectionReason.WRONG_UNIT),
    ],
)
def test_each_kind_of_bad_message_has_its_reason(payload: bytes, reason: RejectionReason) -> None:
    assert reasons(payload) == [reason]


def test_what_is_shown_of_a_bad_message_is_short_and_printable() -> None:
    (refusal,) = read(b'{"quantities": {"' + b"x" * 5_000 + b'\\u0007\\ud800": 1}}').rejections
    assert len(str(refusal.fault)) < 300
    assert str(refusal.fault).isprintable()


@pytest.mark.parametrize(
    ("payload", "too_deep"),
    [
        (b"[" * 32 + b"]" * 32, False),
        (b"[" * 33 + b"]" * 33, True),
        (b'{"a":[' * 17 + b"]}" * 17, True),
        (b"[" + b",".join([b"[{}]"] * 900) + b"]", False),  # wide, not deep
        (b'{"a": "' + b"[{" * 900 + b'"}', False),  # brackets within a text
        (b'{"a": "' + b'\\"[' * 900 + b'"}', False),
        (b'"' + b"[" * 900, False),  # a text that never ends
        (b'"' + b"[" * 900 + b"\\", False),
        (b'"' + b"[" * 900 + b'\\\\" ' + b"[" * 33, True),
    ],
)
def test_nesting_is_counted_alike_by_every_python_and_outside_of_texts(
    payload: bytes, too_deep: bool
) -> None:
    """RFC 8259 section 9: a reader may set limits on the depth of nesting."""
    found = reasons(payload)
    assert (found == [RejectionReason.TOO_DEEP]) is too_deep, found


@pytest.mark.parametrize("text", [b"17.4", b" 17.4\r\n", b"+17.4", b"1.74e1", b"17.40"])
def test_a_plain_number_is_read_in_the_unit_of_the_settings(text: bytes) -> None:
    (reading,) = read(text, "plain").readings
    assert reading == (key("plain", AIR), NOW_S, NOW_S, 17.4, None, False)


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (b"17,4", RejectionReason.NOT_A_NUMBER),
        (b"17.4 C", RejectionReason.NOT_A_NUMBER),
        (b"0x11", RejectionReason.NOT_A_NUMBER),
        (b"1_7", RejectionReason.NOT_A_NUMBER),
        (b"nan", RejectionReason.NOT_FINITE),
        (b"-inf", RejectionReason.NOT_FINITE),
        (b"1e999", RejectionReason.NOT_FINITE),
        (b"85000", RejectionReason.IMPOSSIBLE_VALUE),
        (b"\xb2", RejectionReason.NOT_A_NUMBER),
    ],
)
def test_what_is_not_a_plain_number_is_refused(text: bytes, reason: RejectionReason) -> None:
    assert reasons(text, "plain") == [reason]


POINTED = [AIR_AND_HUMIDITY[0] | {"pointer": "/air/0/t"}, AIR_AND_HUMIDITY[1] | {"pointer": "/air/0/r~1h"}]
FOREIGN = catalogue_with(sensor("other", "json", measures=POINTED, time_pointer="/at"))


def test_foreign_json_is_read_through_pointers() -> None:
    document = {"at": NOW_S - 3, "air": [{"t": "17.4", "r/h": 86.5}], "rssi": -70}
    air, humidity = read(document, "other", FOREIGN).readings
    assert (air.value, air.time_s, air.time_from_device) == (17.4, NOW_S - 3, True)
    assert humidity.value == 0.865


def test_foreign_json_need_not_hold_every_measure() -> None:
    decoded = read({"air": [{"t": 17.4}]}, "other", FOREIGN)
    assert [reading.key.quantity for reading in decoded.readings] == [AIR]
    assert decoded.rejections == ()


def test_foreign_json_without_any_measure_names_every_pointer() -> None:
    decoded = read({"air": {}}, "other", FOREIGN)
    assert [(r.reason, r.fault.field) for r in decoded.rejections] == [
        (RejectionReason.MISSING_FIELD, "/air/0/t"),
        (RejectionReason.MISSING_FIELD, "/air/0/r~1h"),
    ]


def test_null_in_foreign_json_is_not_a_number() -> None:
    decoded = read({"air": [{"t": None, "r/h": 86.5}]}, "other", FOREIGN)
    assert [reading.key.quantity for reading in decoded.readings] == [HUMIDITY]
    assert [r.reason for r in decoded.rejections] == [RejectionReason.NOT_A_NUMBER]


def test_a_door_switch_may_send_a_truth_value() -> None:
    door = {"quantity": "door_open_frac", "unit": "/", "pointer": "/open"}
    catalogue = catalogue_with(sensor("door", "json", measures=[door]))
    assert [read({"open": state}, "door", catalogue).readings[0].value for state in (True, False)] == [
        1.0,
        0.0,
    ]


def test_a_gateway_may_carry_several_sensors_on_one_topic() -> None:
    def pointed(name: str) -> dict[str, Any]:
        measure = AIR_AND_HUMIDITY[0] | {"pointer": f"/{name}/celsius"}
        return sensor(name, "json", topic="gateway/all", measures=[measure], time_pointer=f"/{name}/at")

    catalogue = catalogue_with(pointed("slip-1"), pointed("slip-2"))
    payload = {"slip-1": {"celsius": 17, "at": NOW_S - 9}, "slip-2": {"celsius": 18}}
    one, two = decode("gateway/all", json.dumps(payload).encode(), NOW_S, catalogue).readings
    assert (one.key.source, one.value, one.time_s) == ("slip-1", 17.0, NOW_S - 9)
    assert (two.key.source, two.value, two.time_s) == ("slip-2", 18.0, NOW_S)


def test_the_catalogue_reports_every_fault_of_the_sensors_at_once() -> None:
    with pytest.raises(InputError) as caught:
        catalogue_with(
            sensor("a", measures=[{"quantity": "air_temperature_c", "unit": "hPa"}]),
            sensor("b", "number", measures=AIR_AND_HUMIDITY),
            sensor("c", "json", measures=[AIR_AND_HUMIDITY[0]]),
            sensor("d", "json", measures=[AIR_AND_HUMIDITY[0] | {"pointer": "air"}], time_pointer="at"),
            sensor("e", topic="yard/+"),
            sensor("f", measures=[AIR_AND_HUMIDITY[0], AIR_AND_HUMIDITY[0]]),
            sensor("g", topic="one/for/all"),
            sensor("h", topic="one/for/all"),
            sensor("i", "senml", topic="pack"),
            sensor("j", "senml", topic="pack"),
        )
    assert [fault.field for fault in caught.value.faults] == [
        "sensors[0].measures[0].unit",
        "sensors[1].measures",
        "sensors[2].measures[0].pointer",
        "sensors[3].measures[0].pointer",
        "sensors[3].time_pointer",
        "sensors[4].topic",
        "sensors[5].measures",
        "topic one/for/all",
        "topic pack",
    ]
