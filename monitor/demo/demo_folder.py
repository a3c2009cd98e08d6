"""The demo's own temporary folder: gone when the demo ends, or when the next one starts after a kill."""

import os
import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from monitor.model.errors import Fault, InputError
from monitor.store.folder_lock import MARK, hold

PREFIX = "dryshift-demo-"
NEEDED_MB = 200  # what a demo of a week writes, with room to spare


@contextmanager
def demo_folder() -> Iterator[Path]:
    """An empty folder held by this demo; InputError where the temporary folder cannot take it."""
    try:
        place = Path(tempfile.gettempdir())
        _sweep(place)
        free_mb = shutil.disk_usage(place).free // 2**20
    except OSError as error:
        fix = "make it or its space free, or name another folder in TMPDIR"
        raise InputError([Fault("temporary folder", str(error), fix)]) from error
    if free_mb < NEEDED_MB:
        fix = f"the demo needs {NEEDED_MB} MB: free some, or name another folder in TMPDIR"
        raise InputError([Fault("temporary folder", f"{free_mb} MB free in {place}", fix)])
    with _held(place) as folder:
        try:
            yield folder
        finally:
            shutil.rmtree(folder)


@contextmanager
def _held(place: Path) -> Iterator[Path]:
    """A new folder; it has the name that others sweep only once it is held."""
    new = Path(tempfile.mkdtemp(prefix="dryshift-new-", dir=place))
    with hold(new):
        folder = place / new.name.replace("dryshift-new-", PREFIX)
        new.rename(folder)
        yield folder


def _sweep(place: Path) -> None:
    """Take away what demos of this user left that were killed; the hold of a running one keeps its own."""
    for mark in place.glob(f"{PREFIX}*/{MARK}"):
        # A demo runs there (InputError), or another one that starts now takes it away too (OSError).
        with suppress(InputError, OSError):
            if mark.stat().st_uid == os.geteuid():
                with hold(mark.parent):
                    shutil.rmtree(mark.parent)
