"""Keeps accounts, sessions, one-time links and screens beside the record; of every token only a hash.

A one-time link is used up in the transaction that does what it allows, so no two requests use it.
"""

import hashlib
import secrets
import sqlite3
from dataclasses import astuple, dataclass, fields
from pathlib import Path

from monitor.access.access_rules import AccessRules
from monitor.model.actor import KnownBy
from monitor.store.kept_beside import Beside, Rows, Schema

FILE = "accounts.sqlite"
FIRST, JOIN, RESET = "first", "join", "reset"  # what a one-time link is for
TABLET, WALL = "tablet", "wall"
LETS_IN = ("session", "invitation", "screen", "pin_miss")  # tables that no backup holds
_FORGOTTEN_S = 30 * 86_400.0  # what is over is kept so long, for a clock that was wrong for a while
SCHEMA = Schema(
    application_id=0x44525941,
    steps=(
        """
CREATE TABLE account (
  person TEXT PRIMARY KEY,
  password TEXT NOT NULL,
  pin TEXT,
  made_s REAL NOT NULL,
  changed_s REAL NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE session (
  id TEXT PRIMARY KEY,
  person TEXT NOT NULL,
  known_by TEXT NOT NULL,
  device TEXT NOT NULL,
  tablet TEXT NOT NULL,
  made_s REAL NOT NULL,
  seen_s REAL NOT NULL,
  until_s REAL NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE invitation (
  id TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  person TEXT NOT NULL,
  made_by TEXT NOT NULL,
  until_s REAL NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE screen (
  id TEXT PRIMARY KEY,
  kind TEXT NOT NULL,
  name TEXT NOT NULL,
  made_by TEXT NOT NULL,
  made_s REAL NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE pin_miss (
  tablet TEXT NOT NULL,
  person TEXT NOT NULL,
  count INTEGER NOT NULL,
  PRIMARY KEY (tablet, person)
) STRICT, WITHOUT ROWID
""",
    ),
)


@dataclass(frozen=True, slots=True)
class Session:
    """Somebody logged in on one device until a moment; `id` is the hash of the browser's token."""

    id: str
    person: str
    known_by: KnownBy
    device: str  # what the browser says it is, in a few words
    tablet: str  # the shared tablet it is on; empty for a device of one's own
    made_s: float
    seen_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class Account:
    """A person's account; of password and PIN only what cannot be turned back."""

    person: str
    password: str
    pin: str | None
    made_s: float
    changed_s: float


@dataclass(frozen=True, slots=True)
class Invitation:
    """What a one-time link allows, and whom; `person` is empty where the first one chooses."""

    id: str
    kind: str
    person: str
    made_by: str
    until_s: float


@dataclass(frozen=True, slots=True)
class Screen:
    """A device that belongs to the shop: a shared tablet, or a wall screen that only reads."""

    id: str
    kind: str
    name: str
    made_by: str
    made_s: float


