"""Keeps the place a move between stores has come to, in the file it moves into."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from monitor.store.series.catalog import read_number, write_number
from monitor.store.series.series_schema import DAY_MS
from monitor.store.series.sqlite_series import SqliteSeriesStore

_UNDER_WAY, _DONE = 1, 2


class Progress(NamedTuple):
    """How far a move has come, in readings and points."""

    done: int
    total: int


@dataclass(frozen=True, slots=True)
class MoveReport:
    """What was moved; every day's count and SHA-256 are the same on both sides."""

    readings: int = 0
    points: int = 0
    refused: int = 0  # put aside with the server's reason
    resumed: bool = False


Tell = Callable[[Progress], None]


class Book:
    """Days up to `day_ms` are done; `fresh` says that the target was empty when the move began."""

    def __init__(self, target: SqliteSeriesStore, total: int, tell: Tell, *, fresh: bool) -> None:
        self._target = target
        self._total = total
        self._tell = tell
        with target.writing() as db:
            self.resumed = read_number(db, "move_state") == _UNDER_WAY
            if not self.resumed:
                for name in ("day_ms", "readings", "points", "refused"):
                    write_number(db, f"move_{name}", 0)
                write_number(db, "move_fresh", int(fresh))
                write_number(db, "move_state", _UNDER_WAY)
            self.fresh = bool(read_number(db, "move_fresh"))
            self.day_ms = read_number(db, "move_day_ms")
            self.readings = read_number(db, "move_readings")
            self.points = read_number(db, "move_points")
            self.refused = read_number(db, "move_refused")
        self.tell()

    def tell(self) -> None:
        """Report how far it is."""
        done = self.readings + self.points
        self._tell(Progress(done, max(done, self._total)))

    def finish_day(self, day_ms: int) -> None:
        """Note that everything of this day has arrived and was checked."""
        self.day_ms = day_ms + DAY_MS
        with self._target.writing() as db:
            write_number(db, "move_day_ms", self.day_ms)
            write_number(db, "move_readings", self.readings)
            write_number(db, "move_points", self.points)
            write_number(db, "move_refused", self.refused)
        self.tell()

    def end(self) -> MoveReport:
        """Note that the move is over."""
        with self._target.writing() as db:
            write_number(db, "move_state", _DONE)
        return MoveReport(self.readings, self.points, self.refused, self.resumed)
