"""Folders and files that only the service's own user may read, whatever the umask says."""

import os
import stat
from pathlib import Path

_FOLDER, _FILE, _GROUPS = 0o700, 0o600, 0o640


def private_folder(folder: Path) -> None:
    """Make it where it is missing, and close it to all others; one that is everybody's stays as it is."""
    folder.mkdir(mode=_FOLDER, parents=True, exist_ok=True)
    there = folder.stat()
    everybodys = there.st_mode & stat.S_ISVTX or there.st_uid != os.geteuid()
    if not everybodys and stat.S_IMODE(there.st_mode) != _FOLDER:
        folder.chmod(_FOLDER)


def private_file(file: Path) -> None:
    """Make an empty one where it is missing, and close it to all others."""
    handle = os.open(file, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, _FILE)
    try:
        there = os.fstat(handle)
        if there.st_uid == os.geteuid() and stat.S_IMODE(there.st_mode) != _FILE:
            os.fchmod(handle, _FILE)
    finally:
        os.close(handle)


def write_private(file: Path, content: bytes, group: int | None = None) -> None:
    """Write a file that is there whole and durable, or not at all; nobody else can read it at any moment.

    A `group` may read it besides: the other program that it is for.
    """
    part = file.with_name(f"{file.name}.part")
    part.unlink(missing_ok=True)
    with open(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, _FILE), "wb") as stream:
        if group is not None:
            os.fchown(stream.fileno(), -1, group)
        os.fchmod(stream.fileno(), _FILE if group is None else _GROUPS)
        stream.write(content)
        stream.flush()
        os.fsync(stream.fileno())
    part.replace(file)
    folder = os.open(file.parent, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
