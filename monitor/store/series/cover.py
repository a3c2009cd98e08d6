"""Says which level of detail answers which stretch of time, so that rollups and readings agree exactly."""

from collections.abc import Iterator, Sequence
from typing import NamedTuple

from monitor.store.series.series_schema import DAY_MS, HOUR_MS, MINUTE_MS, QUARTER_MS

RAW_MS = 1
LEVELS_MS = (DAY_MS, HOUR_MS, QUARTER_MS, MINUTE_MS, RAW_MS)


class Piece(NamedTuple):
    """A stretch answered by one level; RAW_MS stands for the readings themselves."""

    level_ms: int
    start_ms: int
    end_ms: int


class Floors(NamedTuple):
    """Before which time each level holds nothing any more; days are kept for good."""

    raw_ms: int = 0
    minute_ms: int = 0
    hour_ms: int = 0

    def of(self, level_ms: int) -> int:
        """The floor of one level."""
        minutes = {MINUTE_MS: self.minute_ms, QUARTER_MS: self.minute_ms}  # quarters are kept as minutes are
        return {RAW_MS: self.raw_ms, **minutes, HOUR_MS: self.hour_ms}.get(level_ms, 0)

    def keep(self, level_ms: int, at_ms: int) -> bool:
        """Whether a level holds a time: minutes are summed up when what they are the sum of goes."""
        return self.of(level_ms) <= at_ms and not (level_ms == MINUTE_MS and at_ms >= self.raw_ms)


def cover(
    start_ms: int, end_ms: int, align_ms: int, stale_hours: Sequence[int], floors: Floors
) -> list[Piece]:
    """Pieces that fill [start_ms, end_ms) without overlap, coarse where that changes nothing.

    A level serves where every multiple of `align_ms` is one of its edges (0: every level does), and
    where none of its hours is stale. Where a level is no longer kept, a finer one answers, else the
    finest coarser one.
    """
    levels = [level for level in LEVELS_MS if align_ms % level == 0]
    stale = sorted(hour * HOUR_MS for hour in stale_hours)
    exact = _exact(start_ms, end_ms, levels, stale)
    return _joined(part for piece in exact for part in _kept(piece, floors))


def _exact(start_ms: int, end_ms: int, levels: Sequence[int], stale: Sequence[int]) -> Iterator[Piece]:
    if start_ms >= end_ms:
        return
    level, finer = levels[0], levels[1:]
    if level == RAW_MS:
        yield Piece(RAW_MS, start_ms, end_ms)
        return
    first, last = -(-start_ms // level) * level, end_ms // level * level
    if first >= last:
        yield from _exact(start_ms, end_ms, finer, stale)
        return
    yield from _exact(start_ms, first, finer, stale)
    at = first
    for hour_ms in stale:
        if hour_ms + HOUR_MS <= at or hour_ms >= last:
            continue
        dirty = max(first, hour_ms // level * level)
        if dirty > at:
            yield Piece(level, at, dirty)
        clean = min(last, max(dirty + level, -(-(hour_ms + HOUR_MS) // level) * level))
        yield from _exact(max(at, dirty), clean, finer, stale)
        at = max(at, clean)
    if at < last:
        yield Piece(level, at, last)
    yield from _exact(last, end_ms, finer, stale)


def _kept(piece: Piece, floors: Floors) -> Iterator[Piece]:
    at = piece.start_ms
    for edge in sorted({floors.of(level) for level in LEVELS_MS} | {piece.end_ms}):
        until = min(edge, piece.end_ms)
        if until > at:
            yield Piece(_serving(piece.level_ms, at, floors), at, until)
            at = until


def _serving(wanted_ms: int, at_ms: int, floors: Floors) -> int:
    kept = [level for level in LEVELS_MS if floors.keep(level, at_ms)]
    finer = [level for level in kept if level <= wanted_ms]
    return finer[0] if finer else kept[-1]


def _joined(pieces: Iterator[Piece]) -> list[Piece]:
    joined: list[Piece] = []
    for piece in pieces:
        if joined and joined[-1].level_ms == piece.level_ms and joined[-1].end_ms == piece.start_ms:
            joined[-1] = Piece(piece.level_ms, joined[-1].start_ms, piece.end_ms)
        else:
            joined.append(piece)
    return joined
