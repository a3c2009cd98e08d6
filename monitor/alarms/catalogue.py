"""Parses the catalogue of condition kinds into frozen values, and names every fault in it."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from monitor.model.errors import Fault, InputError


class Direction(StrEnum):
    """On which side of the limit the trouble lies."""

    ABOVE = "above"
    BELOW = "below"


class Priority(StrEnum):
    """How soon somebody must act; ordered by `RANK`."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


class Shows(StrEnum):
    """How a value and its limit are written."""

    PERCENT = "percent"
    ODDS = "odds"
    TEMPERATURE = "temperature"
    DIFFERENCE = "difference"
    RATE = "rate"
    HOURS = "hours"
    MINUTES = "minutes"
    COUNT = "count"
    WARNINGS = "warnings"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Response:
    """What to do: `short` for the message (`many` where it is about several), `full` for the page.

    `sort` is what several of the things it is about are called, such as "cylinders".
    """

    short: str
    full: str
    many: str
    sort: str


@dataclass(frozen=True, slots=True)
class Family:
    """Conditions that share a cause and become one warning.

    Where `by_place`, more of the same in a place that was told of can wait, and what is less bad of the same
    thing needs no second telling.
    """

    title: str
    says: str
    says_clear: str
    response: str
    by_place: bool


@dataclass(frozen=True, slots=True)
class ConditionKind:
    """One kind of condition with its defaults and its words; texts are message ids."""

    name: str
    watches: str
    family: str
    direction: Direction
    shows: Shows
    limit: float
    dead_band: float
    rise_step: float
    on_delay_s: float
    off_delay_s: float
    unknown_after_s: float
    priority: Priority
    latching: bool
    stays_answered: bool
    max_shelf_s: float
    useful_s: float
    not_when: tuple[str, ...]
    responses: Mapping[str, str]  # by class of subject; "" for any
    title: str
    says: str
    says_by: str
    says_many: str
    says_clear: str

    def response_for(self, subject_class: str) -> str:
        """The key of the response for a class of subject (cylinder, plate, …)."""
        return self.responses.get(subject_class) or self.responses[""]


@dataclass(frozen=True, slots=True)
class Grouping:
    """How related alarms become one warning, by priority: how long to gather, when to tell of more.

    `follow_s` is the least time between two tellings, `again_s` (by family, then by priority) the longest
    that more has to wait, `place_s` how long more in a place that was told of waits. `rising_s` is the
    least time between two tellings that something answered is getting worse.
    """

    gather_s: Mapping[Priority, float]
    follow_s: Mapping[Priority, float]
    again_s: Mapping[str, Mapping[Priority, float]]
    place_s: Mapping[Priority, float]
    rising_s: float
    by_place: frozenset[str]  # families


@dataclass(frozen=True, slots=True)
class Catalogue:
    """Everything known about kinds of conditions."""

    kinds: Mapping[str, ConditionKind]
    families: Mapping[str, Family]
    responses: Mapping[str, Response]
    grouping: Grouping


