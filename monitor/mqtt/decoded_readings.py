"""Turns a measured number into a reading, or says why it cannot be one."""

import math
from typing import NamedTuple

from monitor.model.reading import Reading
from monitor.mqtt.device_times import TimeRules, whole_ms
from monitor.mqtt.rejection import Rejection, RejectionReason, reject
from monitor.mqtt.sensor_topics import MeasurePlan
from monitor.mqtt.units import units_of


class Stamp(NamedTuple):
    """When a message's numbers were measured, and how that is known."""

    time_s: float
    arrived_s: float
    sequence: int | None = None
    from_device: bool = False


def stamp(device_s: float | None, arrived_s: float, rules: TimeRules, sequence: int | None = None) -> Stamp:
    """The device's time where it is sound, else the arrival's."""
    if device_s is not None and rules.is_sound(device_s, arrived_s):
        return Stamp(whole_ms(device_s), arrived_s, sequence, True)
    return Stamp(arrived_s, arrived_s, sequence, False)


def finite_number(given: object, field: str) -> float | Rejection:
    """A JSON value as a finite number."""
    if isinstance(given, bool) or not isinstance(given, int | float):
        return reject(RejectionReason.NOT_A_NUMBER, field, given, "send a number, without quotes")
    try:
        number = float(given)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        fix = "is not a finite number; leave the quantity out while the sensor has no value"
        return reject(RejectionReason.NOT_FINITE, field, str(number), fix)
    return number


def make_reading(plan: MeasurePlan, value: float, unit: str, when: Stamp, field: str) -> Reading | Rejection:
    """A finite number in a unit, as a reading in inside units with gain and offset applied."""
    conversion = plan.conversions.get(unit)
    if conversion is None:
        fix = f"is not a unit of {plan.name}; send one of {units_of(plan.quantity)}"
        return reject(RejectionReason.WRONG_UNIT, f"{field} unit", unit, fix)
    raw = (value - conversion.zero) / conversion.per_inside
    low, high = plan.bounds
    if not low <= raw <= high:
        least, most = conversion.from_inside(low), conversion.from_inside(high)
        fix = f"no sensor measures that; it must lie between {least:g} and {most:g} {unit}"
        return reject(RejectionReason.IMPOSSIBLE_VALUE, field, f"{value:g} {unit}", fix)
    inside = plan.gain * raw + plan.offset
    return Reading(plan.key, when.time_s, when.arrived_s, inside, when.sequence, when.from_device)


def sorted_out(results: list[Reading | Rejection]) -> tuple[list[Reading], tuple[Rejection, ...]]:
    """Readings and rejections, each in order."""
    readings = [result for result in results if isinstance(result, Reading)]
    return readings, tuple(result for result in results if isinstance(result, Rejection))
