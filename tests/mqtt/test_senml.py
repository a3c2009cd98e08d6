"""SenML packs, held against the examples of RFC 8428 section 5.1 (values as printed there, from memory)."""

import json
from typing import Any

import pytest

from monitor.mqtt.decode import decode
from monitor.mqtt.rejection import Decoded, RejectionReason
from monitor.mqtt.sensor_topics import SensorCatalogue
from tests.mqtt.yard import AIR, AIR_AND_HUMIDITY, HUMIDITY, NOW_S, catalogue_with, sensor, topic

CATALOGUE = catalogue_with(sensor("slip-3", "senml"))
OLD_ENOUGH_S = 30 * 365.25 * 86_400.0  # the examples are of 2010 and 2011


def read(pack: Any, catalogue: SensorCatalogue = CATALOGUE, name: str = "slip-3") -> Decoded:
    return decode(topic(name), json.dumps(pack).encode(), NOW_S, catalogue)


def test_rfc_8428_5_1_1_a_single_data_point_without_a_time_is_of_now() -> None:
    named = [AIR_AND_HUMIDITY[0] | {"name": "urn:dev:ow:10e2073a01080063"}]
    catalogue = catalogue_with(sensor("slip-3", "senml", measures=named))
    decoded = read([{"n": "urn:dev:ow:10e2073a01080063", "u": "Cel", "v": 23.1}], catalogue)
    assert decoded.rejections == ()
    (reading,) = decoded.readings
    assert (reading.value, reading.time_s, reading.time_from_device) == (23.1, NOW_S, False)


def test_rfc_8428_5_1_2_base_name_base_time_and_relative_times_resolve() -> None:
    """The second example of the section, with a temperature in place of its electric current."""
    catalogue = catalogue_with(sensor("slip-3", "senml"), max_age_s=OLD_ENOUGH_S)
    pack: list[dict[str, Any]] = [
        {
            "bn": "urn:dev:ow:10e2073a0108006:",
            "bt": 1.276020076001e09,
            "bu": "Cel",
            "bver": 5,
            "n": "voltage",
            "u": "V",
            "v": 120.1,
        }
    ]
    pack += [{"n": "air_temperature", "t": -5 + n, "v": 1.2 + n / 10} for n in range(5)]
    pack += [{"n": "air_temperature", "v": 1.7}]
    decoded = read(pack, catalogue)
    assert decoded.rejections == ()
    assert [reading.value for reading in decoded.readings] == pytest.approx([1.2, 1.3, 1.4, 1.5, 1.6, 1.7])
    assert [reading.time_s for reading in decoded.readings] == [
        1_276_020_076.001 - ago for ago in (5, 4, 3, 2, 1, 0)
    ]
    assert all(reading.time_from_device for reading in decoded.readings)


RFC_8428_5_1_3 = [
    {"bn": "urn:dev:ow:10e2073a01080063", "bt": 1.320067464e09, "bu": "%RH", "v": 20},
    {"u": "lon", "v": 24.30621},
    {"u": "lat", "v": 60.07965},
    {"t": 60, "v": 20.3},
    {"u": "lon", "t": 60, "v": 24.30622},
    {"u": "lat", "t": 60, "v": 60.07965},
    {"t": 120, "v": 20.7},
    {"u": "lon", "t": 120, "v": 24.30623},
    {"u": "lat", "t": 120, "v": 60.07966},
    {"u": "%EL", "t": 150, "v": 98},
    {"t": 180, "v": 21.2},
]


def test_rfc_8428_5_1_3_one_name_with_several_units_goes_by_the_unit() -> None:
    name = {"name": "urn:dev:ow:10e2073a01080063"}
    measures = [AIR_AND_HUMIDITY[1] | name, {"quantity": "battery_frac", "unit": "%"} | name]
    catalogue = catalogue_with(sensor("slip-3", "senml", measures=measures), max_age_s=OLD_ENOUGH_S)
    decoded = read(RFC_8428_5_1_3, catalogue)
    found = [(r.key.quantity.value, r.value, r.time_s - 1_320_067_464) for r in decoded.readings]
    assert found == [
        ("relative_humidity_frac", 0.20, 0.0),
        ("relative_humidity_frac", 0.203, 60.0),
        ("relative_humidity_frac", 0.207, 120.0),
        ("battery_frac", 0.98, 150.0),
        ("relative_humidity_frac", 0.212, 180.0),
    ]
    # Longitude and latitude carry the name of the humidity and none of its units.
    assert {r.reason for r in decoded.rejections} == {RejectionReason.WRONG_UNIT}
    assert len(decoded.rejections) == 6


def test_base_fields_last_until_they_are_replaced() -> None:
    decoded = read(
        [
            {"bn": "a:", "bu": "Cel", "bv": 10, "bt": NOW_S - 100, "n": "air_temperature", "v": 1},
            {"n": "air_temperature", "t": 10, "v": 2},
            {"bt": NOW_S - 50, "bv": 20, "n": "air_temperature", "v": 3},
            {"bn": "b/", "bu": "%RH", "bv": 0, "n": "relative_humidity", "v": 50},
        ]
    )
    assert [(r.key.quantity, r.value, r.time_s - NOW_S) for r in decoded.readings] == [
        (AIR, 11.0, -100.0),
        (AIR, 12.0, -90.0),
        (AIR, 23.0, -50.0),
        (HUMIDITY, 0.5, -50.0),
    ]


