"""What a check of a humidity sensor over saturated salts shows: error, drift, what to set, when next."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from enum import StrEnum
from math import hypot
from typing import Any

import msgspec

from monitor.history.records import corrected
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind
from monitor.physics.calibration import (
    CheckPoint,
    Correction,
    Drift,
    Salt,
    correction_from_checks,
    drift_between,
    next_check_s,
    salt_humidity_frac,
    salt_std_frac,
)

DAY_S = 86_400.0
SURE = 1.96  # two-sided, 95 %
_WIDEST_FRAC = 0.5  # of what next_check_s takes as tolerance


class CheckOutcome(StrEnum):
    """What a check says of its sensor."""

    GOOD = "good"
    OFF = "off"
    BEYOND_USE = "beyond use"
    NOT_TOLD = "not told"  # further off than stated, but not by more than the check itself may be


@dataclass(frozen=True, slots=True)
class CheckRules:
    """How a check is weighed; `shared/salts.toml` says where each number comes from."""

    difference_std_k: float  # between slurry and sensor
    reading_std_frac: float
    replace_from_frac: float
    replace_gain: float
    drift_least_days: float
    shown_s: float  # of readings, whose mean is taken
    still_frac: float  # halves of them that differ by more say that the reading still moves
    old_s: float  # what was filled in longer ago is taken again


@dataclass(frozen=True, slots=True)
class Instrument:
    """What settings and data sheet say of the sensor's humidity."""

    gain: float
    offset: float
    calibration_days: float
    accuracy_frac: float
    accuracy_outer_frac: float  # outside inner_from…inner_to
    inner_from_frac: float
    inner_to_frac: float

    def accuracy_at(self, humidity_frac: float) -> float:
        """The stated accuracy, ±, at a humidity."""
        inner = self.inner_from_frac <= humidity_frac <= self.inner_to_frac
        return self.accuracy_frac if inner else self.accuracy_outer_frac


@dataclass(frozen=True, slots=True)
class SaltReading:
    """What was read over one salt."""

    salt: str
    temperature_c: float
    indicated_frac: float
    time_s: float
    scatter_frac: float = 0.0  # standard deviation of the readings that were taken together


@dataclass(frozen=True, slots=True)
class SaltPoint:
    """One reading beside what the salt gives; `table_std_frac` is the part that every check shares."""

    salt: str
    temperature_c: float
    indicated_frac: float
    scatter_frac: float
    time_s: float
    reference_frac: float
    std_frac: float
    table_std_frac: float
    accuracy_frac: float

    @property
    def error_frac(self) -> float:
        """How much too high the sensor reads."""
        return self.indicated_frac - self.reference_frac

    @property
    def significant(self) -> bool:
        """Whether the error differs from none at the 95 % level."""
        return abs(self.error_frac) > SURE * self.std_frac

    def as_check(self) -> CheckPoint:
        """The same for the arithmetic."""
        return CheckPoint(self.time_s, self.indicated_frac, self.reference_frac, self.std_frac)


@dataclass(frozen=True, slots=True)
class YearDrift:
    """How the error changed since an earlier check over the same salt."""

    salt: str
    since_s: float
    rate_per_year_frac: float
    rate_per_year_std_frac: float
    significant: bool


@dataclass(frozen=True, slots=True)
class SensorCheck:
    """One check with everything needed to work it out again; gain and offset are those that were in force."""

    points: tuple[SaltPoint, ...]
    gain: float
    offset: float
    correction: Correction
    significant: bool
    outcome: CheckOutcome
    calibration_due_s: float
    drift_due_s: float | None = None
    drift: YearDrift | None = None
    set_gain: float | None = None  # what the settings file should say, where the sensor is off
    set_offset: float | None = None

    @property
    def due_s(self) -> float:
        """When the next check is due."""
        due_s = self.calibration_due_s
        return due_s if self.drift_due_s is None else min(due_s, self.drift_due_s)

    @property
    def counts(self) -> bool:
        """Whether it stands for a calibration."""
        return self.outcome is not CheckOutcome.NOT_TOLD


@dataclass(frozen=True, slots=True)
class DatedCheck:
    """A check that stands, and its place in the ledger."""

    number: int
    time_s: float
    check: SensorCheck


def check_rules(data: Mapping[str, Any]) -> CheckRules:
    """The rules in the mapping of `salts.toml`; InputError names every fault."""
    rows, faults, found = data.get("check", {}), [], {}
    for field in fields(CheckRules):
        row = rows.get(field.name, {})
        value = row.get("value") if isinstance(row, Mapping) else None
        if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0:
            faults.append(Fault(f"check.{field.name}.value", repr(value), "give a number above zero"))
        else:
            found[field.name] = float(value)
    if faults:
        raise InputError(faults)
    return CheckRules(**found)


