"""Where a shop keeps what lets people in and reaches their phones: beside its record, and never in it.

With a ledger in a file these are files of the data folder. With a ledger on PostgreSQL they lie in its schema
(`store/ledger/schema_beside.py`), so that they are wherever the shop is judged.
"""

from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol


@dataclass(frozen=True, slots=True)
class Schema:
    """The tables of a file as numbered steps; steps are only ever added at the end."""

    application_id: int
    steps: Sequence[str]


class Rows(Protocol):
    """What a transaction is asked; `?` stands for a value, and the answer is a cursor's."""

    def execute(self, query: str, values: Sequence[Any] = ..., /) -> Any:
        """One statement that both databases know."""


class Tables(Protocol):
    """A few tables that belong together."""

    def write(self) -> AbstractContextManager[Rows]:
        """One transaction of the only writer; all of it is durable when the block ends, or none of it."""

    def read(self) -> AbstractContextManager[Rows]:
        """One unchanging view."""

    def backup(self, target: Path) -> Path | None:
        """A checked copy; None where the ledger's own backup holds them."""

    def close(self) -> None:
        """Let go."""


class Beside(Protocol):
    """The tables and keys of one shop."""

    def tables(self, name: str, schema: Schema) -> Tables:
        """These tables, brought up to date; `name` is that of their file."""

    def key(self, name: str, make: Callable[[], bytes]) -> bytes:
        """A key that is made once and stays."""

    def place(self, name: str) -> str:
        """For people: where that lies."""
