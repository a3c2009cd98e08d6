"""Reads SenML JSON packs (RFC 8428): base fields, relative times, resolved names."""

import re
from typing import Any, NamedTuple

from monitor.model.reading import CONTACTS, Reading
from monitor.mqtt.decoded_readings import Stamp, finite_number, make_reading, sorted_out, stamp
from monitor.mqtt.device_times import TimeRules, whole_ms
from monitor.mqtt.json_text import parse
from monitor.mqtt.rejection import Decoded, Rejection, RejectionReason, refused, reject
from monitor.mqtt.sensor_topics import MeasurePlan, SensorPlan
from monitor.mqtt.units import ALL_UNITS

SENML_VERSION = 10  # the version that RFC 8428 registers
RELATIVE_BELOW_S = 2.0**28  # section 4.5.3: a resolved time below this is relative to now
_LAST_PART = re.compile(r"[^:/.]*$")


class _Base(NamedTuple):
    """The base fields in force; they last until a later record replaces them."""

    name: str = ""
    time_s: float = 0.0
    unit: str | None = None
    value: float = 0.0


class _Pack(NamedTuple):
    """What is the same for every record of a pack."""

    measures: tuple[MeasurePlan, ...]
    arrived_s: float
    rules: TimeRules


def decode_senml(
    plans: tuple[SensorPlan, ...], payload: bytes, arrived_s: float, rules: TimeRules
) -> Decoded:
    """The readings of a pack; records that carry no number are passed over."""
    records = parse(payload)
    if isinstance(records, Rejection):
        return Decoded([], (records,))
    if not isinstance(records, list):
        return refused(RejectionReason.WRONG_SHAPE, "pack", records, "send a JSON array of SenML records")
    refusal = _unfit(records)
    if refusal is not None:
        return Decoded([], (refusal,))
    pack = _Pack(tuple(measure for plan in plans for measure in plan.measures), arrived_s, rules)
    base = _Base()
    results: list[Reading | Rejection] = []
    for n, record in enumerate(records):
        based = _rebased(base, record, n)
        if isinstance(based, Rejection):
            return Decoded([], (based,))
        base = based
        if "v" in record or "vb" in record:
            result = _one(pack, base, record, n)
            results += [] if result is None else [result]
    if not results:
        fix = "send at least one record with a value (v) that the settings name"
        return refused(RejectionReason.EMPTY, "pack", f"{len(records)} records, none with a reading", fix)
    return Decoded(*sorted_out(results))


def _unfit(records: list[Any]) -> Rejection | None:
    """Why a whole pack must be refused: by shape, version, or a field that must be understood."""
    if not records:
        return reject(RejectionReason.EMPTY, "pack", "no records", "send at least one record")
    for n, record in enumerate(records):
        if not isinstance(record, dict):
            return reject(RejectionReason.WRONG_SHAPE, f"[{n}]", record, "every record is a JSON object")
        version = record.get("bver", SENML_VERSION)
        if isinstance(version, bool) or not isinstance(version, int | float) or version > SENML_VERSION:
            fix = f"only SenML up to version {SENML_VERSION} is read"
            return reject(RejectionReason.NOT_UNDERSTOOD, f"[{n}].bver", version, fix)
        strict = next((label for label in record if label.endswith("_")), None)
        if strict is not None:
            fix = (
                "a field whose name ends in _ must be understood, and this one is not (RFC 8428 section 4.4)"
            )
            return reject(RejectionReason.NOT_UNDERSTOOD, f"[{n}]", strict, fix)
    return None


def _rebased(base: _Base, record: dict[str, Any], n: int) -> _Base | Rejection:
    changes: dict[str, Any] = {}
    for label, name in (("bn", "name"), ("bu", "unit")):
        if label in record:
            if not isinstance(record[label], str):
                return reject(RejectionReason.WRONG_SHAPE, f"[{n}].{label}", record[label], "send text")
            changes[name] = record[label]
    for label, name in (("bt", "time_s"), ("bv", "value")):
        if label in record:
            number = finite_number(record[label], f"[{n}].{label}")
            if isinstance(number, Rejection):
                return number
            changes[name] = number
    return base._replace(**changes) if changes else base


def _one(pack: _Pack, base: _Base, record: dict[str, Any], n: int) -> Reading | Rejection | None:
    """The reading of one record; None where it is none of ours (a voltage, a signal strength)."""
    local = record.get("n", "")
    unit = record.get("u", base.unit)
    if not isinstance(local, str) or not isinstance(unit, str | None):
        return reject(RejectionReason.WRONG_SHAPE, f"[{n}]", record, "n and u are text")
    resolved = base.name + local
    if not resolved:
        return reject(
            RejectionReason.MISSING_FIELD, f"[{n}].n", "nothing", "a record needs a name, from n or bn"
        )
    measure = _measure(pack.measures, resolved, local, unit)
    if measure is None:
        return _unknown(pack.measures, resolved, unit, n)
    field = f"[{n}] {resolved}"
    if "v" not in record:
        return _switched(measure, record["vb"], field, _stamp(pack, base, record))
    value = finite_number(record["v"], field)
    if isinstance(value, Rejection):
        return value
    return make_reading(
        measure, base.value + value, measure.unit if unit is None else unit, _stamp(pack, base, record), field
    )


def _measure(
    measures: tuple[MeasurePlan, ...], resolved: str, local: str, unit: str | None
) -> MeasurePlan | None:
    """The measure of that name; of several, the one that the unit fits."""
    named = [measure for measure in measures if _is_named(measure, resolved, local)]
    fitting = [measure for measure in named if unit is None or unit in measure.conversions]
    return next(iter(fitting or named), None)


def _unknown(measures: tuple[MeasurePlan, ...], resolved: str, unit: str | None, n: int) -> Rejection | None:
    if unit is not None and unit not in ALL_UNITS:
        return None
    expected = ", ".join(measure.record_name or measure.name for measure in measures)
    return reject(RejectionReason.UNKNOWN_QUANTITY, f"[{n}].n", resolved, f"the settings expect {expected}")


def _is_named(measure: MeasurePlan, resolved: str, local: str) -> bool:
    if measure.record_name is not None:
        return measure.record_name in (resolved, local)
    match = _LAST_PART.search(resolved)
    return match is not None and match.group() == measure.name


def _switched(measure: MeasurePlan, given: Any, field: str, when: Stamp) -> Reading | Rejection:
    """A boolean value, which only a contact reports."""
    if measure.quantity in CONTACTS and isinstance(given, bool):
        return make_reading(measure, float(given), "/", when, field)
    return reject(RejectionReason.NOT_A_NUMBER, field, given, "send a number as v")


def _stamp(pack: _Pack, base: _Base, record: dict[str, Any]) -> Stamp:
    """Absolute times are the device's clock; small ones count from the arrival (0 is now)."""
    own = finite_number(record.get("t", 0.0), "t")
    if isinstance(own, Rejection):
        return stamp(None, pack.arrived_s, pack.rules)
    resolved_s = base.time_s + own
    if resolved_s >= RELATIVE_BELOW_S:
        return stamp(resolved_s, pack.arrived_s, pack.rules)
    ago = -resolved_s
    if 0.0 < ago <= pack.rules.max_age_s:
        return Stamp(whole_ms(pack.arrived_s - ago), pack.arrived_s)
    return Stamp(pack.arrived_s, pack.arrived_s)
