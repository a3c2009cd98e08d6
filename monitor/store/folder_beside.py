"""Accounts, phones and keys of a shop as files of its data folder, closed to all others."""

from collections.abc import Callable
from pathlib import Path

from monitor.store.kept_beside import Schema
from monitor.store.private import private_file, write_private
from monitor.store.sqlite_file import SqliteFile


class BesideInFolder:
    """Implements Beside."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def tables(self, name: str, schema: Schema) -> SqliteFile:
        """An SQLite file."""
        return SqliteFile(self._folder / name, schema)

    def key(self, name: str, make: Callable[[], bytes]) -> bytes:
        """A file that nobody else reads."""
        file = self._folder / name
        if not file.exists():
            write_private(file, make())
        private_file(file)
        return file.read_bytes()

    def place(self, name: str) -> str:
        """The file."""
        return str(self._folder / name)
