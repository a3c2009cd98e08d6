"""What is expected of a sensor's readings, from its settings and the shop-wide defaults."""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime, time
from math import inf
from typing import Any

from monitor.model.device import Measure, Sensor
from monitor.model.errors import Fault, InputError
from monitor.model.reading import Quantity

DAY_S = 86_400.0
STEADY_PLACES = frozenset({"oven", "quiver", "cabinet"})  # kinds of zone where nothing need ever move
_LIMIT_NAMES = frozenset(
    {
        "minimum",
        "maximum",
        "maximum_steady",
        "max_rate_per_min",
        "accuracy",
        "accuracy_outer",
        "inner_from",
        "inner_to",
        "move_step",
        "low_warning",
        "driest",
        "hottest",
        "judged_to_c",
    }
)
_NEEDED_LIMITS = ("minimum", "maximum", "accuracy", "move_step")


@dataclass(frozen=True, slots=True)
class ChannelRules:
    """What is expected of one quantity of one sensor; inside units."""

    quantity: Quantity
    minimum: float
    maximum: float
    max_rate_per_s: float  # inf: no limit
    accuracy: float  # half width, maker's figure
    accuracy_outer: float  # the same outside inner_from…inner_to
    inner_from: float
    inner_to: float
    move_step: float  # a change this big is movement, not noise
    low_warning: float | None
    driest: float = -inf  # drier air is in no shop, outside a cabinet
    hottest: float = inf  # nor hotter air, outside an oven
    judged_to_c: float = inf  # in hotter air humidity is not judged


@dataclass(frozen=True, slots=True)
class Stillness:
    """When equal values are a stuck sensor and not a steady place; waits are shares of `stuck_after_s`."""

    least_n: int  # a slow sensor's few equal values prove nothing
    weak: float  # so many times as long where the evidence is weak
    strong: float  # and where it is strong: a fine device that stands still to the last digit in both
    fine: float  # its steps are smaller than this part of what counts as movement
    coarse_step_k: float  # the grid of coarse devices
    coarse_step_frac: float
    known_s: float  # until a sensor's habits are known
    lively: float  # it never stood still for more than this part of the wait
    together_s: float  # a frozen device stops both its values about so close in time
    free_from_frac: float  # nearer to dry and to fog a humidity value may rightly stand still
    free_to_frac: float


@dataclass(frozen=True, slots=True)
class Judging:
    """How patient the judge is."""

    hold_n: int
    recover_n: int
    ahead_s: float
    noisy_per_h: float
    disagree_after_s: float
    coverage: float
    room_spread_k: float  # between sound sensors of one room
    room_spread_frac: float  # of relative humidity, between sound sensors of one room
    at_zero_s: float  # so long may a humidity sensor stand at exactly 0
    behind_s: float  # how far a stamp may lie behind its arrival before it is late
    clock_after_s: float  # how long the same lag must last to be the clock's
    at_full_s: float  # and at exactly 100 %RH
    same_lag_s: float  # lags that differ by no more are one
    leaps_n: int  # steps back of a clock that is called jumping
    stillness: Stillness


_JUDGING_NAMES = tuple(field.name for field in fields(Judging) if field.name != "stillness")
_STILLNESS_NAMES = tuple(field.name for field in fields(Stillness))
_COUNTED = frozenset({"hold_n", "recover_n", "leaps_n", "least_n"})


@dataclass(frozen=True, slots=True)
class QualityDefaults:
    """Limits for sensors whose settings say nothing else; `limits` by quantity, then by name."""

    limits: Mapping[Quantity, Mapping[str, float]]
    judging: Judging


@dataclass(frozen=True, slots=True)
class SensorRules:
    """What is expected of one sensor, and where it hangs."""

    id: str
    zone: str
    body: str | None  # whose skin it sits on
    channels: Mapping[Quantity, ChannelRules]
    stale_after_s: float
    stuck_after_s: float
    calibration_due_s: float | None
    steady_place: bool  # an oven or cabinet, where nothing moving is no sign of a fault
    judging: Judging


def defaults_from(data: Mapping[str, Any]) -> QualityDefaults:
    """The defaults in the mapping read from `quality.toml`; InputError names every fault."""
    faults: list[Fault] = []
    limits: dict[Quantity, dict[str, float]] = {}
    for name, rows in data.get("quantities", {}).items():
        if name not in set(Quantity):
            faults.append(Fault(f"quantities.{name}", repr(name), "is no quantity; correct its spelling"))
            continue
        limits[Quantity(name)] = _numbers(f"quantities.{name}", rows, _LIMIT_NAMES, faults)
        for needed in _NEEDED_LIMITS:
            if needed not in rows:
                faults.append(Fault(f"quantities.{name}.{needed}", "nothing", "is needed; add it"))
    judging = _whole_table("judging", data, _JUDGING_NAMES, faults)
    still = _whole_table("stillness", data, _STILLNESS_NAMES, faults)
    if faults:
        raise InputError(faults)
    return QualityDefaults(limits, Judging(**judging, stillness=Stillness(**still)))


