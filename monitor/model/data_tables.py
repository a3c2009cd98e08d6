"""Reads trade data that arrives as plain mappings: every number with its provenance, every fault at once."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, TypeVar

from monitor.model.errors import Fault, InputError

Choice = TypeVar("Choice", bound=StrEnum)


class Status(StrEnum):
    """How a trade number is known."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    FROM_MEMORY = "from memory"


@dataclass(frozen=True, slots=True)
class Sourced:
    """A trade number with its unit and where it comes from."""

    value: float
    unit: str
    status: Status
    source: str
    edition: str = ""
    second_hand: bool = False

    def cite(self) -> str:
        """The provenance in one line, for a record or a page."""
        edition = f", edition {self.edition}" if self.edition else ""
        seen = ", seen second-hand" if self.second_hand else ""
        return f"{self.source}{edition} ({self.status}{seen})"


@dataclass(frozen=True, slots=True)
class Statement:
    """A rule or a caution in words, with its provenance."""

    text: str
    status: Status
    source: str
    edition: str = ""


class Table:
    """One table of a data file while it is being read; collects faults instead of stopping at the first.

    Every getter returns a usable stand-in after a fault, so that reading goes on; `finish` raises.
    """

    def __init__(self, data: object, where: str, faults: list[Fault] | None = None) -> None:
        self.where = where
        self.faults: list[Fault] = [] if faults is None else faults
        self._data: Mapping[str, Any] = {}
        if isinstance(data, Mapping):
            self._data = data
        else:
            self.faults.append(Fault(where, _shown(data), "write a table here"))
        self._read: set[str] = set()

    def has(self, name: str) -> bool:
        """Whether the entry is there."""
        return name in self._data

    def fault(self, name: str, fix: str) -> None:
        """Note that the entry is wrong."""
        self.faults.append(Fault(self._place(name), _shown(self._data.get(name)), fix))

    def text(self, name: str, default: str | None = None) -> str:
        """A line of text; required when there is no default."""
        value = self._get(name, default is None)
        if value is None:
            return default or ""
        if not isinstance(value, str) or not value.strip():
            self.fault(name, "write a line of text")
            return default or ""
        return value

    def flag(self, name: str, default: bool) -> bool:
        """True or false."""
        value = self._get(name, required=False)
        if value is None:
            return default
        if not isinstance(value, bool):
            self.fault(name, "write true or false")
            return default
        return value

    def number(self, name: str, low: float, high: float, default: float | None = None) -> float:
        """A number from low to high, both allowed; required when there is no default."""
        value = self._get(name, default is None)
        stand_in = low if default is None else default
        if value is None:
            return stand_in
        if not _is_number(value):
            self.fault(name, f"write a number from {low:g} to {high:g}")
            return stand_in
        if not low <= value <= high:
            self.fault(name, f"write a number from {low:g} to {high:g}")
            return stand_in
        return float(value)

    def choice(self, name: str, kind: type[Choice], default: Choice | None = None) -> Choice:
        """One of a fixed list of words."""
        value = self._get(name, default is None)
        first = default if default is not None else next(iter(kind))
        if value is None:
            return first
        try:
            return kind(value)
        except ValueError:
            self.fault(name, f"use one of: {', '.join(kind)}")
            return first

    def texts(self, name: str) -> tuple[str, ...]:
        """A list of lines; empty when absent."""
        value = self._get(name, required=False)
        if value is None:
            return ()
        if not isinstance(value, list | tuple) or not all(isinstance(line, str) for line in value):
            self.fault(name, "write a list of texts")
            return ()
        return tuple(value)

    def numbers(self, name: str, low: float, high: float) -> tuple[float, ...]:
        """A list of at least one number, each from low to high."""
        value = self._get(name, required=True)
        if value is None:
            return ()
        good = isinstance(value, list | tuple) and len(value) > 0
        if not good or not all(_is_number(item) and low <= item <= high for item in value):
            self.fault(name, f"write a list of numbers from {low:g} to {high:g}")
            return ()
        return tuple(float(item) for item in value)

    def sourced(self, name: str, unit: str, low: float, high: float) -> Sourced:
        """A number with unit and provenance; required."""
        found = self.optional_sourced(name, unit, low, high)
        if found is None:
            if name not in self._data:
                self.fault(name, f'write {{ value = …, unit = "{unit}", status = …, source = … }}')
            return Sourced(low, unit, Status.FROM_MEMORY, "unread")
        return found

    def optional_sourced(self, name: str, unit: str, low: float, high: float) -> Sourced | None:
        """The same, or None when absent."""
        if self._get(name, required=False) is None:
            return None
        row = self.sub(name)
        before = len(self.faults)
        value = row.number("value", low, high)
        if row.text("unit") != unit and len(self.faults) == before:
            row.fault("unit", f'this number is read in "{unit}"; convert it and write that unit')
        status = row.choice("status", Status)
        source = row.text("source")
        edition = row.text("edition", "")
        second_hand = row.flag("second_hand", False)
        row.no_more()
        return Sourced(value, unit, status, source, edition, second_hand)

    def sub(self, name: str) -> "Table":
        """A table inside this one; a fault when it is missing."""
        value = self._get(name, required=True)
        return Table({} if value is None else value, self._place(name), self.faults)

    def rows(self, name: str) -> Iterator["Table"]:
        """The tables of a list, in order; the list must hold at least one."""
        value = self._get(name, required=True)
        if value is None:
            return
        if not isinstance(value, Sequence) or isinstance(value, str) or not value:
            self.fault(name, f"write at least one [[{name}]] table")
            return
        for index, row in enumerate(value):
            label = row.get("id", index + 1) if isinstance(row, Mapping) else index + 1
            yield Table(row, f"{self._place(name)}[{label}]", self.faults)

    def tables(self, name: str) -> Iterator[tuple[str, "Table"]]:
        """The named tables below this one, as (name, table)."""
        below = self.sub(name)
        for key in below._data:
            yield key, below.sub(key)

    def no_more(self) -> None:
        """Note every entry nobody asked for: a misspelt name must not pass unseen."""
        for name in self._data:
            if name not in self._read:
                self.fault(name, "is not known here; remove it or correct the name")

    def finish(self) -> None:
        """Raise InputError with every fault found, if any."""
        self.no_more()
        if self.faults:
            raise InputError(self.faults)

    def _place(self, name: str) -> str:
        return f"{self.where}.{name}" if self.where else name

    def _get(self, name: str, required: bool) -> Any:
        self._read.add(name)
        value = self._data.get(name)
        if value is None and required:
            self.faults.append(Fault(self._place(name), "nothing", "is required; write it"))
        return value


def _is_number(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and value == value


def _shown(value: object) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "…"
