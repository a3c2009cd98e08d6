"""The ledger on SQLite or PostgreSQL: events in a chain, the outbox and the checkpoint, written together."""

import json
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sqlalchemy import CTE, ColumnElement, Connection, Engine, bindparam, func, select, update

from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.store import ledger_chain
from monitor.store.contract import (
    Checkpoint,
    EventPage,
    OutboxItem,
    RecordChangedError,
    StoreUnavailableError,
    Verification,
    Witness,
)
from monitor.store.folder_beside import BesideInFolder
from monitor.store.kept_beside import Beside
from monitor.store.ledger.dump import dump
from monitor.store.ledger.engine import CHAIN_LOCK, file_of, insert_of, open_engine, reading, writing
from monitor.store.ledger.hold import LedgerHold
from monitor.store.ledger.kept_state import kept, restored
from monitor.store.ledger.schema_beside import BesideInSchema
from monitor.store.ledger.tables import CHAIN_HEAD, CHECKPOINT, EVENT, OUTBOX
from monitor.store.sqlite_file import copy_whole, explain

STATES = ("waiting", "delivered", "refused", "expired", "cancelled")
_ATTEMPTED = ("waiting", "delivered", "refused")
_ROWS_AT_ONCE = 1_000


def open_ledger(url: str, *, busy_timeout_s: float = 5.0) -> "SqlLedger":
    """The ledger at an SQLAlchemy address, its tables made or brought up to date."""
    return SqlLedger(open_engine(url, busy_timeout_s))