def _whole_table(
    place: str, data: Mapping[str, Any], names: tuple[str, ...], faults: list[Fault]
) -> dict[str, Any]:
    """A table of which every row is needed."""
    numbers = _numbers(place, data.get(place, {}), frozenset(names), faults)
    faults += [
        Fault(f"{place}.{name}", "nothing", "is needed; add it") for name in names if name not in numbers
    ]
    return {name: int(value) if name in _COUNTED else value for name, value in numbers.items()}


def _numbers(
    place: str, rows: Mapping[str, Any], known: frozenset[str], faults: list[Fault]
) -> dict[str, float]:
    numbers: dict[str, float] = {}
    for name, row in rows.items():
        if name not in known:
            faults.append(Fault(f"{place}.{name}", repr(name), f"use one of {', '.join(sorted(known))}"))
        elif not isinstance(row, Mapping) or {"value", "unit", "status", "source"} - set(row):
            faults.append(Fault(f"{place}.{name}", repr(row), "give value, unit, status and source"))
        elif isinstance(row["value"], bool) or not isinstance(row["value"], int | float):
            faults.append(Fault(f"{place}.{name}.value", repr(row["value"]), "give a number"))
        else:
            numbers[name] = float(row["value"])
    return numbers


def calibrated_on_s(sensor: Sensor) -> float | None:
    """When the settings say that the sensor was calibrated: midnight UTC of that day.

    The next falls due at midnight UTC after `calibration_days`.
    """
    if sensor.calibrated_on is None:
        return None
    return datetime.combine(sensor.calibrated_on, time(), UTC).timestamp()


def rules_from(sensor: Sensor, defaults: QualityDefaults, *, steady_place: bool = False) -> SensorRules:
    """The rules for one sensor; its own figures win over the defaults.

    `steady_place` says that the sensor sits in an oven or cabinet.
    """
    calibrated_s = calibrated_on_s(sensor)
    due_s = None if calibrated_s is None else calibrated_s + sensor.calibration_days * DAY_S
    return SensorRules(
        id=sensor.id,
        zone=sensor.zone,
        body=sensor.body,
        channels={m.quantity: _channel(sensor.id, m, defaults, steady_place) for m in sensor.measures},
        stale_after_s=sensor.stale_after_s,
        stuck_after_s=sensor.stuck_after_s,
        calibration_due_s=due_s,
        steady_place=steady_place,
        judging=defaults.judging,
    )


def _channel(sensor: str, measure: Measure, defaults: QualityDefaults, steady_place: bool) -> ChannelRules:
    limits = defaults.limits.get(measure.quantity)
    if limits is None:
        raise InputError([Fault(f"{sensor}: quantity", measure.quantity, "has no defaults; add them")])
    maximum = limits["maximum"]
    if steady_place:
        maximum = limits.get("maximum_steady", maximum)
    minimum = limits["minimum"] if measure.min is None else measure.min
    maximum = maximum if measure.max is None else measure.max
    if minimum >= maximum:
        found = f"{minimum:g} to {maximum:g}"
        raise InputError([Fault(f"{sensor}: {measure.quantity} range", found, "min must lie below max")])
    rate = measure.max_rate_per_min
    rate = limits.get("max_rate_per_min", inf) if rate is None else rate
    accuracy = limits["accuracy"] if measure.accuracy is None else measure.accuracy
    # a maker's single figure keeps the usual widening towards both ends
    widening = limits.get("accuracy_outer", limits["accuracy"]) / limits["accuracy"]
    return ChannelRules(
        quantity=measure.quantity,
        minimum=minimum,
        maximum=maximum,
        max_rate_per_s=rate / 60.0,
        accuracy=accuracy,
        accuracy_outer=accuracy * widening,
        inner_from=limits.get("inner_from", -inf),
        inner_to=limits.get("inner_to", inf),
        move_step=max(limits["move_step"], accuracy),
        low_warning=limits.get("low_warning"),
        driest=limits.get("driest", -inf),
        hottest=inf if steady_place else limits.get("hottest", inf),
        judged_to_c=limits.get("judged_to_c", inf),
    )