def _celsius(temperature_c: float) -> str:
    return f"{temperature_c:.1f} °C"


def reading_faults(
    readings: Sequence[SaltReading], salts: Mapping[str, Salt], say: Callable[[float], str] = _celsius
) -> list[Fault]:
    """What cannot be of these readings; `say` writes a temperature in the shop's unit."""
    faults = []
    for one in readings:
        salt = salts.get(one.salt)
        if salt is None:
            fix = f"use one of: {', '.join(salts)}"
            faults.append(Fault("salt", one.salt or "nothing", fix))
        elif not salt.temperature_c[0] <= one.temperature_c <= salt.temperature_c[-1]:
            span = f"{say(salt.temperature_c[0])} to {say(salt.temperature_c[-1])}"
            fix = f"{say(one.temperature_c)} is outside this salt's table; check within {span}"
            faults.append(Fault("temperature", say(one.temperature_c), fix))
        if not 0.0 <= one.indicated_frac <= 1.0:
            found = f"{100.0 * one.indicated_frac:.1f} %RH"
            fix = f"{found} cannot be; enter what it showed, from 0 to 100 %RH"
            faults.append(Fault("reading", found, fix))
    if len({one.salt for one in readings}) < len(readings):
        faults.append(Fault("salt", readings[0].salt, "was given twice; choose another as the second"))
    if not readings:
        faults.append(Fault("salt", "nothing", "check the sensor over at least one salt"))
    return faults


def checked(
    readings: Sequence[SaltReading],
    salts: Mapping[str, Salt],
    rules: CheckRules,
    instrument: Instrument,
    before: SensorCheck | None = None,
) -> SensorCheck:
    """What readings over one or two salts show; `before` is the last check that stands of this sensor.

    A sensor is within its stated accuracy by simple acceptance (JCGM 106:2012, 8.2): the uncertainty of the
    check is told beside, and not taken off the accuracy. InputError where the readings cannot be.
    """
    faults = reading_faults(readings, salts)
    if faults:
        raise InputError(faults)
    points = tuple(_point(one, salts[one.salt], rules, instrument) for one in readings)
    correction = correction_from_checks([point.as_check() for point in points])
    outcome = _outcome(points, correction, rules)
    last_s = max(point.time_s for point in points)
    check = SensorCheck(
        points=points,
        gain=instrument.gain,
        offset=instrument.offset,
        correction=correction,
        significant=any(point.significant for point in points),
        outcome=outcome,
        calibration_due_s=last_s + instrument.calibration_days * DAY_S,
    )
    if outcome is CheckOutcome.BEYOND_USE:
        return replace(check, calibration_due_s=last_s)
    if outcome is CheckOutcome.OFF:
        check = _with_setting(check)
    return _with_drift(check, before, rules)


def _point(one: SaltReading, salt: Salt, rules: CheckRules, instrument: Instrument) -> SaltPoint:
    reference = float(salt_humidity_frac(one.temperature_c, salt))
    salt_std = float(salt_std_frac(one.temperature_c, salt, rules.difference_std_k))
    return SaltPoint(
        salt=one.salt,
        temperature_c=one.temperature_c,
        indicated_frac=one.indicated_frac,
        scatter_frac=one.scatter_frac,
        time_s=one.time_s,
        reference_frac=reference,
        std_frac=hypot(salt_std, rules.reading_std_frac, one.scatter_frac),
        table_std_frac=float(salt_std_frac(one.temperature_c, salt, 0.0)),
        accuracy_frac=instrument.accuracy_at(reference),
    )


def _outcome(points: Sequence[SaltPoint], correction: Correction, rules: CheckRules) -> CheckOutcome:
    outside = [point for point in points if abs(point.error_frac) > point.accuracy_frac]
    if not outside:
        return CheckOutcome.GOOD
    if not any(point.significant for point in outside):
        return CheckOutcome.NOT_TOLD
    far = any(abs(point.error_frac) >= rules.replace_from_frac for point in outside)
    steep = abs(_gain_error(correction)) >= rules.replace_gain
    return CheckOutcome.BEYOND_USE if far or steep else CheckOutcome.OFF


def _gain_error(correction: Correction) -> float:
    """The part of the correction that grows with humidity, where the check can tell it from none."""
    told = abs(correction.gain_error) > SURE * correction.gain_std
    return correction.gain_error if told else 0.0


def _with_setting(check: SensorCheck) -> SensorCheck:
    """Gain and offset that hold the correction: what is set already is kept in them."""
    correction, slope = check.correction, _gain_error(check.correction)
    offset = check.offset * (1.0 + slope) + correction.shift_frac - slope * correction.centre_frac
    return replace(check, set_gain=check.gain * (1.0 + slope), set_offset=offset)


