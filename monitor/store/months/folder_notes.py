"""Lays beside months' files what a stranger needs: how to read them, and their SHA-256 for `sha256sum -c`."""

import textwrap
from collections.abc import Iterable
from pathlib import Path

from monitor.store.contract import MonthFile
from monitor.store.months.month_file import HOW_TO_READ
from monitor.store.private import write_private

SUMS = "SHA256SUMS"
READ_ME = "READ-ME.txt"
_WIDTH = 100


def note_folder(folder: Path, files: Iterable[MonthFile]) -> None:
    """Write both anew; each is there whole or as it was."""
    sums = "".join(f"{one.sha256}  {one.path.name}\n" for one in files)
    write_private(folder / SUMS, sums.encode())
    paragraphs = (
        "Closed months of a Dryshift series store: readings of sensors, and what was derived of them.",
        HOW_TO_READ,
        f"`sha256sum -c {SUMS}` says whether a file is the one that was written.",
    )
    text = "\n\n".join(textwrap.fill(one, _WIDTH) for one in paragraphs)
    write_private(folder / READ_ME, f"{text}\n".encode())
