"""Laws of decoding: nothing raises, what is encoded comes back, units and calibration do what they say."""

import json
import math
from typing import Any

from hypothesis import example, given
from hypothesis import strategies as st

from monitor.model.reading import Quantity
from monitor.mqtt.decode import decode
from monitor.mqtt.encode import encode_own, encode_senml
from monitor.mqtt.own_json import decode_own
from monitor.mqtt.rejection import RejectionReason
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.units import BOUNDS, CONVERSIONS
from tests.mqtt.yard import AIR_AND_HUMIDITY, EVERYTHING, NOW_S, UNHURRIED, catalogue_with, sensor, topic

POINTERS = [AIR_AND_HUMIDITY[0] | {"pointer": "/t"}, AIR_AND_HUMIDITY[1] | {"pointer": "/air/0/rh"}]
CATALOGUE = catalogue_with(
    sensor("own", measures=EVERYTHING),
    sensor("senml", "senml", measures=EVERYTHING),
    sensor("json", "json", measures=POINTERS, time_pointer="/time"),
    sensor("number", "number"),
)
FORMATS = ("own", "senml", "json", "number")

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats(allow_nan=True, allow_infinity=True)
    | st.text(max_size=20)
)
names = st.sampled_from(
    [
        *("quantities", "time", "sequence", "value", "unit", "air_temperature", "relative_humidity"),
        *("n", "u", "v", "vb", "vs", "t", "s", "bn", "bt", "bu", "bv", "bver", "x_", "air", "rh"),
    ]
)
words = st.sampled_from(["Cel", "%RH", "slip:", "air_temperature", "2026-09-07T05:40:00Z", "NaN", "17.4"])
documents = st.recursive(
    scalars | words,
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(names | st.text(max_size=6), inner, max_size=5)
    ),
    max_leaves=25,
)


def check(payload: bytes, catalogue: SensorCatalogue = CATALOGUE) -> None:
    """Decoding gives readings that are numbers, or reasons that can be stored and printed."""
    for name in FORMATS:
        decoded = decode(topic(name), payload, NOW_S, catalogue)
        assert decoded.readings or decoded.rejections
        for reading in decoded.readings:
            assert math.isfinite(reading.value)
            low, high = BOUNDS[reading.key.quantity]
            assert low <= reading.value <= high
            assert reading.arrived_s == NOW_S
            assert catalogue.rules.is_sound(reading.time_s, NOW_S)
            assert reading.time_s == round(reading.time_s, 3)
        for reason, fault in decoded.rejections:
            assert reason in RejectionReason
            assert fault.field
            assert fault.fix
            str(fault).encode()


@UNHURRIED
@given(st.binary(max_size=300))
@example(b"[" * 60_000)
@example(b'{"quantities":' * 4_000)
@example(b'{"time":"x","quantities":{"air_temperature":{"value":1,"unit":"Cel","x":' + b"[" * 50_000)
@example(b'{"quantities":{"\\ud800":{"value":1,"unit":"\\udfff"}}}')
@example(b'{"quantities":{"air_temperature":{"value":' + b"9" * 50_000 + b',"unit":"Cel"}}}')
@example(b'{"sequence":' + b"9" * 400 + b',"quantities":{"air_temperature":{"value":1,"unit":"Cel"}}}')
@example(b"9" * 60_000)
@example(b'[{"n":"a:air_temperature","u":"Cel","v":1,"t":-1e308,"bt":-1e308,"bv":1e308}]')
@example(b"\xef\xbb\xbf{}")
@example(b"\x00")
@example("٢١".encode())
def test_any_bytes_give_readings_or_reasons(payload: bytes) -> None:
    check(payload)


@UNHURRIED
@given(documents)
def test_any_json_gives_readings_or_reasons(document: Any) -> None:
    check(json.dumps(document).encode())


@UNHURRIED
@given(documents, st.integers(0, 400), st.binary(min_size=1, max_size=3))
def test_damaged_json_gives_readings_or_reasons(document: Any, place: int, damage: bytes) -> None:
    payload = json.dumps(document, ensure_ascii=False).encode("utf-8", "surrogatepass")
    check(payload[:place] + damage + payload[place + 1 :])