class AccountBook:
    """The accounts of one shop; every answer is as of now, whoever else wrote into them."""

    def __init__(self, beside: Beside, rules: AccessRules) -> None:
        self._file = beside.tables(FILE, SCHEMA)
        self._rules = rules

    def close(self) -> None:
        """Let go of them."""
        self._file.close()

    def accounts(self) -> dict[str, Account]:
        """By person."""
        with self._file.read() as db:
            return {row[0]: Account(*row) for row in db.execute(f"SELECT {_columns(Account)} FROM account")}

    def account(self, person: str) -> Account | None:
        """That person's."""
        with self._file.read() as db:
            return _account(db, person)

    def has_accounts(self) -> bool:
        """Whether anybody has one."""
        with self._file.read() as db:
            return db.execute("SELECT 1 FROM account LIMIT 1").fetchone() is not None

    def set_pin(self, person: str, pin: str | None) -> None:
        """Another PIN, or none; wrong tries are forgotten on every tablet."""
        with self._file.write() as db:
            db.execute("UPDATE account SET pin = ? WHERE person = ?", (pin, person))
            db.execute("DELETE FROM pin_miss WHERE person = ?", (person,))

    def set_password(self, person: str, password: str, now_s: float) -> None:
        """Another password; every session of that person ends, and open links for it are void."""
        with self._file.write() as db:
            db.execute(
                "UPDATE account SET password = ?, changed_s = ? WHERE person = ?", (password, now_s, person)
            )
            _end_all(db, person)

    def close_account(self, person: str) -> None:
        """Account, sessions and open links of that person go."""
        with self._file.write() as db:
            db.execute("DELETE FROM account WHERE person = ?", (person,))
            _end_all(db, person)

    def invite(self, kind: str, person: str, made_by: str, until_s: float) -> str:
        """A one-time link's token; those made before for the same are void."""
        token, id_ = _fresh()
        with self._file.write() as db:
            db.execute("DELETE FROM invitation WHERE person = ?", (person,))
            row = astuple(Invitation(id_, kind, person, made_by, until_s))
            db.execute("INSERT INTO invitation VALUES (?, ?, ?, ?, ?)", row)
        return token

    def invitation(self, token: str, now_s: float) -> Invitation | None:
        """What an unused token allows now; looking uses nothing up."""
        with self._file.read() as db:
            return _invitation(db, token, now_s)

    def invited(self, now_s: float) -> dict[str, Invitation]:
        """The open links by person; that for the first account is left out."""
        with self._file.read() as db:
            rows = db.execute(
                f"SELECT {_columns(Invitation)} FROM invitation WHERE until_s > ? AND person != ''", (now_s,)
            )
            return {row[2]: Invitation(*row) for row in rows}

    def use_invitation(self, token: str, person: str, password: str, now_s: float) -> Invitation | None:
        """Use a link up and set the password it was for; None where it allows nothing (any more)."""
        with self._file.write() as db:
            found = _invitation(db, token, now_s)
            if found is None or found.person not in ("", person):
                return None
            db.execute(
                "INSERT INTO account VALUES (?, ?, ?, ?, ?) ON CONFLICT (person) DO UPDATE "
                "SET password = excluded.password, changed_s = excluded.changed_s",
                (person, password, None, now_s, now_s),
            )
            _end_all(db, person)
            db.execute("DELETE FROM invitation WHERE id = ? OR kind = ?", (found.id, FIRST))
            return found

    def begin(self, session: Session) -> str:
        """Log somebody in: the browser's token, new each time. What is long over, or too many, goes."""
        token, id_ = _fresh()
        with self._file.write() as db:
            db.execute("DELETE FROM session WHERE until_s < ?", (session.made_s - _FORGOTTEN_S,))
            db.execute("DELETE FROM invitation WHERE until_s < ?", (session.made_s - _FORGOTTEN_S,))
            row = (id_, *astuple(session)[1:])
            db.execute("INSERT INTO session VALUES (?, ?, ?, ?, ?, ?, ?, ?)", row)
            db.execute(
                "DELETE FROM session WHERE person = ? AND id NOT IN (SELECT id FROM session WHERE person = ? "
                "ORDER BY seen_s DESC, made_s DESC LIMIT ?)",
                (session.person, session.person, self._rules.sessions_of_one),
            )
        return token

    def session(self, token: str, now_s: float) -> Session | None:
        """Whose token this is now; on a shared tablet only for as long as it is used."""
        with self._file.read() as db:
            query = f"SELECT {_columns(Session)} FROM session WHERE id = ? AND until_s > ?"
            row = db.execute(query, (hashed(token), now_s)).fetchone()
        if row is None:
            return None
        found = Session(row[0], row[1], KnownBy(row[2]), *row[3:])
        idle = found.tablet and now_s - found.seen_s > self._rules.pin_idle
        return None if idle else found

    def saw(self, session: Session, now_s: float) -> None:
        """Note that it was used just now; written seldom, to spare the card."""
        every_s = self._rules.pin_seen if session.tablet else self._rules.session_seen
        if now_s - session.seen_s > every_s:
            with self._file.write() as db:
                db.execute("UPDATE session SET seen_s = ? WHERE id = ?", (now_s, session.id))

    def sessions(self, person: str, now_s: float) -> list[Session]:
        """Where somebody is logged in, the one seen last first."""
        with self._file.read() as db:
            rows = db.execute(
                f"SELECT {_columns(Session)} FROM session WHERE person = ? AND until_s > ? "
                "ORDER BY seen_s DESC",
                (person, now_s),
            )
            return [Session(row[0], row[1], KnownBy(row[2]), *row[3:]) for row in rows]

    def end(self, person: str, id_: str | None = None) -> int:
        """End one session of somebody, or all of them; how many there were."""
        with self._file.write() as db:
            if id_ is None:
                return int(db.execute("DELETE FROM session WHERE person = ?", (person,)).rowcount)
            return int(db.execute("DELETE FROM session WHERE person = ? AND id = ?", (person, id_)).rowcount)

    def add_screen(self, screen: Screen) -> str:
        """A tablet's or wall screen's token; beyond the most the oldest goes."""
        token, id_ = _fresh()
        with self._file.write() as db:
            db.execute("INSERT INTO screen VALUES (?, ?, ?, ?, ?)", (id_, *astuple(screen)[1:]))
            db.execute(
                "DELETE FROM screen WHERE id NOT IN (SELECT id FROM screen ORDER BY made_s DESC LIMIT ?)",
                (self._rules.screens,),
            )
            db.execute("DELETE FROM session WHERE tablet != '' AND tablet NOT IN (SELECT id FROM screen)")
        return token

    def screen(self, token: str) -> Screen | None:
        """Whose token this is."""
        with self._file.read() as db:
            query = f"SELECT {_columns(Screen)} FROM screen WHERE id = ?"
            row = db.execute(query, (hashed(token),)).fetchone()
        return None if row is None else Screen(*row)

    def screens(self) -> list[Screen]:
        """All of them, the newest first."""
        with self._file.read() as db:
            rows = db.execute(f"SELECT {_columns(Screen)} FROM screen ORDER BY made_s DESC")
            return [Screen(*row) for row in rows]

    def end_screen(self, id_: str) -> Screen | None:
        """Revoke one, with everybody who is logged in on it."""
        with self._file.write() as db:
            query = f"SELECT {_columns(Screen)} FROM screen WHERE id = ?"
            row = db.execute(query, (id_,)).fetchone()
            db.execute("DELETE FROM screen WHERE id = ?", (id_,))
            db.execute("DELETE FROM session WHERE tablet = ?", (id_,))
            db.execute("DELETE FROM pin_miss WHERE tablet = ?", (id_,))
        return None if row is None else Screen(*row)

    def pin_missed(self, tablet: str, person: str) -> int:
        """How often in a row a PIN was wrong there."""
        with self._file.read() as db:
            query = "SELECT count FROM pin_miss WHERE tablet = ? AND person = ?"
            row = db.execute(query, (tablet, person)).fetchone()
        return 0 if row is None else int(row[0])

    def count_pin(self, tablet: str, person: str, *, right: bool) -> None:
        """Count a wrong one, or begin anew after a right one."""
        with self._file.write() as db:
            if right:
                db.execute("DELETE FROM pin_miss WHERE tablet = ? AND person = ?", (tablet, person))
            else:
                db.execute(
                    "INSERT INTO pin_miss VALUES (?, ?, 1) "
                    "ON CONFLICT (tablet, person) DO UPDATE SET count = pin_miss.count + 1",
                    (tablet, person),
                )

    def backup(self, folder: Path) -> Path | None:
        """A copy without what lets anybody in: after a restore everybody logs in once more.

        None where the copy of the ledger holds it, which leaves out the same.
        """
        copy = self._file.backup(folder / FILE)
        if copy is None:
            return None
        db = sqlite3.connect(copy, isolation_level=None)
        try:
            for table in LETS_IN:
                db.execute(f"DELETE FROM {table}")
            db.execute("VACUUM")
        finally:
            db.close()
        return copy


def hashed(token: str) -> str:
    """What is kept of a token of 256 random bits; it cannot be turned back, and needs no salt."""
    return hashlib.sha256(token.encode("utf-8", "replace")).hexdigest()


def _fresh() -> tuple[str, str]:
    token = secrets.token_urlsafe(32)
    return token, hashed(token)


def _columns(record: type) -> str:
    return ", ".join(field.name for field in fields(record))


def _account(db: Rows, person: str) -> Account | None:
    row = db.execute(f"SELECT {_columns(Account)} FROM account WHERE person = ?", (person,)).fetchone()
    return None if row is None else Account(*row)


def _invitation(db: Rows, token: str, now_s: float) -> Invitation | None:
    """The first account's link counts only while there is none."""
    row = db.execute(
        f"SELECT {_columns(Invitation)} FROM invitation WHERE id = ? AND until_s > ? "
        "AND (kind != ? OR NOT EXISTS (SELECT 1 FROM account))",
        (hashed(token), now_s, FIRST),
    ).fetchone()
    return None if row is None else Invitation(*row)


def _end_all(db: Rows, person: str) -> None:
    for table in ("session", "invitation", "pin_miss"):
        db.execute(f"DELETE FROM {table} WHERE person = ?", (person,))
