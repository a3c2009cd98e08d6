"""The local journal in front of a time-series server: what is durable here and not yet there."""

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from monitor.model.reading import Quantity, SeriesKey
from monitor.store.contract import SetAside
from monitor.store.influx.layout import ReadingRow
from monitor.store.influx.link import ServerRefusal
from monitor.store.series.adopt import reading_row
from monitor.store.series.catalog import add_number, read_number, write_number
from monitor.store.series.cover import Floors
from monitor.store.series.orders import sweep
from monitor.store.series.retention import drop_lone_marks
from monitor.store.series.rollups import refresh
from monitor.store.series.series_schema import HOUR_MS
from monitor.store.series.set_aside_rows import put_aside
from monitor.store.series.sqlite_series import SqliteSeriesStore

# Readings are sent in their order of arrival, so one number says how far the server has come. Points
# and marks change what was sent before; triggers note the places in the same transaction.
_TABLES = """
CREATE TABLE IF NOT EXISTS change (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL
) STRICT;

CREATE TABLE IF NOT EXISTS refused (
  id INTEGER PRIMARY KEY AUTOINCREMENT,
  series_id INTEGER NOT NULL,
  time_ms INTEGER NOT NULL,
  value REAL NOT NULL,
  reason TEXT NOT NULL,
  UNIQUE (series_id, time_ms)
) STRICT;

CREATE UNIQUE INDEX IF NOT EXISTS reading_order ON reading (arrival_order);

CREATE TRIGGER IF NOT EXISTS change_new_point AFTER INSERT ON point BEGIN
  INSERT INTO change (series_id, time_ms) VALUES (new.series_id, new.time_ms);
END;

CREATE TRIGGER IF NOT EXISTS change_point AFTER UPDATE ON point BEGIN
  INSERT INTO change (series_id, time_ms) VALUES (new.series_id, new.time_ms);
END;

CREATE TRIGGER IF NOT EXISTS change_mark AFTER UPDATE OF status ON reading BEGIN
  INSERT INTO change (series_id, time_ms) VALUES (new.series_id, new.time_ms);
END"""

_ROWS = """
SELECT arrival_order, zone, source, quantity, time_ms, value, status, delay_ms, sequence, from_device
FROM reading JOIN series ON series.id = series_id"""
_AT_ONCE = 20_000


class Waiting(NamedTuple):
    """The next readings to send, with the order up to which they reach."""

    orders: list[int]
    rows: list[ReadingRow]


class Changes(NamedTuple):
    """The next changes to send: derived points, readings marked anew, the last one's id, how many."""

    last_id: int
    size: int
    readings: list[ReadingRow]
    points: list[tuple[SeriesKey, int, float]]