@UNHURRIED
@given(st.text(), st.binary(max_size=50))
def test_any_topic_gives_readings_or_reasons(name: str, payload: bytes) -> None:
    decoded = decode(name, payload, NOW_S, CATALOGUE)
    assert decoded.readings or decoded.rejections


def inside(quantity: Quantity) -> st.SearchStrategy[float]:
    low, high = BOUNDS[quantity]
    return st.floats(low, high).map(lambda value: round(value, 6) + 0.0)


some_values = st.fixed_dictionaries({}, optional={q: inside(q) for q in CONVERSIONS}).filter(bool)
sound_times = st.floats(NOW_S - 30 * 86_400 + 1, NOW_S + 299).map(lambda t: round(t, 3))
some_units = st.fixed_dictionaries({q: st.sampled_from(sorted(CONVERSIONS[q])) for q in CONVERSIONS})


@UNHURRIED
@given(some_values, st.none() | sound_times, st.none() | st.integers(0, 2**63 - 1), some_units)
def test_what_is_encoded_in_the_own_format_comes_back(
    values: dict[Quantity, float], time_s: float | None, sequence: int | None, units: dict[Quantity, str]
) -> None:
    payload = encode_own(time_s, values, sequence, units)
    readings, rejections = decode(topic("own"), payload, NOW_S, CATALOGUE)
    assert rejections == ()
    assert [reading.key.quantity for reading in readings] == list(values)
    for reading in readings:
        assert math.isclose(reading.value, values[reading.key.quantity], rel_tol=1e-9, abs_tol=1e-9)
        assert reading.sequence == sequence
        assert reading.time_from_device == (time_s is not None)
        assert reading.time_s == (NOW_S if time_s is None else time_s)


@UNHURRIED
@given(some_values, st.none() | sound_times, some_units)
def test_what_is_encoded_as_senml_comes_back(
    values: dict[Quantity, float], time_s: float | None, units: dict[Quantity, str]
) -> None:
    readings, rejections = decode(
        topic("senml"), encode_senml("slip-9", time_s, values, units), NOW_S, CATALOGUE
    )
    assert rejections == ()
    assert [reading.key.quantity for reading in readings] == list(values)
    for reading in readings:
        assert math.isclose(reading.value, values[reading.key.quantity], rel_tol=1e-9, abs_tol=1e-9)
        assert reading.time_s == (NOW_S if time_s is None else time_s)


@UNHURRIED
@given(some_values, sound_times, st.text(max_size=5))
def test_the_fast_way_and_the_careful_way_agree(
    values: dict[Quantity, float], time_s: float, extra: str
) -> None:
    fast = encode_own(time_s, values, 7)
    # The fast reader takes no text for a time that is not RFC 3339, so an unsound one takes the careful way.
    document = json.loads(fast)
    careful = json.dumps(document | {"sequence": 7.5, "note": extra}).encode()
    plans = CATALOGUE.topics[topic("own")]
    one = decode_own(plans, fast, NOW_S, CATALOGUE.rules).readings
    two = decode_own(plans, careful, NOW_S, CATALOGUE.rules).readings
    assert [reading._replace(sequence=None) for reading in one] == two


@UNHURRIED
@given(st.floats(-50.0, 60.0), st.floats(-3.0, 3.0), st.floats(0.9, 1.1))
def test_gain_and_offset_are_applied_after_the_unit(value_c: float, offset: float, gain: float) -> None:
    measure = {"quantity": "air_temperature_c", "unit": "degF", "offset": offset, "gain": gain}
    catalogue = catalogue_with(sensor("s", "number", measures=[measure]))
    (reading,) = decode(topic("s"), repr(value_c * 1.8 + 32).encode(), NOW_S, catalogue).readings
    assert math.isclose(reading.value, gain * value_c + offset, abs_tol=1e-9)
