"""What is measured of the alarms themselves, and the figures they are measured against."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

from monitor.alarms.catalogue import Priority
from monitor.alarms.states import AlarmState, Trigger
from monitor.model.data_tables import Sourced, Status
from monitor.model.errors import Fault, InputError
from monitor.model.shift_span import ShiftSpan

FIGURES = (
    "per_shift",
    "per_day",
    "too_many_per_day",
    "per_10_min",
    "flood",
    "flood_share",
    "stale",
    "stale_count",
    "chattering",
    "top_ten_share",
    "split_low",
    "split_medium",
    "split_high",
    "fleeting",
    "offender_times",
    "offender_share",
    "offender_of",
)


class Move(NamedTuple):
    """The part of a transition that is measured; the ledger's alarm events hold the same fields."""

    time_s: float
    condition_id: str
    kind: str
    zone: str
    priority: Priority
    from_state: AlarmState
    to_state: AlarmState
    trigger: Trigger
    who: str


class Flood(NamedTuple):
    """A stretch in which more came than anybody can take in."""

    start_s: float
    end_s: float
    times: int


class Offender(NamedTuple):
    """A condition and how much it has to answer for."""

    condition_id: str
    times: int
    share: float
    standing_median_s: float | None


class Stale(NamedTuple):
    """An alarm that has stood for too long."""

    condition_id: str
    since_s: float
    standing_s: float


class Answerer(NamedTuple):
    """One person's answers."""

    who: str
    times: int
    median_s: float


class PerformanceCheck(NamedTuple):
    """One measure against its figure."""

    name: str
    measured: float
    figure: Sourced
    met: bool


@dataclass(frozen=True, slots=True)
class Performance:
    """The alarms of a stretch of time, measured."""

    start_s: float
    end_s: float
    count: int
    per_day: float
    per_shift: tuple[tuple[ShiftSpan, int], ...]
    worst_10_min: int
    floods: tuple[Flood, ...]
    flood_share: float
    stale: tuple[Stale, ...]
    chattering: tuple[tuple[str, int], ...]
    most_frequent: tuple[Offender, ...]
    by_priority: dict[Priority, int]
    answerers: tuple[Answerer, ...]
    unanswered: int
    checks: tuple[PerformanceCheck, ...]
    suggestion: str


def figures_from(data: Mapping[str, Any]) -> dict[str, Sourced]:
    """The figures in the mapping read from `alarm_performance.toml`."""
    rows = data.get("figures", {})
    faults = [
        Fault(f"figures.{name}", "nothing", "is needed; add it") for name in FIGURES if name not in rows
    ]
    for name, row in rows.items():
        if not isinstance(row, Mapping) or {"value", "unit", "status", "source"} - set(row):
            faults.append(Fault(f"figures.{name}", repr(row), "give value, unit, status and source"))
        elif row["status"] not in set(Status):
            fix = f"use one of {', '.join(Status)}"
            faults.append(Fault(f"figures.{name}.status", repr(row["status"]), fix))
    if faults:
        raise InputError(faults)
    return {
        name: Sourced(float(row["value"]), row["unit"], Status(row["status"]), row["source"])
        for name, row in rows.items()
    }


def move_from(body: Mapping[str, Any]) -> Move:
    """What is measured of a ledger event's body."""
    return Move(
        time_s=float(body["time_s"]),
        condition_id=str(body["condition_id"]),
        kind=str(body["kind"]),
        zone=str(body["zone"]),
        priority=Priority(body["priority"]),
        from_state=AlarmState(body["from_state"]),
        to_state=AlarmState(body["to_state"]),
        trigger=Trigger(body["trigger"]),
        who=str(body["who"]),
    )