class Spool:
    """Everything that came in lately, and the marks of how far it was sent on."""

    def __init__(self, local: SqliteSeriesStore) -> None:
        self.local = local
        with local.writing() as db:
            for statement in _TABLES.split(";\n\n"):
                db.execute(statement)

    def floor_ms(self, db: sqlite3.Connection) -> int:
        """From this time on everything lies here; before it, the server is asked as well."""
        return read_number(db, "local_floor_ms")

    def floor_ms_now(self) -> int:
        """The same, as of now."""
        with self.local.file.read() as db:
            return self.floor_ms(db)

    def is_acquainted(self) -> bool:
        """Whether it is known what the server held before this spool was made."""
        with self.local.file.read() as db:
            return read_number(db, "acquainted") > 0

    def acquaint(self, series: Mapping[SeriesKey, bool], now_s: float) -> None:
        """Enrol what the server holds from before; the value says whether a series is derived.

        Where it holds anything, it is asked about all times up to the next full hour.
        """
        with self.local.writing() as db:
            for key, derived in series.items():
                if key not in self.local.catalog.ids:
                    self.local.catalog.series_id(db, key, derived=derived)
            if series:
                newest = db.execute("SELECT max(time_ms + delay_ms) FROM reading").fetchone()[0] or 0
                next_hour_ms = (max(newest, round(now_s * 1000.0)) // HOUR_MS + 1) * HOUR_MS
                write_number(db, "local_floor_ms", max(next_hour_ms, self.floor_ms(db)))
            write_number(db, "acquainted", 1)

    def is_sent(self, order: int) -> bool:
        """Whether no reading up to an order of arrival waits to be sent."""
        query = "SELECT 1 FROM reading WHERE arrival_order > ? AND arrival_order <= ? LIMIT 1"
        with self.local.file.read() as db:
            return db.execute(query, (read_number(db, "shipped_order"), order)).fetchone() is None

    def next_readings(self, limit: int) -> Waiting:
        """Readings not yet sent, in order of arrival."""
        with self.local.file.read() as db:
            sent = read_number(db, "shipped_order")
            query = f"{_ROWS} WHERE arrival_order > ? ORDER BY arrival_order LIMIT ?"
            rows = db.execute(query, (sent, limit)).fetchall()
        return Waiting([row[0] for row in rows], [reading_row(row[1:]) for row in rows])

    def next_changes(self, limit: int) -> Changes:
        """Points and marks not yet sent; a place that changed twice is sent once, as it is now."""
        with self.local.file.read() as db:
            sent = read_number(db, "shipped_order")
            last_id, size = db.execute(
                "SELECT max(id), count(*) FROM (SELECT id FROM change ORDER BY id LIMIT ?)", (limit,)
            ).fetchone()
            places = "(SELECT DISTINCT series_id, time_ms FROM change WHERE id <= ?) AS place"
            points = db.execute(
                f"SELECT zone, source, quantity, time_ms, value FROM {places} "
                "JOIN point USING (series_id, time_ms) JOIN series ON series.id = place.series_id",
                (last_id,),
            )
            found = [(SeriesKey(z, s, Quantity(q)), time_ms, value) for z, s, q, time_ms, value in points]
            marked = db.execute(
                f"SELECT arrival_order, zone, source, quantity, time_ms, value, status, delay_ms, sequence, "
                f"from_device FROM {places} JOIN reading USING (series_id, time_ms) "
                "JOIN series ON series.id = place.series_id WHERE arrival_order <= ?",
                (last_id, sent),
            )
            return Changes(last_id or 0, size, [reading_row(row[1:]) for row in marked], found)

    def confirm_readings(self, sent: Waiting, refused: Sequence[ServerRefusal]) -> None:
        """Note that the server has these readings, or will not have some of them."""
        with self.local.writing() as db:
            write_number(db, "shipped_order", max(sent.orders[-1], read_number(db, "shipped_order")))
            rows = [(sent.rows[place], reason) for place, reason in refused]
            self._refuse(db, [(row.key, row.time_ms, row.value, reason) for row, reason in rows])

    def confirm_changes(self, sent: Changes, refused: Iterable[tuple[SeriesKey, int, float, str]]) -> None:
        """Note that the server has these changes, or will not have some of them."""
        with self.local.writing() as db:
            db.execute("DELETE FROM change WHERE id <= ?", (sent.last_id,))
            self._refuse(db, refused)

    def _refuse(self, db: sqlite3.Connection, rows: Iterable[tuple[SeriesKey, int, float, str]]) -> None:
        for key, time_ms, value, reason in rows:
            db.execute(
                "INSERT INTO refused (series_id, time_ms, value, reason) "
                "SELECT id, ?, ?, ? FROM series WHERE zone = ? AND source = ? AND quantity = ? "
                "ON CONFLICT DO UPDATE SET value = excluded.value, reason = excluded.reason",
                (time_ms, value, reason, key.zone, key.source, key.quantity.value),
            )
            topic, detail = "/".join(key), f"{value} at {time_ms} ms: {reason}"
            aside = SetAside(topic, repr(value).encode(), time_ms / 1000.0, "refused_by_server", detail)
            put_aside(db, [aside], self.local.aside_bound)

    def tried_order(self) -> int:
        """Up to which order sending began: what the server holds of these may be ours."""
        with self.local.file.read() as db:
            return read_number(db, "tried_order")

    def try_order(self, order: int) -> None:
        """Note that sending up to this order begins."""
        with self.local.writing() as db:
            write_number(db, "tried_order", order)

    def drop_late(
        self, sent: Waiting, repeats: Sequence[int], contradictions: Sequence[tuple[int, str]]
    ) -> None:
        """Take back late readings that the server already holds, the contradicting ones with the reason."""
        with self.local.writing() as db:
            for place in [*repeats, *(place for place, _ in contradictions)]:
                db.execute("DELETE FROM reading WHERE arrival_order = ?", (sent.orders[place],))
            asides = [_contradiction(sent.rows[place], detail) for place, detail in contradictions]
            put_aside(db, asides, self.local.aside_bound)
            add_number(db, "stored", -len(repeats) - len(contradictions))
            add_number(db, "repeated", len(repeats))
            add_number(db, "contradicting", len(contradictions))

    def behind(self) -> tuple[int, float | None, int]:
        """Numbers waiting, the arrival of the oldest reading waiting, numbers refused."""
        with self.local.file.read() as db:
            sent = read_number(db, "shipped_order")
            count = db.execute("SELECT count(*) FROM reading WHERE arrival_order > ?", (sent,)).fetchone()[0]
            changes = db.execute("SELECT count(*) FROM change").fetchone()[0]
            refused = db.execute("SELECT count(*) FROM refused").fetchone()[0]
            oldest = db.execute(
                "SELECT time_ms + delay_ms FROM reading WHERE arrival_order > ? "
                "ORDER BY arrival_order LIMIT 1",
                (sent,),
            ).fetchone()
        return count + changes, oldest[0] / 1000.0 if oldest else None, refused

    def send_refused_again(self) -> int:
        """Queue what the server refused once more, after its fault was mended; returns how many."""
        with self.local.writing() as db:
            count = db.execute(
                "INSERT INTO change (series_id, time_ms) SELECT series_id, time_ms FROM refused"
            )
            db.execute("DELETE FROM refused")
            return count.rowcount

    def prune(self, before_ms: int) -> int:
        """Drop what the server holds and what was measured and came in before a full hour.

        From that hour on, or from the first sight of a server with history, everything stays here.
        """
        with self.local.writing() as db:
            refresh(db, self.local.catalog)
            write_number(db, "local_floor_ms", max(before_ms, self.floor_ms(db)))
            sent = read_number(db, "shipped_order")
            changed = db.execute("SELECT min(time_ms) FROM change").fetchone()[0]
            series = sorted(self.local.catalog.ids.values())
        until_ms = before_ms if changed is None else min(before_ms, changed)
        arrived = "AND time_ms + delay_ms < ?3 AND arrival_order <= ?4"
        dropped = 0
        for number in series:
            dropped += self._drop("reading", arrived, (number, until_ms, before_ms, sent))
            dropped += self._drop("point", "", (number, until_ms))
        if dropped:
            sweep(self.local.writing)
        with self.local.writing() as db:
            sums_ms = read_number(db, "sums_until_ms")  # of the time before this only sums are left
            for table in ("rollup_minute", "rollup_quarter", "rollup_hour", "rollup_day"):
                db.execute(f"DELETE FROM {table} WHERE start_ms >= ? AND start_ms < ?", (sums_ms, before_ms))
            drop_lone_marks(db)
        return dropped

    def _drop(self, table: str, condition: str, values: tuple[int, ...]) -> int:
        dropped = 0
        while True:
            with self.local.writing() as db:
                count = db.execute(
                    f"DELETE FROM {table} WHERE series_id = ?1 AND time_ms IN "
                    f"(SELECT time_ms FROM {table} WHERE series_id = ?1 AND time_ms < ?2 {condition} "
                    f"AND time_ms NOT IN (SELECT time_ms FROM refused WHERE series_id = ?1) "
                    f"LIMIT {_AT_ONCE})",
                    values,
                ).rowcount
            dropped += count
            if count < _AT_ONCE:
                return dropped

    def keep_from(self, floors: Floors) -> None:
        """Answer nothing older than the settings keep; the server's own policy decides what it drops."""
        with self.local.writing() as db:
            self.local.raise_floors(db, floors)
            sums_ms = read_number(db, "sums_until_ms")
            kept = (("rollup_minute", floors.minute_ms), ("rollup_quarter", floors.minute_ms))
            for table, floor_ms in (*kept, ("rollup_hour", floors.hour_ms)):
                db.execute(f"DELETE FROM {table} WHERE start_ms < ?", (min(sums_ms, floor_ms),))


def _contradiction(row: ReadingRow, detail: str) -> SetAside:
    arrived_s = (row.time_ms + row.delay_ms) / 1000.0
    return SetAside("/".join(row.key), repr(row.value).encode(), arrived_s, "contradicts_stored", detail)