def _with_drift(check: SensorCheck, before: SensorCheck | None, rules: CheckRules) -> SensorCheck:
    """With the drift since the check before, told over the salt that tells it best."""
    if before is None or before.outcome is CheckOutcome.BEYOND_USE:  # another sensor hangs there since
        return check
    found: list[tuple[Drift, SaltPoint, YearDrift]] = []
    for now in check.points:
        for then in before.points:
            if then.salt == now.salt and now.time_s - then.time_s >= rules.drift_least_days * DAY_S:
                shared = min(then.table_std_frac, now.table_std_frac)
                drift = drift_between(_as_set_now(then, before, check), now.as_check(), shared)
                rate, std = drift.rate_per_year_frac, drift.rate_per_year_std_frac
                found.append((drift, now, YearDrift(now.salt, then.time_s, rate, std, drift.significant)))
    if not found:
        return check
    drift, point, year = min(found, key=lambda one: one[0].rate_per_year_std_frac)
    return replace(check, drift=year, drift_due_s=_drift_due_s(check, point, drift))


def _as_set_now(then: SaltPoint, before: SensorCheck, now: SensorCheck) -> CheckPoint:
    """The earlier reading as it would be with the gain and offset in force now."""
    raw = (then.indicated_frac - before.offset) / before.gain
    return replace(then.as_check(), indicated_frac=now.gain * raw + now.offset)


def _drift_due_s(check: SensorCheck, point: SaltPoint, drift: Drift) -> float | None:
    """When the drift may have used the stated accuracy up; None where no drift can be told."""
    if not drift.significant:
        return None
    last = point.as_check()
    if check.outcome is CheckOutcome.OFF:  # its setting puts it right
        last = replace(last, indicated_frac=last.reference_frac)
    return next_check_s(last, drift, min(point.accuracy_frac + SURE * point.std_frac, _WIDEST_FRAC))


def body_of_check(check: SensorCheck) -> dict[str, object]:
    """The event body of a check: plain JSON values, and what it says in words."""
    plain: dict[str, object] = msgspec.json.decode(msgspec.json.encode(check))
    return {**plain, "due_s": check.due_s, "words": words_of(check)}


def check_of(body: Mapping[str, object]) -> SensorCheck:
    """The check in an event body; InputError where it cannot be read."""
    try:
        return msgspec.convert(dict(body), SensorCheck)
    except msgspec.ValidationError as error:
        raise InputError([Fault("check", str(error), "enter the check again")]) from error


def standing_checks(events: Iterable[Event]) -> list[DatedCheck]:
    """The checks of one sensor that were not taken back, in order of time; unreadable ones are left out."""
    found = []
    for event in corrected(events):
        if event.kind is EventKind.SENSOR_CHECK:
            try:
                found.append(DatedCheck(event.number, event.time_s, check_of(event.body)))
            except InputError:
                continue
    return found


def calibration_due_s(
    checks: Sequence[DatedCheck], calibrated_s: float | None, calibration_days: float
) -> float | None:
    """When the next calibration is due: by the last check that counts, or by a later one of the settings."""
    last = next((one for one in reversed(checks) if one.check.counts), None)
    if last is None or (calibrated_s is not None and calibrated_s > last.time_s):
        return None if calibrated_s is None else calibrated_s + calibration_days * DAY_S
    return last.check.due_s


def words_of(check: SensorCheck) -> str:
    """One line, such as "good: reads 0.4 %RH high at 75 %RH, within its ±2.0 %RH"."""
    reads = "reads " + " and ".join(_error_words(point) for point in check.points)
    worst = max(check.points, key=lambda point: abs(point.error_frac) / point.accuracy_frac)
    stated, sure = _percent(worst.accuracy_frac), _percent(SURE * worst.std_frac)
    match check.outcome:
        case CheckOutcome.GOOD:
            return f"good: {reads}, within its ±{stated} %RH"
        case CheckOutcome.OFF:
            return f"off: {reads}, more than its ±{stated} %RH (this check is sure to ±{sure} %RH)"
        case CheckOutcome.BEYOND_USE:
            return f"beyond use: {reads}; replace it"
    return (
        f"cannot be told: {reads}, but this check is only sure to ±{sure} %RH; check again in a steadier box"
    )


def _error_words(point: SaltPoint) -> str:
    way = "high" if point.error_frac >= 0.0 else "low"
    return f"{_percent(abs(point.error_frac))} %RH {way} at {100.0 * point.reference_frac:.0f} %RH"


def _percent(fraction: float) -> str:
    return f"{100.0 * fraction:.1f}"