class SqlLedger:
    """Implements Ledger; safe from several threads and, on one database, from several processes."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._hold: LedgerHold | None = None
        self._file = file_of(engine)
        self._insert: Any = insert_of(engine)

    def commit(
        self,
        events: Sequence[NewEvent],
        *,
        entered_s: float,
        outbox: Sequence[tuple[str, Notification]] = (),
        checkpoint: Checkpoint | None = None,
    ) -> list[Event]:
        """Write all or nothing; events and outbox items whose key is already there change nothing."""
        if file_of(self._engine) != self._file:  # what is written to a file without a name is lost
            raise StoreUnavailableError(
                f"{self._engine.url.database}: the ledger's file was removed or replaced while in use; "
                "put the right one back and restart"
            )
        self._keep()
        messages = [_message_row(channel, notification) for channel, notification in outbox]
        with writing(self._engine, CHAIN_LOCK if events else None) as db:
            written = self._chain(db, events, entered_s) if events else []
            if messages:
                keep = self._insert(OUTBOX).on_conflict_do_nothing(index_elements=["channel", "key"])
                db.execute(keep, messages)
            if checkpoint is not None:
                self._keep_checkpoint(db, checkpoint)
        return written

    def _chain(self, db: Connection, events: Sequence[NewEvent], entered_s: float) -> list[Event]:
        keys = [new.key for new in events if new.key is not None]
        rows = db.execute(select(EVENT).where(EVENT.c.key.in_(keys))).mappings() if keys else ()
        known = {str(row["key"]): _believed(dict(row)) for row in rows}
        last = start = _head(db) or ledger_chain.GENESIS
        answer: list[Event] = []
        fresh: list[Event] = []
        for new in events:
            event = known.get(new.key) if new.key is not None else None
            if event is None:
                event = ledger_chain.chained(new, entered_s, last)
                last = Witness(event.number, event.hash)
                fresh.append(event)
                if event.key is not None:
                    known[event.key] = event
            answer.append(event)
        if last != start:
            db.execute(EVENT.insert(), [_event_row(event) for event in fresh])
            db.execute(update(CHAIN_HEAD).values(number=last.number, hash=last.hash))
        return answer

    def _keep_checkpoint(self, db: Connection, checkpoint: Checkpoint) -> None:
        row = {
            "arrival_order": checkpoint.order,
            "time_s": checkpoint.time_s,
            "state": kept(checkpoint.state),
        }
        upsert = self._insert(CHECKPOINT).values(id=1, **row)
        db.execute(upsert.on_conflict_do_update(index_elements=["id"], set_=row))

    def events(
        self,
        *,
        kinds: Sequence[EventKind] = (),
        subject: str | None = None,
        start_s: float | None = None,
        end_s: float | None = None,
        from_number: int | None = None,
    ) -> list[Event]:
        """Every event with start_s ≤ time < end_s, from a number on, in order of entry."""
        query = select(EVENT).where(*_fitting(kinds, subject, start_s, end_s)).order_by(EVENT.c.number)
        if from_number is not None:
            query = query.where(EVENT.c.number >= from_number)
        with reading(self._engine) as db:
            return [_believed(dict(row)) for row in db.execute(query).mappings()]

    def newest(
        self,
        most: int,
        *,
        kinds: Sequence[EventKind] = (),
        subject: str | None = None,
        start_s: float | None = None,
        end_s: float | None = None,
        before: int | None = None,
    ) -> EventPage:
        """At most `most` of them, the last entered first, from before the event numbered `before`."""
        fitting = _fitting(kinds, subject, start_s, end_s)
        earlier = [] if before is None else [EVENT.c.number < before]
        query = select(EVENT).where(*fitting, *earlier).order_by(EVENT.c.number.desc()).limit(most)
        with reading(self._engine) as db:
            found = [_believed(dict(row)) for row in db.execute(query).mappings()]
            left = 0
            if len(found) == most and found:
                older = select(func.count()).where(*fitting, EVENT.c.number < found[-1].number)
                left = int(db.execute(older).scalar_one())
        return EventPage(tuple(found), left)

    def last_of_each(self, kind: EventKind, before_s: float) -> list[Event]:
        """Of every subject the event of a kind that was entered last, of those before a moment."""
        subjects = _subjects(kind)
        last = (
            select(EVENT.c.number)
            .where(EVENT.c.kind == kind.value, EVENT.c.subject == subjects.c.subject)
            .where(EVENT.c.time_s < before_s)
            .order_by(EVENT.c.number.desc())
            .limit(1)
            .correlate(subjects)
            .scalar_subquery()
        )
        query = select(EVENT).where(EVENT.c.number.in_(select(last).select_from(subjects)))
        query = query.order_by(EVENT.c.number)
        with reading(self._engine) as db:
            return [_believed(dict(row)) for row in db.execute(query).mappings()]

    def verify(
        self, witnesses: Iterable[Witness] = (), progress: Callable[[int], object] = lambda _: None
    ) -> Verification:
        """Walk the chain and name the first broken link, also against witnesses kept elsewhere.

        They come in rising number; a hash may be the beginning of one. `progress` hears of so many events at
        a time, and ends the walk by raising.
        """
        with reading(self._engine) as db:
            head = _head(db)
            query = select(EVENT).order_by(EVENT.c.number).execution_options(yield_per=_ROWS_AT_ONCE)
            with db.execute(query) as result:  # left early at the first broken link
                return ledger_chain.walk((dict(row) for row in result.mappings()), head, witnesses, progress)

    def links(self) -> Iterator[Witness]:
        """Number and hash of every event in order, a few at a time."""
        query = select(EVENT.c.number, EVENT.c.hash).order_by(EVENT.c.number)
        query = query.execution_options(yield_per=_ROWS_AT_ONCE)
        with reading(self._engine) as db, db.execute(query) as result:
            yield from (Witness(*row) for row in result)

    def contradicted(self, witnesses: Sequence[Witness]) -> list[Witness]:
        """Those of the witnesses whose event is another now, or is not there; the chain is not walked."""
        wanted = [witness.number for witness in witnesses]
        query = select(EVENT.c.number, EVENT.c.hash).where(EVENT.c.number.in_(wanted))
        with reading(self._engine) as db:
            found = {row[0]: str(row[1]) for row in db.execute(query)}
        return [one for one in witnesses if not found.get(one.number, "").startswith(one.hash)]

    def head(self) -> Witness:
        """The newest event's number and hash, to be printed on reports; number 0 when empty."""
        with reading(self._engine) as db:
            return _head(db) or ledger_chain.GENESIS

    def checkpoint(self) -> Checkpoint | None:
        """The last checkpoint written."""
        with reading(self._engine) as db:
            row = db.execute(select(CHECKPOINT)).mappings().first()
        return Checkpoint(row["arrival_order"], row["time_s"], restored(bytes(row["state"]))) if row else None

    def hold(self, sites: Sequence[str]) -> None:
        """Keep every other service out while this one runs; InputError where one runs, or ran for others.

        A ledger on SQLite lies in the data folder, which is held as a whole.
        """
        if self._engine.dialect.name == "postgresql":
            self._hold = LedgerHold(self._engine)
            self._hold.take(sites)

    def beside(self, data_dir: Path) -> Beside:
        """Where this shop's accounts, phones and keys lie: in the ledger's schema, or in the data folder."""
        if self._engine.dialect.name != "postgresql":
            return BesideInFolder(data_dir)
        return BesideInSchema(self._engine, self._keep)

    def _keep(self) -> None:
        if self._hold is not None:
            self._hold.keep()

    def bring_forward(self, now_s: float, until_s: float) -> None:
        """Messages that wait for a time after now and up to `until_s`, which was undone, are due now."""
        undone = (OUTBOX.c.state == "waiting") & OUTBOX.c.next_try_s.between(now_s, until_s)
        with writing(self._engine, None) as db:
            db.execute(update(OUTBOX).where(undone).values(next_try_s=now_s))

    def due(self, now_s: float, limit: int = 100, channel: str | None = None) -> list[OutboxItem]:
        """Waiting items (of one channel, or of all) whose time has come, oldest first."""
        ready = (OUTBOX.c.state == "waiting") & (OUTBOX.c.next_try_s <= now_s)
        query = select(OUTBOX).where(ready).order_by(OUTBOX.c.next_try_s, OUTBOX.c.id).limit(limit)
        if channel is not None:
            query = query.where(OUTBOX.c.channel == channel)
        with reading(self._engine) as db:
            return [_item(row) for row in db.execute(query).mappings()]

    def settle(
        self, item_id: int, *, state: str, now_s: float, error: str = "", next_try_s: float | None = None
    ) -> None:
        """Record an attempt's outcome; state "waiting" with next_try_s means try again then.

        What is settled stays so, but a delivery that really happened is recorded over a cancellation.
        """
        if state not in STATES or (state == "waiting" and next_try_s is None):
            fix = f"use one of {', '.join(STATES)}; waiting needs next_try_s"
            raise InputError([Fault("state", state, fix)])
        with writing(self._engine, None) as db:
            query = select(OUTBOX).where(OUTBOX.c.id == item_id).with_for_update()
            row = db.execute(query).mappings().first()
            if row is None:
                raise InputError([Fault("item_id", str(item_id), "name an item of the outbox")])
            if row["state"] != "waiting" and (state != "delivered" or row["state"] == "delivered"):
                return
            change: dict[str, object] = {
                "state": state,
                "attempts": row["attempts"] + (state in _ATTEMPTED),
                "last_error": error.replace("\0", ""),
                "settled_s": None if state == "waiting" else now_s,
                "next_try_s": row["next_try_s"] if next_try_s is None else next_try_s,
            }
            db.execute(update(OUTBOX).where(OUTBOX.c.id == item_id).values(change))

    def close_waiting(self, ends: Mapping[int, tuple[str, str]], now_s: float) -> None:
        """End many waiting items at once without an attempt: state and why, by item; not what is settled."""
        change = (
            update(OUTBOX)
            .where(OUTBOX.c.id == bindparam("item"), OUTBOX.c.state == "waiting")
            .values(state=bindparam("end"), last_error=bindparam("said"), settled_s=now_s)
        )
        rows = [
            {"item": one, "end": end, "said": said.replace("\0", "")} for one, (end, said) in ends.items()
        ]
        with writing(self._engine, None) as db:
            db.execute(change, rows)

    def outbox(self, *, states: Sequence[str] = (), channel: str | None = None) -> list[OutboxItem]:
        """Every item, the newest first, of one channel or of all."""
        query = select(OUTBOX).order_by(OUTBOX.c.id.desc())
        if channel is not None:
            query = query.where(OUTBOX.c.channel == channel)
        if states:
            query = query.where(OUTBOX.c.state.in_(states))
        with reading(self._engine) as db:
            return [_item(row) for row in db.execute(query).mappings()]

    def message_of(self, token: str) -> Notification | None:
        """The message that was given this token; None where none was."""
        query = select(OUTBOX).where(OUTBOX.c.token == token).limit(1)
        with reading(self._engine) as db:
            row = db.execute(query).mappings().first()
        return None if row is None else _item(row).notification

    def backup(self, target_dir: Path) -> Path:
        """A checked copy in `target_dir`, made while the service runs; PostgreSQL by its own pg_dump."""
        if self._engine.dialect.name == "postgresql":
            return dump(self._engine, target_dir / "ledger.pgdump")
        source = Path(str(self._engine.url.database))
        try:
            with closing(sqlite3.connect(f"file:{source}?mode=ro", uri=True)) as db:
                return copy_whole(db, target_dir / "ledger.sqlite")
        except sqlite3.Error as error:
            raise explain(error, source) from error

    def close(self) -> None:
        """Let go of the database."""
        if self._hold is not None:
            self._hold.leave()
        self._engine.dispose()