@pytest.mark.parametrize(
    ("fields", "time_s", "from_device"),
    [
        ({"t": -30}, NOW_S - 30, False),
        ({"bt": -20, "t": -10}, NOW_S - 30, False),
        ({"t": 0}, NOW_S, False),
        ({"t": 60}, NOW_S, False),  # a measurement of the future is of now
        ({"t": 2**28 - 1}, NOW_S, False),
        ({"t": 2**28}, NOW_S, False),  # absolute from here on, and 1978 is not sound
        ({"t": NOW_S - 30}, NOW_S - 30, True),
        ({"t": NOW_S + 3_600}, NOW_S, False),
        ({"t": "soon"}, NOW_S, False),
        ({"t": -1e300}, NOW_S, False),
    ],
)
def test_times_below_two_to_the_28_count_from_the_arrival(
    fields: dict[str, Any], time_s: float, from_device: bool
) -> None:
    decoded = read([{"n": "air_temperature", "u": "Cel", "v": 17.4, **fields}])
    assert decoded.rejections == ()
    assert (decoded.readings[0].time_s, decoded.readings[0].time_from_device) == (time_s, from_device)


def test_without_a_unit_the_one_of_the_settings_holds() -> None:
    assert read([{"n": "air_temperature", "v": 17.4}]).readings[0].value == 17.4


def test_a_door_may_send_a_boolean_value_and_nothing_else_may() -> None:
    door = {"quantity": "door_open_frac", "unit": "/"}
    catalogue = catalogue_with(sensor("slip-3", "senml", measures=[AIR_AND_HUMIDITY[0], door]))
    decoded = read([{"n": "door_open", "vb": True}, {"n": "air_temperature", "vb": True}], catalogue)
    assert [reading.value for reading in decoded.readings] == [1.0]
    assert [r.reason for r in decoded.rejections] == [RejectionReason.NOT_A_NUMBER]


def test_a_gateway_sends_several_sensors_in_one_pack() -> None:
    def named(name: str) -> dict[str, Any]:
        measure = AIR_AND_HUMIDITY[0] | {"name": f"urn:dev:mac:{name}:temp"}
        return sensor(name, "senml", topic="gateway/pack", measures=[measure])

    catalogue = catalogue_with(named("slip-1"), named("slip-2"))
    pack = [
        {"bn": "urn:dev:mac:slip-2:", "n": "temp", "u": "Cel", "v": 2},
        {"bn": "urn:dev:mac:slip-1:", "n": "temp", "u": "K", "v": 273.15},
    ]
    decoded = decode("gateway/pack", json.dumps(pack).encode(), NOW_S, catalogue)
    assert [(r.key.source, r.value) for r in decoded.readings] == [("slip-2", 2.0), ("slip-1", 0.0)]


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({}, RejectionReason.WRONG_SHAPE),
        ([], RejectionReason.EMPTY),
        ([[]], RejectionReason.WRONG_SHAPE),
        ([{"n": "air_temperature", "vs": "warm"}], RejectionReason.EMPTY),
        ([{"n": "voltage", "u": "V", "v": 3.3}], RejectionReason.EMPTY),
        ([{"n": "temp", "u": "Cel", "v": 17.4}], RejectionReason.UNKNOWN_QUANTITY),
        ([{"u": "Cel", "v": 17.4}], RejectionReason.MISSING_FIELD),
        ([{"n": "air_temperature", "u": "C", "v": 17.4}], RejectionReason.WRONG_UNIT),
        ([{"n": "air_temperature", "u": "Cel", "v": "17.4"}], RejectionReason.NOT_A_NUMBER),
        ([{"n": "air_temperature", "u": "Cel", "v": -300}], RejectionReason.IMPOSSIBLE_VALUE),
        ([{"bver": 11, "n": "air_temperature", "u": "Cel", "v": 17.4}], RejectionReason.NOT_UNDERSTOOD),
        ([{"n": "air_temperature", "u": "Cel", "v": 17.4}, {"must_": 1}], RejectionReason.NOT_UNDERSTOOD),
        ([{"bn": 5, "n": "air_temperature", "v": 17.4}], RejectionReason.WRONG_SHAPE),
        ([{"bt": "now", "n": "air_temperature", "v": 17.4}], RejectionReason.NOT_A_NUMBER),
        ([{"n": 5, "v": 17.4}], RejectionReason.WRONG_SHAPE),
    ],
)
def test_each_kind_of_bad_pack_has_its_reason(pack: Any, reason: RejectionReason) -> None:
    decoded = read(pack)
    assert decoded.readings == []
    assert [rejection.reason for rejection in decoded.rejections] == [reason]
