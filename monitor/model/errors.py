"""The errors Dryshift raises on purpose; each names the field, the value and the fix."""

from collections.abc import Sequence
from dataclasses import dataclass


class DryshiftError(Exception):
    """Root of every error raised on purpose; anything else that escapes is a defect."""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with an input: where it is, what was found there, and what would be right."""

    field: str
    value: str
    fix: str

    def __str__(self) -> str:
        return f"{self.field}: found {self.value}; {self.fix}"


class InputError(DryshiftError):
    """An input that cannot be used; carries every fault found, not only the first."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        self.faults = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class RangeError(DryshiftError, ValueError):
    """A number outside the range in which a method is valid."""

    def __init__(self, name: str, value: object, valid: str) -> None:
        self.name = name
        self.value = value
        self.valid = valid
        super().__init__(f"{name}: found {value}; valid is {valid}")
