"""Reads and writes whole series in InfluxDB, in the documented layout."""

from collections.abc import Callable, Iterator, Sequence
from typing import Any, TypeVar

import numpy as np

from monitor.model.reading import Point, Quantity, SeriesKey
from monitor.settings.schema import InfluxSection
from monitor.store.contract import SeriesSlice
from monitor.store.influx.layout import (
    DERIVED,
    LAST_MS,
    READING,
    ReadingRow,
    measurement,
    point_line,
    reading_line,
    stretch,
)
from monitor.store.influx.link import InfluxLink, ServerAnswer, ServerRefusal
from monitor.store.series.cover import Floors, cover
from monitor.store.series.reads import Total, add_totals

# Beyond this many buckets to a question the points themselves are fetched and summed up here.
_MOST_BUCKETS = 20_000
_PAGE = 20_000
_Row = TypeVar("_Row")


class InfluxArchive:
    """Everything the server holds of this shop."""

    def __init__(self, section: InfluxSection) -> None:
        self._link = InfluxLink(section)

    def write_readings(self, rows: Sequence[ReadingRow]) -> list[ServerRefusal]:
        """Write readings; the same (series, time) again replaces. Returns what the server refuses."""
        return self._write(rows, reading_line)

    def write_points(self, rows: Sequence[tuple[SeriesKey, int, float]]) -> list[ServerRefusal]:
        """Write derived points; the same (series, time) again replaces. Returns what the server refuses."""
        return self._write(rows, lambda row: point_line(*row))

    def _write(self, rows: Sequence[_Row], line: Callable[[_Row], str]) -> list[ServerRefusal]:
        lines: list[str] = []
        places: list[int] = []
        refused: list[ServerRefusal] = []
        for place, row in enumerate(rows):
            try:
                lines.append(line(row))
                places.append(place)
            except ValueError as error:
                refused.append(ServerRefusal(place, str(error)))
        return refused + [ServerRefusal(places[place], reason) for place, reason in self._link.write(lines)]

    def keys(self) -> dict[SeriesKey, bool]:
        """Every series the server holds, and whether it is derived."""
        found: dict[SeriesKey, bool] = {}
        for table in (READING, DERIVED):
            asked = ", ".join(f'last("{q.value}") AS "{q.value}"' for q in Quantity)
            for answer in self._link.ask(f'SELECT {asked} FROM "{table}" GROUP BY zone, source', table):
                for name, value in zip(answer.columns, answer.values[0], strict=True):
                    if name != "time" and value is not None:
                        key = SeriesKey(
                            answer.tags.get("zone", ""), answer.tags.get("source", ""), Quantity(name)
                        )
                        found[key] = table == DERIVED
        return found

    def days(self, key: SeriesKey, *, derived: bool) -> dict[int, int]:
        """How many numbers, doubtful ones too, the server holds of each UTC day; by the day's start."""
        name, table = key.quantity.value, measurement(derived=derived)
        answers = self._link.ask(
            f'SELECT count("{name}") FROM "{table}" WHERE {stretch(key, 0, LAST_MS)} '
            "GROUP BY time(1d) fill(none)",
            table,
        )
        return {start: n for answer in answers for start, n in answer.values if n}

    def points(self, key: SeriesKey, start_ms: int, end_ms: int) -> Iterator[tuple[SeriesKey, int, float]]:
        """Derived points in rising time."""
        asked = f'"{key.quantity.value}"'
        for time_ms, value in self._pages(asked, key, (start_ms, end_ms), None, derived=True):
            yield key, int(time_ms), float(value)

    def slice(
        self, key: SeriesKey, start_ms: int, end_ms: int, *, derived: bool, limit: int | None = None
    ) -> SeriesSlice:
        """Points in rising time."""
        name = key.quantity.value
        asked = f'"{name}"' if derived else f'"{name}", "{name}_status"'
        rows: list[tuple[int, float, int]] = []
        for time_ms, value, *status in self._pages(asked, key, (start_ms, end_ms), limit, derived=derived):
            if value is not None:
                rows.append((time_ms, value, status[0] or 0 if status else 0))
        table = np.array(rows, dtype=np.float64).reshape(-1, 3)
        return SeriesSlice(table[:, 0] / 1000.0, table[:, 1].copy(), table[:, 2] != 0)

    def readings(self, key: SeriesKey, start_ms: int, end_ms: int) -> Iterator[ReadingRow]:
        """Readings with everything they carried, in rising time."""
        name = key.quantity.value
        asked = ", ".join(f'"{name}{tail}"' for tail in ("", "_status", "_delay_ms", "_sequence"))
        for row in self._pages(asked, key, (start_ms, end_ms), None, derived=False):
            time_ms, value, status, delay_ms, sequence = row
            if value is not None:
                yield ReadingRow(
                    key, time_ms, float(value), status or 0, delay_ms or 0, sequence, delay_ms is not None
                )

    def values(self, key: SeriesKey, start_ms: int, end_ms: int) -> Iterator[tuple[int, float]]:
        """Times and values of readings, in rising time."""
        asked = f'"{key.quantity.value}"'
        for time_ms, value in self._pages(asked, key, (start_ms, end_ms), None, derived=False):
            yield int(time_ms), float(value)

    def _pages(
        self, asked: str, key: SeriesKey, span: tuple[int, int], limit: int | None, *, derived: bool
    ) -> Iterator[list[Any]]:
        at, given = span[0], 0
        while at < span[1]:
            page = _PAGE if limit is None else min(_PAGE, limit - given)
            where = stretch(key, at, span[1])
            table = measurement(derived=derived)
            answers = self._link.ask(f'SELECT {asked} FROM "{table}" WHERE {where} LIMIT {page}', table)
            rows = answers[0].values if answers else []
            yield from rows
            given += len(rows)
            if len(rows) < page or given == limit:
                return
            at = int(rows[-1][0]) + 1

    def latest(self, key: SeriesKey, span: tuple[int, int], *, derived: bool) -> Point | None:
        """The newest believed point with start ≤ time < end."""
        name, table = key.quantity.value, measurement(derived=derived)
        answers = self._link.ask(
            f'SELECT last("{name}") FROM "{table}" WHERE {stretch(key, *span)}{_believed(name, derived)}',
            table,
        )
        if not answers:
            return None
        time_ms, value = answers[0].values[0]
        return Point(key, time_ms / 1000.0, float(value))

    def totals(
        self, key: SeriesKey, span: tuple[int, int], width_ms: int, floors: Floors, *, derived: bool
    ) -> dict[int, Total]:
        """Sums of believed points by bucket number (time // width)."""
        found: dict[int, Total] = {}
        for first, last, group_ms in _groups(span, width_ms, floors):
            if (last - first) // group_ms > _MOST_BUCKETS:
                summed = self._summed_here(key, first, last, lambda ms: ms // width_ms, derived=derived)
            else:
                answers = self._ask_sums(key, first, last, group_ms, derived=derived)
                summed = [(start // width_ms, total) for start, total in _rows(answers)]
            add_totals(found, summed)
        return found

    def total(
        self, key: SeriesKey, span: tuple[int, int], floors: Floors, *, derived: bool
    ) -> dict[int, Total]:
        """The sum of all believed points in one stretch, as bucket 0."""
        found: dict[int, Total] = {}
        for first, last, _ in _groups(span, 0, floors):
            answers = self._ask_sums(key, first, last, None, derived=derived)
            add_totals(found, [(0, total) for _, total in _rows(answers)])
        return found

    def _ask_sums(
        self, key: SeriesKey, first: int, last: int, group_ms: int | None, *, derived: bool
    ) -> list[ServerAnswer]:
        name, table = key.quantity.value, measurement(derived=derived)
        group = f" GROUP BY time({group_ms}ms) fill(none)" if group_ms else ""
        return self._link.ask(
            f'SELECT count("{name}"), sum("{name}"), min("{name}"), max("{name}") '
            f'FROM "{table}" WHERE {stretch(key, first, last)}{_believed(name, derived)}{group}',
            table,
        )

    def _summed_here(
        self, key: SeriesKey, first: int, last: int, number: Callable[[int], int], *, derived: bool
    ) -> list[tuple[int, Total]]:
        name = key.quantity.value
        asked = f'"{name}"' if derived else f'"{name}", "{name}_status"'
        return [
            (number(int(row[0])), Total(1, float(row[1]), float(row[1]), float(row[1])))
            for row in self._pages(asked, key, (first, last), None, derived=derived)
            if row[1] is not None and not (len(row) > 2 and row[2])
        ]

    def close(self) -> None:
        """Let go of the connections."""
        self._link.close()


def _believed(name: str, derived: bool) -> str:  # reads as a word in the question
    return "" if derived else f' AND "{name}_status" = 0'


def _rows(answers: Sequence[ServerAnswer]) -> Iterator[tuple[int, Total]]:
    for answer in answers:
        for time_ms, n, total, minimum, maximum in answer.values:
            if n:
                yield time_ms, Total(n, float(total), float(minimum), float(maximum))


def _groups(span: tuple[int, int], align_ms: int, floors: Floors) -> list[tuple[int, int, int]]:
    """Stretches and the width at which each is summed up.

    The server keeps every reading, so the wanted width is exact everywhere; where the settings keep
    only rollups, whole rollups are answered, as the embedded store would.
    """
    parts: list[tuple[int, int, int]] = []
    for level, start, end in cover(*span, align_ms, [], floors):
        first, last = -(-start // level) * level, -(-end // level) * level
        group = align_ms if align_ms % level == 0 else level
        if parts and parts[-1][1:] == (first, group):
            parts[-1] = (parts[-1][0], last, group)
        elif first < last:
            parts.append((first, last, group))
    return parts
