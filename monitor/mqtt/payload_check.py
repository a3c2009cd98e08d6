"""Tells a sensor builder what is understood of a payload, and everything that is wrong with it."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from monitor.model.errors import Fault
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.mqtt.decode import decode
from monitor.mqtt.device_times import TimeRules, device_time
from monitor.mqtt.doubts import doubts
from monitor.mqtt.encode import USUAL_UNITS
from monitor.mqtt.foreign_json import ABSENT, at
from monitor.mqtt.json_text import parse
from monitor.mqtt.own_json import sequence_of
from monitor.mqtt.rejection import Decoded, Rejection, shown
from monitor.mqtt.sensor_topics import MeasurePlan, SensorCatalogue, SensorPlan
from monitor.mqtt.units import BOUNDS, CONVERSIONS, PAYLOAD_NAMES
from monitor.settings.schema import Settings

# How a value is printed: the inside unit, and what a person reads.
_SHOWN_AS = {
    Quantity.AIR_TEMPERATURE: (1.0, "°C"),
    Quantity.SURFACE_TEMPERATURE: (1.0, "°C"),
    Quantity.RELATIVE_HUMIDITY: (100.0, "%RH"),
    Quantity.STATION_PRESSURE: (0.01, "hPa"),
    Quantity.DOOR_OPEN: (100.0, "% open"),
    Quantity.WINDOW_OPEN: (100.0, "% open"),
    Quantity.EXTRACT_ON: (100.0, "% on"),
    Quantity.CARBON_DIOXIDE: (1.0, "ppm"),
    Quantity.PEOPLE: (1.0, "people"),
    Quantity.HEATER_POWER: (0.001, "kW"),
    Quantity.DEHUMIDIFIER_POWER: (0.001, "kW"),
    Quantity.COLD_PARTS: (1.0, "kg"),
    Quantity.SOLAR_RADIATION: (1.0, "W/m²"),
    Quantity.BATTERY: (100.0, "% battery"),
}
_ANY_TOPIC = "any/topic"
_KNOWN_MEMBERS = {"time", "sequence", "quantities"}


@dataclass(frozen=True, slots=True)
class PayloadReport:
    """The outcome of a check, as lines to print; `ok` when nothing was wrong."""

    ok: bool
    lines: tuple[str, ...]
    rejections: tuple[Rejection, ...] = ()


def check_payload(
    settings: Settings | None, topic: str | None, payload: bytes, now_s: float
) -> PayloadReport:
    """Check a payload as if it arrived at `now_s`.

    With settings and a topic it is read as the service would read it. With settings alone it is
    tried on every sensor and the best is shown. Without settings it is held against the message
    contract: SenML when it is a JSON array, else the own format.
    """
    if settings is None:
        return _report(None, _contract(payload), topic or _ANY_TOPIC, payload, now_s)
    catalogue = SensorCatalogue.from_settings(settings)
    if topic is not None:
        return _report(settings, catalogue, topic, payload, now_s)
    if not catalogue.topics:
        fault = Fault("sensors", "none", "the settings name no sensor; add one, or check without settings")
        return PayloadReport(False, (str(fault),))
    best = max(catalogue.topics, key=lambda name: _merit(decode(name, payload, now_s, catalogue)))
    return _report(settings, catalogue, best, payload, now_s)


def _merit(decoded: Decoded) -> tuple[int, int]:
    return len(decoded.readings), -len(decoded.rejections)


def _contract(payload: bytes) -> SensorCatalogue:
    """A sensor that measures everything, on any topic."""
    measures = tuple(
        MeasurePlan(
            key=SeriesKey("", "any", quantity),
            name=name,
            record_name=None,
            pointer=None,
            unit=USUAL_UNITS[quantity],
            conversions=CONVERSIONS[quantity],
            bounds=BOUNDS[quantity],
            gain=1.0,
            offset=0.0,
        )
        for quantity, name in PAYLOAD_NAMES.items()
    )
    form = "senml" if payload.lstrip()[:1] == b"[" else "own"
    plan = SensorPlan("any", form, measures, None, {measure.name: measure for measure in measures})
    return SensorCatalogue({_ANY_TOPIC: (plan,)})


def _report(
    settings: Settings | None, catalogue: SensorCatalogue, topic: str, payload: bytes, now_s: float
) -> PayloadReport:
    if catalogue.topics.keys() == {_ANY_TOPIC}:
        topic = _ANY_TOPIC
    decoded = decode(topic, payload, now_s, catalogue)
    lines = [f"{len(payload)} bytes", *_read_as(catalogue, topic)]
    lines += [_line(reading) for reading in decoded.readings]
    lines += [f"note: {note}" for note in _notes(catalogue, topic, payload, now_s, decoded)]
    lines += [f"fault ({rejection.reason}): {rejection.fault}" for rejection in decoded.rejections]
    doubted = list(doubts(settings, catalogue.topics.get(topic, ()), decoded.readings))
    lines += [f"not believed: {words}" for words in doubted]
    ok = not (decoded.rejections or doubted)
    lines.append("All of it is understood." if ok else _verdict(decoded))
    return PayloadReport(ok, tuple(lines), decoded.rejections)


def _verdict(decoded: Decoded) -> str:
    if not decoded.rejections:
        return "All of it can be read; what is not believed would be kept, and nothing judged by it."
    if decoded.readings:
        return "A part of it is understood; the rest would be counted, and a sample kept for inspection."
    return "Nothing of it is understood; it would be counted and kept for inspection."


def _read_as(catalogue: SensorCatalogue, topic: str) -> Iterator[str]:
    if topic == _ANY_TOPIC:
        yield f"read as {catalogue.topics[topic][0].format}, without settings"
        return
    for plan in catalogue.topics.get(topic, ()):
        yield f"read as {plan.format} of sensor {plan.sensor} on {topic}"


def _line(reading: Reading) -> str:
    factor, unit = _SHOWN_AS[reading.key.quantity]
    source = "by the device's clock" if reading.time_from_device else "by its arrival"
    number = "" if reading.sequence is None else f", sequence {reading.sequence}"
    name = PAYLOAD_NAMES[reading.key.quantity]
    when = _iso(reading.time_s)
    return f"understood: {name} {reading.value * factor:.2f} {unit} at {when}, {source}{number}"


def _iso(time_s: float) -> str:
    return datetime.fromtimestamp(time_s, UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _notes(
    catalogue: SensorCatalogue, topic: str, payload: bytes, now_s: float, decoded: Decoded
) -> Iterator[str]:
    plans = catalogue.topics.get(topic)
    if not plans or not decoded.readings:
        return
    if any(reading.value > 1.0 and "frac" in reading.key.quantity for reading in decoded.readings):
        yield "a share above 100 % is stored as it is, and judged later"
    if plans[0].format == "number":
        yield "a plain number has no time: what the broker holds back is stamped when it arrives"
        return
    document = parse(payload)
    if plans[0].format == "json":
        times = {plan.time_pointer: at(document, plan.time_pointer) for plan in plans}
        yield from (_time_note(given, now_s, catalogue.rules) for given in times.values())
        return
    if isinstance(document, dict):
        yield _time_note(document.get("time"), now_s, catalogue.rules)
        yield from _member_notes(document)


def _member_notes(document: dict[str, Any]) -> Iterator[str]:
    if "sequence" not in document:
        yield "there is no sequence number: without it and without a time, repeats look new"
    elif sequence_of(document) is None:
        found = shown(document["sequence"])
        yield f"sequence: found {found}; it is not a whole number from 0 on, and not used"
    for name in sorted(document.keys() - _KNOWN_MEMBERS):
        yield f"{shown(name)} is not part of the contract and passed over"


def _time_note(given: object, now_s: float, rules: TimeRules) -> str:
    """What is thought of the device's time."""
    seconds = device_time(given)
    if given is None or given is ABSENT:
        return "there is no time: the arrival time is used"
    if seconds is None:
        fix = "send RFC 3339 text with an offset (2026-07-14T18:30:00Z) or epoch seconds"
        return f"time: found {shown(given)}; it is not used, the arrival time is; {fix}"
    if rules.is_sound(seconds, now_s):
        return (
            f"the device's clock is {abs(now_s - seconds):.0f} s {'behind' if seconds <= now_s else 'ahead'}"
        )
    lag_s = seconds - now_s
    limit = f"{rules.future_s:g} s ahead" if lag_s > 0 else f"{rules.max_age_s:g} s behind"
    return (
        f"time: found {shown(given)}; more than {limit}, so the arrival time is used; set the device's clock"
    )