class _Reader:
    """Takes values out of plain tables and collects what is wrong with them."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []

    def wrong(self, place: str, value: object, fix: str) -> None:
        self.faults.append(Fault(place, repr(value), fix))

    def number(self, table: Mapping[str, Any], place: str, name: str) -> float:
        value = table.get(name)
        if isinstance(value, Mapping):
            if {"value", "unit", "status", "source"} - set(value):
                self.wrong(f"{place}.{name}", value, "give value, unit, status and source")
            value = value.get("value")
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(f"{place}.{name}", value, "give a number")
            return 0.0
        return float(value)

    def text(self, table: Mapping[str, Any], place: str, name: str, default: str | None = None) -> str:
        value = table.get(name, default)
        if not isinstance(value, str) or (not value and default is None):
            self.wrong(f"{place}.{name}", value, "give a text")
            return ""
        return value

    def choice(
        self, table: Mapping[str, Any], place: str, name: str, choices: Mapping[str, Any] | type[StrEnum]
    ) -> str:
        value = table.get(name)
        known = list(choices) if isinstance(choices, Mapping) else [str(choice) for choice in choices]
        if value not in known:
            self.wrong(f"{place}.{name}", value, f"use one of {', '.join(known)}")
            return str(known[0]) if known else ""
        return str(value)


def catalogue_from(data: Mapping[str, Any]) -> Catalogue:
    """The catalogue in the mapping read from `conditions.toml`; InputError names every fault."""
    read = _Reader()
    responses = {
        name: _response(read, f"responses.{name}", table) for name, table in data.get("responses", {}).items()
    }
    families = {name: _family(read, name, t, responses) for name, t in data.get("families", {}).items()}
    kinds = {
        name: _kind(read, name, table, data, families, responses)
        for name, table in data.get("kinds", {}).items()
    }
    grouping = _grouping(read, data.get("grouping", {}), data.get("families", {}), families)
    if not kinds:
        read.wrong("kinds", {}, "add at least one kind of condition")
    if read.faults:
        raise InputError(read.faults)
    return Catalogue(kinds, families, responses, grouping)


def _response(read: _Reader, place: str, table: Mapping[str, Any]) -> Response:
    return Response(
        short=read.text(table, place, "short"),
        full=read.text(table, place, "full"),
        many=read.text(table, place, "many", ""),
        sort=read.text(table, place, "sort", ""),
    )


def _family(read: _Reader, name: str, table: Mapping[str, Any], responses: Mapping[str, Response]) -> Family:
    place = f"families.{name}"
    return Family(
        title=read.text(table, place, "title"),
        says=read.text(table, place, "says"),
        says_clear=read.text(table, place, "says_clear"),
        response=read.choice(table, place, "response", responses),
        by_place=bool(table.get("by_place", False)),
    )


def _kind(
    read: _Reader,
    name: str,
    table: Mapping[str, Any],
    data: Mapping[str, Any],
    families: Mapping[str, Family],
    responses: Mapping[str, Response],
) -> ConditionKind:
    place = f"kinds.{name}"
    return ConditionKind(
        name=name,
        watches=read.text(table, place, "watches"),
        family=read.choice(table, place, "family", families),
        direction=Direction(read.choice(table, place, "direction", Direction)),
        shows=Shows(read.choice(table, place, "shows", Shows)),
        limit=read.number(table, place, "limit"),
        dead_band=read.number(table, place, "dead_band"),
        rise_step=read.number(table, place, "rise_step"),
        on_delay_s=read.number(table, place, "on_delay_s"),
        off_delay_s=read.number(table, place, "off_delay_s"),
        unknown_after_s=read.number(table, place, "unknown_after_s"),
        priority=_priority(read, place, table, data.get("priority", {})),
        latching=bool(table.get("latching", False)),
        stays_answered=bool(table.get("stays_answered", False)),
        max_shelf_s=read.number(table, place, "max_shelf_s"),
        useful_s=read.number(table, place, "useful_s"),
        not_when=tuple(table.get("not_when", ())),
        responses=_responses(read, place, table.get("response"), responses),
        title=read.text(table, place, "title"),
        says=read.text(table, place, "says"),
        says_by=read.text(table, place, "says_by", ""),
        says_many=read.text(table, place, "says_many", ""),
        says_clear=read.text(table, place, "says_clear"),
    )


def _responses(read: _Reader, place: str, value: object, known: Mapping[str, Response]) -> Mapping[str, str]:
    keys = {"": value} if isinstance(value, str) else value
    if not isinstance(keys, Mapping) or not keys:
        read.wrong(f"{place}.response", value, "an alarm without a response is none; name one")
        return {}
    for key in keys.values():
        if key not in known:
            read.wrong(f"{place}.response", key, f"use one of {', '.join(known)}")
    return {str(kind): str(key) for kind, key in keys.items()}


def _priority(read: _Reader, place: str, table: Mapping[str, Any], grid: Mapping[str, Any]) -> Priority:
    rows = {name: row for name, row in grid.items() if isinstance(row, Mapping)}
    row = rows.get(read.choice(table, place, "consequence", rows), {})
    value = row.get(read.choice(table, place, "time_to_respond", row))
    if value not in set(Priority):
        read.wrong(f"{place}: priority", value, f"use one of {', '.join(Priority)}")
        return Priority.HIGH
    return Priority(value)


def _grouping(
    read: _Reader,
    table: Mapping[str, Any],
    tables: Mapping[str, Mapping[str, Any]],
    families: Mapping[str, Family],
) -> Grouping:
    waits, follow, again, place = (
        table.get(name, {}) for name in ("gather_s", "follow_s", "again_s", "place_s")
    )
    return Grouping(
        gather_s={p: read.number(waits, "grouping.gather_s", p) for p in Priority},
        follow_s={p: read.number(follow, "grouping.follow_s", p) for p in Priority},
        again_s={
            name: {
                p: read.number({**again, **tables[name].get("again_s", {})}, f"families.{name}.again_s", p)
                for p in Priority
            }
            for name in families
        },
        place_s={p: read.number(place, "grouping.place_s", p) for p in Priority},
        rising_s=read.number(table, "grouping", "rising_s"),
        by_place=frozenset(name for name, family in families.items() if family.by_place),
    )
