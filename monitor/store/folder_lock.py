"""Holds a data folder while the service runs on it, so that nobody else writes there meanwhile."""

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from monitor.model.errors import Fault, InputError
from monitor.store.private import private_folder

MARK = "in-use"


@contextmanager
def hold(data_dir: Path) -> Iterator[None]:
    """Hold the folder; InputError where a running service does. The hold ends with its process."""
    private_folder(data_dir)
    handle = os.open(data_dir / MARK, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError as error:
            fix = "is in use by a running service; stop that first"
            raise InputError([Fault("service.data_dir", str(data_dir), fix)]) from error
        yield
    finally:
        os.close(handle)


def is_held(data_dir: Path) -> bool:
    """Whether a running service holds the folder; also where this user may not look. Makes nothing."""
    try:
        handle = os.open(data_dir / MARK, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    finally:
        os.close(handle)
    return False
