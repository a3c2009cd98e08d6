"""Reads Dryshift's own payload: JSON with time, quantities with units, and a sequence number."""

from datetime import datetime
from typing import Annotated, Any

import msgspec

from monitor.model.reading import Reading
from monitor.mqtt.decoded_readings import Stamp, finite_number, make_reading, sorted_out, stamp
from monitor.mqtt.device_times import TimeRules, device_time
from monitor.mqtt.json_text import parse
from monitor.mqtt.rejection import Decoded, Rejection, RejectionReason, refused, reject
from monitor.mqtt.sensor_topics import SensorPlan
from monitor.mqtt.units import QUANTITIES

MAX_SEQUENCE = 2**63 - 1


class _Amount(msgspec.Struct, gc=False):
    value: float
    unit: str


class _Message(msgspec.Struct, gc=False):
    quantities: dict[str, _Amount]
    time: float | datetime | None = None
    sequence: Annotated[int, msgspec.Meta(ge=0, le=MAX_SEQUENCE)] | None = None


_fast = msgspec.json.Decoder(_Message).decode


def decode_own(plans: tuple[SensorPlan, ...], payload: bytes, arrived_s: float, rules: TimeRules) -> Decoded:
    """The readings of one message.

    The first way takes a message that is right in every part, and only that; everything else goes
    the second way, which is slower and finds every fault.
    """
    plan = plans[0]
    try:
        message = _fast(payload)
    except (msgspec.DecodeError, UnicodeDecodeError, RecursionError):
        return _decode_with_care(plan, payload, arrived_s, rules)
    when = stamp(device_time(message.time), arrived_s, rules, message.sequence)
    time_s, _, sequence, from_device = when
    readings = []
    for name, amount in message.quantities.items():
        measure = plan.by_name.get(name)
        conversion = None if measure is None else measure.conversions.get(amount.unit)
        if measure is None or conversion is None:
            return _decode_with_care(plan, payload, arrived_s, rules)
        raw = (amount.value - conversion.zero) / conversion.per_inside
        low, high = measure.bounds
        if not low <= raw <= high:
            return _decode_with_care(plan, payload, arrived_s, rules)
        value = measure.gain * raw + measure.offset
        readings.append(Reading(measure.key, time_s, arrived_s, value, sequence, from_device))
    return Decoded(readings) if readings else _decode_with_care(plan, payload, arrived_s, rules)


def _decode_with_care(plan: SensorPlan, payload: bytes, arrived_s: float, rules: TimeRules) -> Decoded:
    message = parse(payload)
    if isinstance(message, Rejection):
        return Decoded([], (message,))
    if not isinstance(message, dict):
        return refused(
            RejectionReason.WRONG_SHAPE, "message", message, 'send a JSON object with "quantities"'
        )
    quantities = message.get("quantities")
    if quantities is None:
        fix = 'is needed: {"air_temperature": {"value": 21.4, "unit": "Cel"}}'
        return refused(RejectionReason.MISSING_FIELD, "quantities", "nothing", fix)
    if not isinstance(quantities, dict):
        return refused(
            RejectionReason.WRONG_SHAPE, "quantities", quantities, "send an object, one member a quantity"
        )
    if not quantities:
        return refused(RejectionReason.EMPTY, "quantities", "nothing", "send at least one quantity")
    when = stamp(device_time(message.get("time")), arrived_s, rules, sequence_of(message))
    return Decoded(*sorted_out([_one(plan, name, given, when) for name, given in quantities.items()]))


def sequence_of(message: dict[str, Any]) -> int | None:
    """The sequence number where it is one; a bad one never costs a reading."""
    given = message.get("sequence")
    if isinstance(given, bool) or not isinstance(given, int):
        return None
    return given if 0 <= given <= MAX_SEQUENCE else None


def _one(plan: SensorPlan, name: str, given: Any, when: Stamp) -> Reading | Rejection:
    field = f"quantities.{name}"
    measure = plan.by_name.get(name)
    if measure is None:
        return _unknown(plan, name)
    if not isinstance(given, dict):
        return reject(RejectionReason.WRONG_SHAPE, field, given, 'send {"value": 21.4, "unit": "Cel"}')
    for part in ("value", "unit"):
        if part not in given:
            return reject(RejectionReason.MISSING_FIELD, f"{field}.{part}", "nothing", "is needed; add it")
    value = finite_number(given["value"], f"{field}.value")
    if isinstance(value, Rejection):
        return value
    return make_reading(measure, value, str(given["unit"]), when, field)


def _unknown(plan: SensorPlan, name: str) -> Rejection:
    expected = ", ".join(plan.by_name)
    if name in QUANTITIES:
        fix = f"the settings of sensor {plan.sensor} do not list it; add a measure, or send {expected}"
    else:
        fix = f"is no quantity; sensor {plan.sensor} has {expected}"
    return reject(RejectionReason.UNKNOWN_QUANTITY, "quantities", name, fix)
