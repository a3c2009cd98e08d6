"""The process in which a service moves a month into its file: `python -m monitor.store.months.archive_apart`.

So the library's memory goes with it, and a folder that gives no answer holds up nobody but this process.
"""

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from monitor.model.errors import DryshiftError
from monitor.store.contract import StoreUnavailableError
from monitor.store.months.archiving import MonthBusyError, archive_month
from monitor.store.series.sqlite_series import SqliteSeriesStore
from monitor.wire.apart import ApartError, answer_apart, ask_apart

WITHIN_S = 3_600.0


def archive_apart(store: SqliteSeriesStore, month: str, about: Mapping[str, object]) -> str:
    """Move a month out of a store in a process of its own; says what came of it, or why it waits.

    StoreUnavailableError where it could not be; all of it is read as before then.
    """
    folder = str(store.shelf.folder.absolute())
    asked = {"store": str(store.file.path), "folder": folder, "month": month, "about": dict(about)}
    try:
        said = ask_apart("monitor.store.months.archive_apart", asked, WITHIN_S)
    except ApartError as error:
        raise StoreUnavailableError(f"{month}: {error}") from error
    if "failed" in said:
        raise StoreUnavailableError(said["failed"])
    return str(said["busy"] if "busy" in said else f"{said['moved']} numbers lie in files now")


def archive(asked: dict[str, Any]) -> dict[str, Any]:
    """Move one month; says how many numbers lie in files now, or why it waits or could not be."""
    os.environ.setdefault("ARROW_DEFAULT_MEMORY_POOL", "system")  # the others set aside more than is allowed
    try:
        store = SqliteSeriesStore(Path(asked["store"]), archive=Path(asked["folder"]))
        try:
            return {"moved": archive_month(store, asked["month"], asked["about"])}
        finally:
            store.close()
    except MonthBusyError as error:
        return {"busy": str(error)}
    except DryshiftError as error:
        return {"failed": str(error)}


if __name__ == "__main__":
    answer_apart(archive)
