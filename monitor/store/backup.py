"""Copies the stores while the service runs, checks copies, and puts them back."""

import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Protocol

from monitor.model.errors import Fault, InputError
from monitor.store.contract import Ledger, SeriesStore, StoreUnavailableError, Verification, Witness
from monitor.store.ledger.sql_ledger import open_ledger
from monitor.store.months.month_copies import check_months, copy_months, drop_copies, put_back_months
from monitor.store.private import private_file, private_folder
from monitor.store.series.sqlite_series import MONTHS_FOLDER
from monitor.store.sqlite_file import check_file, explain

MANIFEST = "manifest.json"
LEDGER_COPY = "ledger.sqlite"
_PREFIX = "dryshift-"
_SIDE_FILES = ("", "-wal", "-shm")


@dataclass(frozen=True, slots=True)
class Manifest:
    """What a backup holds: each file's SHA-256, and the ledger's last event as a witness."""

    made_at: str
    files: dict[str, str]
    ledger_number: int
    ledger_hash: str
    months: dict[str, str] = field(default_factory=dict)  # archived ones, in the folder beside


class Copied(Protocol):
    """Whatever else is kept in a file of its own and belongs into a backup."""

    def backup(self, folder: Path) -> Path | None:
        """A checked copy below a folder; None where the ledger's copy holds it."""


def back_up(
    series: SeriesStore,
    ledger: Ledger,
    target: Path,
    now_s: float,
    *,
    beside: Iterable[Copied] = (),
    keep: int = 14,
) -> Path:
    """A new dated folder below `target`; beyond `keep` folders the oldest go.

    The ledger is copied first: its checkpoint then never runs ahead of the readings beside it.
    """
    stamp = datetime.fromtimestamp(now_s, UTC)
    folder = target / f"{_PREFIX}{stamp:%Y%m%dT%H%M%SZ}"
    part = folder.with_name(folder.name + ".part")
    try:
        shutil.rmtree(part, ignore_errors=True)
        private_folder(part)
        head = ledger.head()
        months = copy_months(series, target)
        copied = [ledger.backup(part), series.backup(part), *(one.backup(part) for one in beside)]
        files = [file for file in copied if file is not None]
        for file in files:
            private_file(file)
        manifest = Manifest(
            made_at=stamp.isoformat(),
            files={file.name: _digest(file) for file in files},
            ledger_number=head.number,
            ledger_hash=head.hash,
            months=months | copy_months(series, target),  # what was archived meanwhile lies in either
        )
        (part / MANIFEST).write_text(json.dumps(asdict(manifest), indent=2) + "\n", encoding="utf-8")
        shutil.rmtree(folder, ignore_errors=True)
        os.replace(part, folder)
        for old in backups(target)[:-keep]:
            shutil.rmtree(old)
        drop_copies(target, [name for one in backups(target) for name in _manifest(one).months])
    except OSError as error:
        raise explain(error, folder) from error
    return folder


def backups(target: Path) -> list[Path]:
    """The dated folders below `target`, oldest first."""
    found = target.glob(f"{_PREFIX}*Z") if target.is_dir() else ()
    return sorted(folder for folder in found if (folder / MANIFEST).is_file())


def check_backup(folder: Path) -> Manifest:
    """Raise unless every file is there, unchanged and whole, and the ledger's chain holds to its end."""
    manifest = _manifest(folder)
    for name, digest in manifest.files.items():
        file = folder / name
        if not file.is_file():
            raise StoreUnavailableError(f"{file}: is missing from the backup; use another backup")
        if _digest(file) != digest:
            raise StoreUnavailableError(f"{file}: was changed since the backup; use another backup")
        if file.suffix == ".sqlite":
            check_file(file)
    check_months(manifest.months, folder.parent)
    if (folder / LEDGER_COPY).is_file():
        _check_chain(folder / LEDGER_COPY, Witness(manifest.ledger_number, manifest.ledger_hash))
    return manifest


def _manifest(folder: Path) -> Manifest:
    try:
        return Manifest(**json.loads((folder / MANIFEST).read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        fix = f"name a folder that a backup made ({error})"
        raise InputError([Fault("backup", str(folder), fix)]) from error


def verify_against(ledger: Ledger, folder: Path) -> Verification:
    """Walk the ledger's chain beside the one in a checked backup, event by event.

    A backup by pg_dump is not read: it witnesses with the one event that its manifest names.
    """
    manifest = check_backup(folder)
    if not (folder / LEDGER_COPY).is_file():
        return ledger.verify([Witness(manifest.ledger_number, manifest.ledger_hash)])
    with _opened_copy(folder / LEDGER_COPY) as before:
        return ledger.verify(before.links())


@contextmanager
def _opened_copy(file: Path) -> Iterator[Ledger]:
    """A ledger file, read from a copy of it: opening may bring its tables up to date."""
    with tempfile.TemporaryDirectory(prefix="dryshift-check-") as scratch:
        copy = Path(scratch) / file.name
        shutil.copyfile(file, copy)
        ledger = open_ledger(f"sqlite:///{copy}")
        try:
            yield ledger
        finally:
            ledger.close()


def _check_chain(file: Path, witness: Witness) -> None:
    with _opened_copy(file) as ledger:
        found = ledger.verify([witness])
    if found.broken_at is not None:
        raise StoreUnavailableError(f"{file}: the chain of events is broken: {found.reason}")


def restore(folder: Path, data_dir: Path, now_s: float, archive: Path | None = None) -> list[Path]:
    """Put the files of a checked backup into `data_dir`, with the service stopped.

    Archived months that lack go into `archive` (None: below `data_dir`). What lies there now is kept beside
    them under a dated name. Returns the files put back.
    """
    manifest = check_backup(folder)
    stamp = f"{datetime.fromtimestamp(now_s, UTC):%Y%m%dT%H%M%SZ}"
    back: list[Path] = []
    try:
        private_folder(data_dir)
        for name in _restorable(manifest.files):
            target = data_dir / name
            arriving = data_dir / f"{name}.arriving"
            private_file(arriving)
            shutil.copyfile(folder / name, arriving)
            for side in _SIDE_FILES:
                old = data_dir / f"{name}{side}"
                if old.exists():
                    old.rename(data_dir / f"before-{stamp}-{name}{side}")
            os.replace(arriving, target)
            back.append(target)
        months = data_dir / MONTHS_FOLDER if archive is None else archive
        back += put_back_months(manifest.months, folder.parent, months, stamp)
    except OSError as error:
        raise explain(error, data_dir) from error
    return back


def _restorable(names: Iterable[str]) -> list[str]:
    return [name for name in names if name.endswith(".sqlite")]  # PostgreSQL's go back by pg_restore


def _digest(file: Path) -> str:
    with file.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
