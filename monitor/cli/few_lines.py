"""Keeps the log small whatever happens: so many lines of a kind in a minute, the rest counted."""

import logging
from dataclasses import dataclass

MINUTE_S = 60.0
MOST_OF_A_KIND = 20
MOST_KINDS = 200


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


def log_to_stderr(level: int) -> None:
    """Write to standard error from a level on, few lines."""
    logging.basicConfig(level=level, format="%(levelname)s %(name)s: %(message)s")
    for handler in logging.getLogger().handlers:
        handler.addFilter(FewLines())
