"""Keeps the phones whose browsers asked to be told (RFC 8030), beside the record."""

import logging
from collections.abc import Callable, Collection
from dataclasses import astuple, dataclass

from monitor.store.contract import StoreUnavailableError
from monitor.store.kept_beside import Beside, Schema

FILE = "phones.sqlite"
KEY_FILE = "push.key"
TABLE = "phone"
log = logging.getLogger(__name__)

MOST_OF_ONE = 10  # phones of one person; the oldest makes room
SCHEMA = Schema(
    application_id=0x44525950,
    steps=(
        """
CREATE TABLE phone (
  endpoint TEXT PRIMARY KEY,
  public_key TEXT NOT NULL,
  secret TEXT NOT NULL,
  person TEXT NOT NULL,
  device TEXT NOT NULL,
  made_s REAL NOT NULL
) STRICT, WITHOUT ROWID
""",
    ),
)


@dataclass(frozen=True, slots=True)
class KnownPhone:
    """One browser's subscription: where its push service takes messages, and its keys (RFC 8291)."""

    endpoint: str
    public_key: str  # of the browser, P-256, uncompressed
    secret: str  # 16 bytes that only it and we know
    person: str  # a person's name, as messages carry it
    device: str
    made_s: float


class PhoneBook:
    """The phones of one shop; every answer is as of now, or of before where their store is away.

    People must be told of a store that is away, so what was read last is kept in mind.
    """

    def __init__(self, beside: Beside) -> None:
        self._beside = beside
        self._file = beside.tables(FILE, SCHEMA)
        self._last: list[KnownPhone] = []
        self._key = b""
        self.of(())

    def close(self) -> None:
        """Let go of them."""
        self._file.close()

    def key(self, make: Callable[[], bytes]) -> bytes:
        """The key that push services know the shop by; made once."""
        self._key = self._key or self._beside.key(KEY_FILE, make)
        return self._key

    def keep(self, phone: KnownPhone) -> None:
        """Add it, or take its newer keys; beyond what one person may have the oldest go."""
        with self._file.write() as db:
            db.execute("DELETE FROM phone WHERE endpoint = ?", (phone.endpoint,))
            db.execute("INSERT INTO phone VALUES (?, ?, ?, ?, ?, ?)", astuple(phone))
            db.execute(
                "DELETE FROM phone WHERE person = ? AND endpoint NOT IN "
                "(SELECT endpoint FROM phone WHERE person = ? ORDER BY made_s DESC LIMIT ?)",
                (phone.person, phone.person, MOST_OF_ONE),
            )

    def drop(self, endpoint: str, person: str = "") -> None:
        """It is not told any more; of another person's phone nothing is done where a person is named."""
        with self._file.write() as db:
            db.execute("DELETE FROM phone WHERE endpoint = ? AND ? IN ('', person)", (endpoint, person))

    def of(self, people: Collection[str]) -> list[KnownPhone]:
        """The phones of these people, of everybody where none is named; the newest first."""
        try:
            with self._file.read() as db:
                rows = db.execute("SELECT * FROM phone ORDER BY made_s DESC, endpoint").fetchall()
            self._last = [KnownPhone(*row) for row in rows]
        except StoreUnavailableError as error:
            log.warning("phones are told by what was known of them before: %s", error)
        return [one for one in self._last if not people or one.person in people]