def _head(db: Connection) -> Witness | None:
    row = db.execute(select(CHAIN_HEAD.c.number, CHAIN_HEAD.c.hash)).first()
    return Witness(row[0], row[1]) if row else None


def _subjects(kind: EventKind) -> CTE:
    """Every subject of a kind, found by the index: it costs what the subjects do, not their events."""
    first = select(func.min(EVENT.c.subject).label("subject")).where(EVENT.c.kind == kind.value)
    found = first.cte("subjects", recursive=True)
    following = select(func.min(EVENT.c.subject)).where(
        EVENT.c.kind == kind.value, EVENT.c.subject > found.c.subject
    )
    return found.union_all(
        select(following.correlate(found).scalar_subquery()).where(found.c.subject.is_not(None))
    )


def _fitting(
    kinds: Sequence[EventKind], subject: str | None, start_s: float | None, end_s: float | None
) -> list[ColumnElement[bool]]:
    found: list[ColumnElement[bool]] = []
    if kinds:
        found.append(EVENT.c.kind.in_([kind.value for kind in kinds]))
    if subject is not None:
        found.append(EVENT.c.subject == subject)
    if start_s is not None:
        found.append(EVENT.c.time_s >= start_s)
    if end_s is not None:
        found.append(EVENT.c.time_s < end_s)
    return found


def _believed(row: dict[str, Any]) -> Event:
    try:
        return ledger_chain.from_row(row)
    except ValueError as error:
        raise RecordChangedError(
            f"event {row['number']} was changed after it was written ({error}); verify the ledger"
        ) from error


def _event_row(event: Event) -> dict[str, object]:
    return {**asdict(event), "kind": event.kind.value, "body": ledger_chain.canonical(event.body)}


def _message_row(channel: str, notification: Notification) -> dict[str, object]:
    try:
        text = json.dumps(asdict(notification), allow_nan=False)
    except (TypeError, ValueError) as error:
        raise InputError([Fault("notification", repr(notification), f"{error}; use plain JSON")]) from error
    return {
        "channel": channel,
        "key": notification.key,
        "notification": text,
        "attempts": 0,
        "next_try_s": notification.created_s,
        "state": "waiting",
        "last_error": "",
        "token": notification.token or None,
    }


def _item(row: Any) -> OutboxItem:
    return OutboxItem(
        id=row["id"],
        channel=row["channel"],
        notification=Notification(**json.loads(row["notification"])),
        attempts=row["attempts"],
        next_try_s=row["next_try_s"],
        state=row["state"],
        last_error=row["last_error"],
        settled_s=row["settled_s"],
    )
