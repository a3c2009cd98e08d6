"""Opens one SQLite file so that a commit is durable, readers never wait, and every failure is named.

A file that is taken away or replaced while it is open is noticed at the next use, and what lies there then is
opened: what is written into a file without a name would be lost with the process.
"""

import logging
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import Empty, LifoQueue
from threading import RLock

from monitor.store.contract import StoreUnavailableError
from monitor.store.kept_beside import Schema
from monitor.store.private import private_file

# Measured: a thousand series are written 3 % slower than with four times as much, pages are no slower at all.
WRITER_CACHE_KIB, READER_CACHE_KIB = 4_096, 1_024
IDLE_READERS = 4  # kept open; each keeps its cache
CHECKPOINT_PAGES = 4_000
JOURNAL_LIMIT_BYTES = 64 * 1024 * 1024

log = logging.getLogger(__name__)

_FULL = "the disk is full; free some space and the work goes on by itself"
_WORDS = {
    "SQLITE_FULL": _FULL,
    "SQLITE_READONLY": "the file or its folder is read-only; give the service's user the right to write",
    "SQLITE_BUSY": "another program holds the file locked; stop it or wait until it is done",
    "SQLITE_LOCKED": "another program holds the file locked; stop it or wait until it is done",
    "SQLITE_CORRUPT": "the file is damaged; restore the last backup",
    "SQLITE_NOTADB": "the file is not a database or is damaged; restore the last backup",
    "SQLITE_CANTOPEN": "the file cannot be opened; check that its folder exists and may be written",
    "SQLITE_PERM": "the service's user has no right to the file; correct its owner or mode",
    "SQLITE_IOERR": "the disk reports an error; check the disk and its free space",
}


def explain(error: Exception, path: Path) -> StoreUnavailableError:
    """The failure in words, with the file and what to do."""
    name = str(getattr(error, "sqlite_errorname", "") or "")
    if isinstance(error, OSError):
        text = f"{error.strerror or error}; check the folder, its owner and its free space"
    else:
        kind = next((known for known in _WORDS if name == known or name.startswith(known + "_")), "")
        text = _WORDS.get(kind, f"{error}")
    detail = f" ({name})" if name else ""
    return StoreUnavailableError(f"{path}: {text}{detail}")


