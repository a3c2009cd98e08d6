"""Copies months' files into the folder of backups, once each, and puts them back where they lack."""

import logging
import os
import shutil
from collections.abc import Iterable, Mapping
from functools import partial
from pathlib import Path

from monitor.store.contract import SeriesStore, StoreUnavailableError
from monitor.store.months.shelf import SLOWEST_BYTES_S, TOTAL_S, digest_of
from monitor.store.private import private_file, private_folder
from monitor.store.sqlite_file import to_disk
from monitor.wire.ration import Ration, in_time

log = logging.getLogger(__name__)

FOLDER = "months"  # beside the dated folders, which share it: a month's file never changes
_OF_HASH = 16


def copy_months(series: SeriesStore, backups: Path) -> dict[str, str]:
    """Copy what is not there yet; by name in the folder each copy's SHA-256.

    A file that cannot be read now is left out, and the log says so: the rest of a backup does not wait.
    """
    found: dict[str, str] = {}
    for file, why in series.archived().items():
        copy = backups / FOLDER / f"{file.sha256[:_OF_HASH]}-{file.path.name}"
        if not (copy.is_file() and copy.stat().st_size == file.size_bytes):
            private_folder(copy.parent)
            try:
                if why:
                    raise StoreUnavailableError(why)  # noqa: TRY301  # one way out for all that is left out
                with Ration(TOTAL_S + file.size_bytes / SLOWEST_BYTES_S, 0):
                    in_time(partial(_copy, file.path, copy, file.sha256), "copy of a month")
            except (OSError, StoreUnavailableError) as error:
                log.warning("a month is not in the backup: %s: %s", file.path, error)
                continue
        found[copy.name] = file.sha256
    return found


def check_months(months: Mapping[str, str], backups: Path) -> None:
    """Raise unless every one of these copies is there and unchanged."""
    for name, digest in months.items():
        file = backups / FOLDER / name
        if not file.is_file():
            raise StoreUnavailableError(
                f"{file}: is missing from the backup; it lies beside the dated folder"
            )
        if digest_of(file) != digest:
            raise StoreUnavailableError(f"{file}: was changed since the backup; use another backup")


def put_back_months(months: Mapping[str, str], backups: Path, archive: Path, stamp: str) -> list[Path]:
    """Put checked copies where the archive lacks them or has another one, which is kept."""
    back = []
    for name, digest in months.items():
        target = archive / name.partition("-")[2]
        if target.is_file() and digest_of(target) == digest:
            continue
        private_folder(archive)
        if target.exists():
            target.rename(archive / f"before-{stamp}-{target.name}")
        _copy(backups / FOLDER / name, target, digest)
        back.append(target)
    return back


def drop_copies(backups: Path, used: Iterable[str]) -> None:
    """Delete copies that no backup names any more."""
    kept = set(used)
    for file in (backups / FOLDER).glob("*"):
        if file.name not in kept:
            file.unlink()


def _copy(source: Path, target: Path, digest: str) -> None:
    part = target.with_name(f"{target.name}.part")
    part.unlink(missing_ok=True)
    private_file(part)
    shutil.copyfile(source, part)
    if digest_of(part) != digest:
        part.unlink()
        raise StoreUnavailableError(f"{source}: is not the file that was written; put it back")
    to_disk(part)
    os.replace(part, target)
    to_disk(target.parent)
