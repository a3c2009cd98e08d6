"""What lets people in, in the schema of the ledger that it stands beside; moved there from a folder once.

The writer is always one: a lock of the database stands where a file has its own. Where the ledger is held,
nothing is written by a service that does not hold it any more.
"""

import logging
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine

from monitor.model.errors import Fault, InputError
from monitor.store.contract import StoreUnavailableError
from monitor.store.kept_beside import Schema
from monitor.store.ledger.engine import reading, writing
from monitor.store.sqlite_file import SqliteFile, explain

BESIDE_LOCK = 0x44525904
KEY_TABLE = "beside_key"
_OWN = f"""
CREATE TABLE IF NOT EXISTS {KEY_TABLE} (name text PRIMARY KEY, content bytea NOT NULL);
CREATE TABLE IF NOT EXISTS beside_layout (name text PRIMARY KEY, steps integer NOT NULL)"""
_WORDS = ((") STRICT, WITHOUT ROWID", ")"), (" REAL", " double precision"), (" BLOB", " bytea"))
_TABLES = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
log = logging.getLogger(__name__)


class _Asked:
    """A transaction that is asked as SQLite is."""

    def __init__(self, db: Connection) -> None:
        self._db = db

    def execute(self, query: str, values: Sequence[Any] = (), /) -> Any:
        return self._db.exec_driver_sql(query.replace("%", "%%").replace("?", "%s"), tuple(values))


class SchemaTables:
    """Some of the tables; the engine is the ledger's."""

    def __init__(self, engine: Engine, keep: Callable[[], None]) -> None:
        self._engine = engine
        self._keep = keep

    @contextmanager
    def write(self) -> Iterator[_Asked]:
        """One transaction, while no other writer of any process is inside."""
        self._keep()
        with writing(self._engine, BESIDE_LOCK) as db:
            yield _Asked(db)

    @contextmanager
    def read(self) -> Iterator[_Asked]:
        """One unchanging view."""
        with reading(self._engine) as db:
            yield _Asked(db)

    def backup(self, _target: Path) -> None:
        """The ledger's own copy of its schema holds what a backup may hold."""

    def close(self) -> None:
        """The ledger closes its engine itself."""


class BesideInSchema:
    """Implements Beside; `keep` raises where this service should hold the ledger and does not any more."""

    def __init__(self, engine: Engine, keep: Callable[[], None] = lambda: None) -> None:
        self._engine = engine
        self._keep = keep
        with writing(engine, BESIDE_LOCK) as db:
            for statement in _OWN.split(";\n"):
                db.exec_driver_sql(statement)

    def tables(self, name: str, schema: Schema) -> SchemaTables:
        """These tables, brought up to date; StoreUnavailableError where a newer version made them."""
        with writing(self._engine, BESIDE_LOCK) as db:
            asked = _Asked(db)
            row = asked.execute("SELECT steps FROM beside_layout WHERE name = ?", (name,)).fetchone()
            taken = 0 if row is None else int(row[0])
            if taken > len(schema.steps):
                raise StoreUnavailableError(
                    f"{self.place(name)}: was written by a newer version (layout {taken}, this one knows "
                    f"{len(schema.steps)}); install that version again"
                )
            for step in schema.steps[taken:]:
                for statement in step.split(";\n\n"):
                    asked.execute(_for_postgresql(statement))
            asked.execute(
                "INSERT INTO beside_layout VALUES (?, ?) "
                "ON CONFLICT (name) DO UPDATE SET steps = excluded.steps",
                (name, len(schema.steps)),
            )
        return SchemaTables(self._engine, self._keep)

    def key(self, name: str, make: Callable[[], bytes]) -> bytes:
        """A row that is made once, whoever makes it first."""
        with writing(self._engine, BESIDE_LOCK) as db:
            found = _kept_key(db, name)
            if found is None:
                found = make()
                _keep_key(db, name, found)
        return found

    def place(self, name: str) -> str:
        """The database, without a password."""
        return f"{name} in {self._engine.url.render_as_string(hide_password=True)}"

    def take_over(self, folder: Path, name: str, schema: Schema, telling: str, key: str) -> None:
        """Move tables and their key here from a data folder that still has them, once, all or nothing.

        `telling` is the table that says whether anybody is kept. Where this schema has somebody, what lies in
        a folder is from before and counts for nothing. What was written is read back before it counts; the
        folder's files are then kept under another name.
        """
        self._keep()
        self.tables(name, schema)
        file, key_file = folder / name, folder / key
        rows = _rows_of(file, schema)
        with writing(self._engine, BESIDE_LOCK) as db:
            known = _count(db, telling)
            here = _kept_key(db, key)
            if key_file.exists() and (here is None or (rows.get(telling) and not known)):
                _keep_key(db, key, key_file.read_bytes())
            if known and rows.get(telling) and rows[telling] != _read(db, telling):
                log.warning("%s: is not used, for %s has its own; remove it", file, self.place(name))
                return
            if rows.get(telling) and not known:
                _copied(db, rows, file)
        if rows.get(telling):
            log.warning("%s: moved to %s, whole and checked", file, self.place(name))
        for one in (file, key_file):
            try:
                if one.exists():
                    one.rename(one.with_name(f"moved-{one.name}"))
            except OSError as error:
                raise explain(error, one) from error

    def check_taken(self, folder: Path, name: str, schema: Schema, telling: str) -> None:
        """InputError where a folder's people wait to be moved here, which the service does when it starts."""
        self.tables(name, schema)
        waiting = _rows_of(folder / name, schema).get(telling)
        with reading(self._engine) as db:
            known = _count(db, telling)
        if waiting and not known:
            fix = "has not been moved beside the ledger yet; start the service on this machine once"
            raise InputError([Fault("service.data_dir", str(folder / name), fix)])


def _for_postgresql(statement: str) -> str:
    for ours, theirs in _WORDS:
        statement = statement.replace(ours, theirs)
    return statement


def _kept_key(db: Connection, name: str) -> bytes | None:
    row = _Asked(db).execute(f"SELECT content FROM {KEY_TABLE} WHERE name = ?", (name,)).fetchone()
    return None if row is None else bytes(row[0])


def _keep_key(db: Connection, name: str, content: bytes) -> None:
    _Asked(db).execute(
        f"INSERT INTO {KEY_TABLE} VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET content = excluded.content",
        (name, content),
    )


def _count(db: Connection, table: str) -> int:
    return int(db.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one())


def _rows_of(file: Path, schema: Schema) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of a file by table, its layout brought up to date first; nothing where there is no file."""
    if not file.exists():
        return {}
    opened = SqliteFile(file, schema)
    try:
        with opened.read() as db:
            names = [row[0] for row in db.execute(_TABLES)]
            return {name: sorted(map(tuple, db.execute(f"SELECT * FROM {name}")), key=repr) for name in names}
    finally:
        opened.close()


def _read(db: Connection, table: str) -> list[tuple[Any, ...]]:
    return sorted((tuple(row) for row in db.exec_driver_sql(f"SELECT * FROM {table}")), key=repr)


def _copied(db: Connection, rows: dict[str, list[tuple[Any, ...]]], file: Path) -> None:
    for table, kept in rows.items():
        db.exec_driver_sql(f"DELETE FROM {table}")
        for row in kept:
            _Asked(db).execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
        if _read(db, table) != kept:
            raise StoreUnavailableError(f"{file}: {table} reads otherwise in the database; nothing was moved")