class SqliteFile:
    """One writer under a lock, and as many readers as threads ask for at the same moment."""

    def __init__(self, path: Path, schema: Schema, busy_timeout_s: float = 5.0) -> None:
        self.path = path
        self.opened = 0  # how often; another number means that another file may lie there
        self._schema = schema
        self._busy_timeout_s = busy_timeout_s
        self._lock = RLock()
        self._idle: LifoQueue[sqlite3.Connection] = LifoQueue()
        self._journal = path.with_name(path.name + "-wal")
        self._open()

    def _open(self) -> None:
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            private_file(self.path)
            self._writer = self._connect(f"cache_size = -{WRITER_CACHE_KIB}")
        except (OSError, sqlite3.Error) as error:
            raise explain(error, self.path) from error
        try:
            self._prepare(self._schema)
        except sqlite3.Error as error:
            self._writer.close()
            raise explain(error, self.path) from error
        except StoreUnavailableError:
            self._writer.close()
            raise
        self._lies = (_number_of(self.path), _number_of(self._journal))
        self.opened += 1

    def _follow(self) -> None:
        """Open anew where the file was taken away or replaced."""
        lies = (_number_of(self.path), _number_of(self._journal))
        if lies[0] == self._lies[0]:
            self._lies = lies
            return
        with self._lock:
            if _number_of(self.path) == self._lies[0] or self._is_writing():
                return
            log.error("%s: was taken away or replaced while it was open; what lies there is used", self.path)
            self._close_all()
            if lies[1] is not None and lies[1] == self._lies[1]:
                self._journal.unlink(missing_ok=True)  # it belongs to the file that is gone
            self._open()

    def _is_writing(self) -> bool:
        try:
            return self._writer.in_transaction
        except sqlite3.ProgrammingError:  # closed: the last opening failed
            return False

    def _connect(self, *pragmas: str) -> sqlite3.Connection:
        """A connection with these settings, closed where one fails (as on a file that is no database)."""
        link = sqlite3.connect(
            self.path, timeout=self._busy_timeout_s, isolation_level=None, check_same_thread=False
        )
        try:
            for pragma in pragmas:
                link.execute(f"PRAGMA {pragma}")
        except sqlite3.Error:
            link.close()
            raise
        return link

    def _prepare(self, schema: Schema) -> None:
        db = self._writer
        for pragma in (
            "journal_mode = WAL",
            "synchronous = FULL",
            f"wal_autocheckpoint = {CHECKPOINT_PAGES}",
            f"journal_size_limit = {JOURNAL_LIMIT_BYTES}",
        ):
            db.execute(f"PRAGMA {pragma}")
        found_id = db.execute("PRAGMA application_id").fetchone()[0]
        version = db.execute("PRAGMA user_version").fetchone()[0]
        if found_id not in (0, schema.application_id):
            raise StoreUnavailableError(f"{self.path}: belongs to another program; name another file")
        if version > len(schema.steps):
            raise StoreUnavailableError(
                f"{self.path}: was written by a newer version (layout {version}, this one knows "
                f"{len(schema.steps)}); install that version again"
            )
        for number in range(version, len(schema.steps)):
            self._step(schema, number)

    def _step(self, schema: Schema, number: int) -> None:
        db = self._writer
        db.execute("BEGIN IMMEDIATE")
        try:
            if db.execute("PRAGMA user_version").fetchone()[0] == number:
                for statement in schema.steps[number].split(";\n\n"):
                    db.execute(statement)
                db.execute(f"PRAGMA application_id = {schema.application_id}")
                db.execute(f"PRAGMA user_version = {number + 1}")
            db.execute("COMMIT")
        except sqlite3.Error:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """One transaction; all of it is on the disk when the block ends, or none of it."""
        with self._lock:
            self._follow()
            db = self._writer
            try:
                db.execute("BEGIN IMMEDIATE")
                try:
                    yield db
                    db.execute("COMMIT")
                finally:
                    if db.in_transaction:
                        db.execute("ROLLBACK")
            except sqlite3.Error as error:
                raise explain(error, self.path) from error

    @contextmanager
    def read(self) -> Iterator[sqlite3.Connection]:
        """One unchanging view of the file."""
        self._follow()
        opened = self.opened
        try:
            db = self._reader()
            try:
                db.execute("BEGIN")
                yield db
            finally:
                if db.in_transaction:
                    db.execute("ROLLBACK")
                if opened == self.opened and self._idle.qsize() < IDLE_READERS:
                    self._idle.put(db)
                else:
                    db.close()
        except sqlite3.Error as error:
            raise explain(error, self.path) from error

    def _reader(self) -> sqlite3.Connection:
        try:
            return self._idle.get_nowait()
        except Empty:
            return self._connect(f"cache_size = -{READER_CACHE_KIB}", "query_only = 1")

    def backup(self, target: Path) -> Path:
        """A checked copy of the file as of now, made while the service runs; replaces `target` whole."""
        with self.read() as db:
            return copy_whole(db, target)

    def close(self) -> None:
        """Let go of every connection; the last one folds the journal into the file."""
        with self._lock:
            self._close_all()

    def _close_all(self) -> None:
        while True:
            try:
                self._idle.get_nowait().close()
            except Empty:
                break
        self._writer.close()


def _number_of(path: Path) -> tuple[int, int] | None:
    """Which file lies there; None where none does."""
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise explain(error, path) from error
    return found.st_dev, found.st_ino


def copy_whole(source: sqlite3.Connection, target: Path) -> Path:
    """A checked copy of everything `source` sees; `target` is replaced only once the copy is whole."""
    part = target.with_name(target.name + ".part")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        part.unlink(missing_ok=True)
        copy = sqlite3.connect(part, isolation_level=None)
        try:
            source.execute("SELECT count(*) FROM sqlite_master").fetchone()  # fixes the view
            source.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            check_whole(copy, part)
        finally:
            copy.close()
        to_disk(part)
        os.replace(part, target)
        to_disk(target.parent)
    except (OSError, sqlite3.Error) as error:
        raise explain(error, target) from error
    return target


def check_whole(db: sqlite3.Connection, path: Path) -> None:
    """Raise where the file's own structure is damaged."""
    found = db.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise StoreUnavailableError(f"{path}: the file is damaged ({found}); restore the last backup")


def check_file(path: Path) -> None:
    """Raise where `path` is not a whole SQLite file."""
    if not path.is_file():
        raise StoreUnavailableError(f"{path}: no such file; name an existing backup")
    try:
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        try:
            check_whole(db, path)
        finally:
            db.close()
    except sqlite3.Error as error:
        raise explain(error, path) from error


def to_disk(path: Path) -> None:
    number = os.open(path, os.O_RDONLY)
    try:
        os.fsync(number)
    finally:
        os.close(number)
