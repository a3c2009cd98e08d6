"""Reads payloads of other people's devices: plain numbers, and JSON mapped by JSON Pointer (RFC 6901)."""

import re
from typing import Any

from jsonpointer import JsonPointer, JsonPointerException

from monitor.model.reading import CONTACTS, Reading
from monitor.mqtt.decoded_readings import Stamp, finite_number, make_reading, sorted_out, stamp
from monitor.mqtt.device_times import TimeRules, device_time
from monitor.mqtt.json_text import parse
from monitor.mqtt.rejection import Decoded, Rejection, RejectionReason, reject
from monitor.mqtt.sensor_topics import MeasurePlan, SensorPlan

_NUMBER = re.compile(r"\s*[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?\s*", re.ASCII)
_NOT_FINITE = re.compile(r"\s*[+-]?(nan|inf|infinity)\s*", re.ASCII | re.IGNORECASE)
ABSENT = object()


def decode_number(
    plans: tuple[SensorPlan, ...], payload: bytes, arrived_s: float, rules: TimeRules
) -> Decoded:
    """The one reading of a message that is nothing but a number."""
    measure = plans[0].measures[0]
    number = _number_from_text(payload.decode("ascii", errors="replace"), "message")
    if isinstance(number, Rejection):
        return Decoded([], (number,))
    when = stamp(None, arrived_s, rules)
    return Decoded(*sorted_out([make_reading(measure, number, measure.unit, when, "message")]))


def decode_mapped(
    plans: tuple[SensorPlan, ...], payload: bytes, arrived_s: float, rules: TimeRules
) -> Decoded:
    """The readings that the settings' pointers find; a message need not hold them all."""
    document = parse(payload)
    if isinstance(document, Rejection):
        return Decoded([], (document,))
    results: list[Reading | Rejection] = []
    for plan in plans:
        when = stamp(device_time(at(document, plan.time_pointer)), arrived_s, rules)
        for measure in plan.measures:
            given = at(document, measure.pointer)
            if given is not ABSENT:
                results.append(_one(measure, given, when))
    if not results:
        return Decoded([], tuple(_missing(measure) for plan in plans for measure in plan.measures))
    return Decoded(*sorted_out(results))


def at(document: Any, pointer: JsonPointer | None) -> Any:
    """What a pointer finds, or ABSENT."""
    if pointer is None:
        return ABSENT
    try:
        return pointer.resolve(document)
    except JsonPointerException:
        return ABSENT


def _missing(measure: MeasurePlan) -> Rejection:
    path = "" if measure.pointer is None else measure.pointer.path
    fix = f"the settings look there for {measure.name}; correct the pointer or the device"
    return reject(RejectionReason.MISSING_FIELD, path, "nothing", fix)


def _one(measure: MeasurePlan, given: Any, when: Stamp) -> Reading | Rejection:
    field = "message" if measure.pointer is None else measure.pointer.path
    if isinstance(given, bool) and measure.quantity in CONTACTS:
        return make_reading(measure, float(given), "/", when, field)
    number = _number_from_text(given, field) if isinstance(given, str) else finite_number(given, field)
    if isinstance(number, Rejection):
        return number
    return make_reading(measure, number, measure.unit, when, field)


def _number_from_text(text: str, field: str) -> float | Rejection:
    """A number in text, with a decimal point; many devices quote theirs."""
    if _NUMBER.fullmatch(text) or _NOT_FINITE.fullmatch(text):
        return finite_number(float(text), field)
    comma = ", with a point and not a comma" if "," in text else ""
    return reject(RejectionReason.NOT_A_NUMBER, field, text, f"send a plain number like 21.4{comma}")
