"""Moves a shop from the embedded store to InfluxDB and back: resumable, each day checked on arrival."""

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from itertools import islice
from typing import TypeVar

from monitor.model.errors import Fault, InputError
from monitor.model.reading import SeriesKey
from monitor.store.contract import SetAside, StoreUnavailableError
from monitor.store.influx.influx_series import LOCAL_DAYS, InfluxSeriesStore
from monitor.store.influx.layout import ReadingRow
from monitor.store.influx.link import ServerRefusal
from monitor.store.months.month_book import filed_count
from monitor.store.move import move_rows
from monitor.store.move.book import Book, MoveReport, Tell
from monitor.store.move.move_rows import next_day, points_of_day, readings_of_day, series_of
from monitor.store.series.adopt import (
    OrderedRow,
    PointRow,
    adopt_book,
    adopt_points,
    adopt_readings,
    adopt_sums,
)
from monitor.store.series.catalog import read_number, write_number
from monitor.store.series.packed_stretches import packed_count
from monitor.store.series.series_schema import DAY_MS, HOUR_MS
from monitor.store.series.sqlite_series import SqliteSeriesStore

_AT_ONCE = 5_000
_Row = TypeVar("_Row")


def to_influx(
    source: SqliteSeriesStore, target: InfluxSeriesStore, tell: Tell = lambda _: None
) -> MoveReport:
    """Copy everything to the server, and the last days into the spool; the service must stand still.

    Orders of arrival go on where they were, so that the core takes up at its checkpoint. A move that
    was cut short goes on at the day it had come to. The source is left as it is.
    """
    source.refresh_rollups()
    with source.file.read() as db:
        newest_ms = _newest_arrival_ms(db)
    tail_ms = max(newest_ms // HOUR_MS * HOUR_MS - LOCAL_DAYS * DAY_MS, 1)
    source.open_from(tail_ms / 1000.0)
    with source.file.read() as db:
        book = Book(target.local, _count(db), tell, fresh=_is_empty(target.local))
        while (day_ms := next_day(db, book.day_ms)) is not None:
            for key, derived in series_of(db).items():
                if derived:
                    _send_points(target, key, points_of_day(db, source.shelf, key, day_ms), book)
                else:
                    _send_readings(
                        target, key, [row for _, row in readings_of_day(db, source.shelf, key, day_ms)], book
                    )
            book.finish_day(day_ms)
        if book.fresh:
            floor_ms = tail_ms
            _adopt_tail(db, target.local, floor_ms)
        else:
            floor_ms = (newest_ms // HOUR_MS + 1) * HOUR_MS
            _adopt_from_the_future(db, target.local, floor_ms)
        _close_spool(db, target, floor_ms, fresh=book.fresh)
        return book.end()


def to_embedded(
    source: InfluxSeriesStore, target: SqliteSeriesStore, tell: Tell = lambda _: None
) -> MoveReport:
    """Copy everything the server and the spool hold into an empty embedded store; see `to_influx`."""
    source.refresh_rollups()
    with source.local.file.read() as db:
        series = {**source.archive.keys(), **series_of(db)}
        days = {key: source.archive.days(key, derived=derived) for key, derived in series.items()}
        with target.file.read() as there:
            begun = read_number(there, "move_state") == 1
        if not begun and not _is_empty(target):
            fix = "holds readings already; move it aside, then move again"
            raise InputError([Fault("series store", str(target.file.path), fix)])
        held = sum(sum(counts.values()) for counts in days.values())
        book = Book(target, held, tell, fresh=True)
        first_order = _first_order(db, sum(sum(days[key].values()) for key in days if not series[key]))
        for day_ms in sorted({day for counts in days.values() for day in counts if day >= book.day_ms}):
            for key in [key for key in days if day_ms in days[key]]:
                if series[key]:
                    _fetch_points(source, target, key, day_ms, book)
                else:
                    _fetch_readings(source, db, target, key, (day_ms, first_order), book)
            book.finish_day(day_ms)
        book.readings += _adopt_tail(db, target, 0)
        book.tell()
        target.refresh_rollups()
        with target.writing() as inside:
            adopt_sums(db, inside, target.catalog)
            adopt_book(db, inside, target.catalog)
        return book.end()


def _is_empty(store: SqliteSeriesStore) -> bool:
    return store.last_order() == 0 and not store.keys()


def _count(db: sqlite3.Connection) -> int:
    query = "SELECT (SELECT count(*) FROM reading) + (SELECT count(*) FROM point)"
    return int(db.execute(query).fetchone()[0]) + packed_count(db) + filed_count(db)


def _newest_arrival_ms(db: sqlite3.Connection) -> int:
    rows = "SELECT max(time_ms + delay_ms) AS arrived_ms FROM reading"
    packed = "SELECT max(arrived_ms) FROM packed WHERE first_order IS NOT NULL"
    filed = "SELECT max(arrived_ms) FROM month_part WHERE first_order IS NOT NULL"
    every = f"{rows} UNION ALL {packed} UNION ALL {filed}"
    found = db.execute(f"SELECT coalesce(max(arrived_ms), 0) FROM ({every})").fetchone()
    return int(found[0])


def _chunks(rows: Iterator[_Row]) -> Iterator[list[_Row]]:
    while chunk := list(islice(rows, _AT_ONCE)):
        yield chunk


def _sent(
    rows: Sequence[_Row], write: Callable[[Sequence[_Row]], list[ServerRefusal]]
) -> tuple[list[_Row], list[tuple[_Row, str]]]:
    """Rows that the server took, and those it refused with its reason."""
    refused: list[tuple[_Row, str]] = []
    taken: list[_Row] = []
    for chunk in _chunks(iter(rows)):
        why = {refusal.place: refusal.reason for refusal in write(chunk)}
        refused += [(chunk[place], reason) for place, reason in why.items()]
        taken += [row for place, row in enumerate(chunk) if place not in why]
    return taken, refused


def _send_readings(target: InfluxSeriesStore, key: SeriesKey, rows: list[ReadingRow], book: Book) -> None:
    if not rows:
        return
    taken, refused = _sent(rows, target.archive.write_readings)
    times = {row.time_ms for row in taken}
    there = target.archive.readings(key, rows[0].time_ms, rows[-1].time_ms + 1)
    seal = move_rows.seal_of_readings
    _compare(_day_name(key, rows[0].time_ms), seal(taken), seal(row for row in there if row.time_ms in times))
    _put_aside(target, [(row.key, row.time_ms, row.value, reason) for row, reason in refused])
    book.readings += len(rows)
    book.refused += len(refused)
    book.tell()


def _send_points(target: InfluxSeriesStore, key: SeriesKey, rows: list[PointRow], book: Book) -> None:
    if not rows:
        return
    taken, refused = _sent(rows, target.archive.write_points)
    times = {row[1] for row in taken}
    there = target.archive.points(key, rows[0][1], rows[-1][1] + 1)
    seal = move_rows.seal_of_points
    _compare(_day_name(key, rows[0][1]), seal(taken), seal(row for row in there if row[1] in times))
    _put_aside(target, [(*row, reason) for row, reason in refused])
    book.points += len(rows)
    book.refused += len(refused)
    book.tell()


def _put_aside(target: InfluxSeriesStore, refused: list[tuple[SeriesKey, int, float, str]]) -> None:
    if refused:
        asides = [
            SetAside(
                "/".join(key), repr(value).encode(), ms / 1000.0, "refused_by_server", f"at {ms} ms: {why}"
            )
            for key, ms, value, why in refused
        ]
        target.local.append([], asides)


def _day_name(key: SeriesKey, time_ms: int) -> str:
    return f"{'/'.join(key)}, {datetime.fromtimestamp(time_ms / 1000.0, UTC):%Y-%m-%d}"


def _compare(what: str, here: tuple[int, str], there: tuple[int, str]) -> None:
    if here != there:
        raise StoreUnavailableError(
            f"{what}: arrived differently: {here[0]} numbers were sent and {there[0]} are there "
            f"(SHA-256 {here[1][:12]} and {there[1][:12]}); move again to send them anew"
        )


def _first_order(db: sqlite3.Connection, held: int) -> int:
    """Where the orders of readings that only the server holds begin, to end before those that lie here."""
    sent = read_number(db, "shipped_order")
    query = "SELECT count(*), coalesce(min(arrival_order), ?) FROM reading WHERE arrival_order <= ?"
    here, first = db.execute(query, (sent + 1, sent)).fetchone()
    return int(first) - max(0, held - int(here))


def _fetch_readings(
    source: InfluxSeriesStore,
    db: sqlite3.Connection,
    target: SqliteSeriesStore,
    key: SeriesKey,
    place: tuple[int, int],
    book: Book,
) -> None:
    day_ms, first_order = place
    here = {row.time_ms for _, row in readings_of_day(db, source.local.shelf, key, day_ms)}
    there = source.archive.readings(key, day_ms, day_ms + DAY_MS)
    rows = [row for row in there if row.time_ms not in here]
    with target.writing() as inside:
        known = {row.time_ms for _, row in readings_of_day(inside, target.shelf, key, day_ms)}
        order = read_number(inside, "move_order") or first_order
        fresh = [row for row in rows if row.time_ms not in known]
        adopt_readings(inside, target.catalog, list(enumerate(fresh, order)))
        write_number(inside, "move_order", order + len(fresh))
    with target.file.read() as inside:
        arrived = [row for _, row in readings_of_day(inside, target.shelf, key, day_ms)]
    _compare(_day_name(key, day_ms), move_rows.seal_of_readings(rows), move_rows.seal_of_readings(arrived))
    book.readings += len(rows)
    book.tell()


def _fetch_points(
    source: InfluxSeriesStore, target: SqliteSeriesStore, key: SeriesKey, day_ms: int, book: Book
) -> None:
    rows = list(source.archive.points(key, day_ms, day_ms + DAY_MS))
    with target.writing() as inside:
        adopt_points(inside, target.catalog, rows)
    with target.file.read() as inside:
        arrived = points_of_day(inside, target.shelf, key, day_ms)
    _compare(_day_name(key, day_ms), move_rows.seal_of_points(rows), move_rows.seal_of_points(arrived))
    book.points += len(rows)
    book.tell()


def _adopt_tail(db: sqlite3.Connection, target: SqliteSeriesStore, since_ms: int) -> int:
    """Take over readings and points of the last days as they are, orders included; counts the readings."""
    recent = "time_ms >= ?1 OR time_ms + delay_ms >= ?1"
    first: int | None = None
    for chunk in _chunks(move_rows.ordered_rows(db, recent, (since_ms,))):
        first = chunk[0][0] if first is None else first
        with target.writing() as inside:
            adopt_readings(inside, target.catalog, chunk)
    for points in _chunks(move_rows.point_rows(db, since_ms)):
        with target.writing() as inside:
            adopt_points(inside, target.catalog, points)
    if first is None:
        return 0
    with target.file.read() as inside:
        there = _seal_of_ordered(move_rows.ordered_rows(inside, "arrival_order >= ?", (first,)))
    here = _seal_of_ordered(move_rows.ordered_rows(db, recent, (since_ms,)))
    _compare("the last days", here, there)
    return here[0]


def _adopt_from_the_future(db: sqlite3.Connection, local: SqliteSeriesStore, since_ms: int) -> None:
    """Keep here, too, what clocks that ran ahead dated after the move: from then on only this is asked.

    Their orders become negative: the core of this spool has its own and must not work through these.
    """
    with local.writing() as inside:
        rows = move_rows.ordered_rows(db, "time_ms >= ?", (since_ms,))
        adopt_readings(inside, local.catalog, [(-order, row) for order, row in rows])
        adopt_points(inside, local.catalog, move_rows.point_rows(db, since_ms))


def _seal_of_ordered(rows: Iterator[OrderedRow]) -> tuple[int, str]:
    return move_rows.seal_of_readings(row for _, row in rows)


def _close_spool(db: sqlite3.Connection, target: InfluxSeriesStore, floor_ms: int, *, fresh: bool) -> None:
    """Note in the spool from when on everything lies there, and that the server has all of it."""
    local = target.local
    with local.writing() as inside:
        adopt_sums(db, inside, local.catalog)
        write_number(inside, "acquainted", 1)
        write_number(inside, "local_floor_ms", max(floor_ms, read_number(inside, "local_floor_ms")))
        if fresh:
            adopt_book(db, inside, local.catalog)
            write_number(inside, "shipped_order", local.catalog.last_order)
            inside.execute("DELETE FROM change")
