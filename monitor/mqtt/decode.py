"""Turns one message into readings, or into the reasons why not. Never raises, whatever comes in."""

from collections.abc import Callable, Mapping
from types import MappingProxyType

from monitor.model.payload import MAX_PAYLOAD_BYTES
from monitor.mqtt.device_times import TimeRules, device_time
from monitor.mqtt.foreign_json import at, decode_mapped, decode_number
from monitor.mqtt.json_text import parse
from monitor.mqtt.own_json import decode_own
from monitor.mqtt.rejection import Decoded, RejectionReason, refused
from monitor.mqtt.senml import decode_senml
from monitor.mqtt.sensor_topics import SensorCatalogue, SensorPlan

# A SenML time below this is relative to now (RFC 8428, 4.5.3).
_RELATIVE_BELOW_S = 2**28

Decoder = Callable[[tuple[SensorPlan, ...], bytes, float, TimeRules], Decoded]

DECODERS: Mapping[str, Decoder] = MappingProxyType(
    {"own": decode_own, "senml": decode_senml, "json": decode_mapped, "number": decode_number}
)


def decode(topic: str, payload: bytes, arrived_s: float, catalogue: SensorCatalogue) -> Decoded:
    """What a message on `topic` says; `arrived_s` is epoch seconds in whole milliseconds."""
    plans = catalogue.topics.get(topic)
    if plans is None:
        usual = f"{catalogue.root}/site/zone/sensor"
        fix = f"no sensor of the settings publishes there; the usual topic is {usual}"
        return refused(RejectionReason.UNKNOWN_TOPIC, "topic", topic, fix)
    if not payload:
        return refused(RejectionReason.EMPTY, "message", "no bytes", "send the readings")
    if len(payload) > MAX_PAYLOAD_BYTES:
        fix = f"send at most {MAX_PAYLOAD_BYTES} bytes"
        return refused(RejectionReason.TOO_LARGE, "message", f"{len(payload)} bytes", fix)
    return DECODERS[plans[0].format](plans, payload, arrived_s, catalogue.rules)


def given_time_s(plans: tuple[SensorPlan, ...], payload: bytes) -> float | None:
    """The device's own time in a message, sound or not; None where it gives none."""
    document = parse(payload)
    if isinstance(document, dict):
        mapped = plans[0].format == "json"
        return device_time(at(document, plans[0].time_pointer) if mapped else document.get("time"))
    if isinstance(document, list) and document and isinstance(document[0], dict):
        seconds = device_time(document[0].get("bt", document[0].get("t")))
        return seconds if seconds is not None and seconds >= _RELATIVE_BELOW_S else None
    return None
