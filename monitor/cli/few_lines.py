"""Writes the log to standard error: so many lines of a kind in a minute, with the journal's levels."""

import logging
import os
from dataclasses import dataclass

MINUTE_S = 60.0
MOST_OF_A_KIND = 20
MOST_KINDS = 200
STREAM = "JOURNAL_STREAM"
STDERR = 2
# Python's levels as syslog's (RFC 5424, 6.2.1), the highest first.
PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
DEBUG_PRIORITY = 7


@dataclass
class _Lines:
    minute: int
    written: int = 0
    left_out: int = 0


class FewLines(logging.Filter):
    """For a handler: of what one place of the code says it lets so many lines a minute through."""

    def __init__(self) -> None:
        super().__init__()
        self._kinds: dict[tuple[str, str, int], _Lines] = {}

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether to write it; the first line of a later minute says how many were left out before."""
        minute = int(record.created // MINUTE_S)
        place = (record.name, record.pathname, record.lineno)
        kind = self._kinds.setdefault(place, _Lines(minute))
        while len(self._kinds) > MOST_KINDS:
            del self._kinds[next(iter(self._kinds))]
        if kind.minute != minute:
            if kind.left_out:
                record.msg = f"{record.getMessage()} (and {kind.left_out} more like it were left out)"
                record.args = None
            kind.minute, kind.written, kind.left_out = minute, 0, 0
        kind.written += 1
        if kind.written > MOST_OF_A_KIND:
            kind.left_out += 1
            return False
        return True


class JournalLines(logging.Formatter):
    """Each line with its priority in front, as sd-daemon(3) says, so that the journal knows a warning."""

    def format(self, record: logging.LogRecord) -> str:
        """Every line of a record: the journal takes each for itself."""
        priority = next((number for level, number in PRIORITIES if record.levelno >= level), DEBUG_PRIORITY)
        return "\n".join(f"<{priority}>{line}" for line in super().format(record).splitlines())


def log_to_stderr(level: int) -> None:
    """Write to standard error from a level on, few lines; where that is the journal, with its priorities."""
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s")
    for handler in logging.getLogger().handlers:
        handler.addFilter(FewLines())
        if is_journal(os.environ.get(STREAM, "")):
            handler.setFormatter(JournalLines("%(name)s: %(message)s"))


def is_journal(stream: str) -> bool:
    """Whether standard error is the journal's, whose device and inode `stream` names (systemd.exec(5))."""
    found = os.fstat(STDERR)
    return stream == f"{found.st_dev}:{found.st_ino}"
