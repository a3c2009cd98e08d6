"""Keeps the phones whose browsers asked to be told (RFC 8030), in a file of their own beside the data."""

from collections.abc import Collection
from dataclasses import astuple, dataclass
from pathlib import Path

from monitor.store.sqlite_file import Schema, SqliteFile

FILE = "phones.sqlite"
MOST_OF_ONE = 10  # phones of one person; the oldest makes room
_SCHEMA = Schema(
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
    """The file of phones; every answer is as of now."""

    def __init__(self, data_dir: Path) -> None:
        self._file = SqliteFile(data_dir / FILE, _SCHEMA)

    def close(self) -> None:
        """Let go of the file."""
        self._file.close()

    def keep(self, phone: KnownPhone) -> None:
        """Add it, or take its newer keys; beyond what one person may have the oldest go."""
        with self._file.write() as db:
            db.execute("INSERT OR REPLACE INTO phone VALUES (?, ?, ?, ?, ?, ?)", astuple(phone))
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
        with self._file.read() as db:
            rows = db.execute("SELECT * FROM phone ORDER BY made_s DESC, endpoint").fetchall()
        found = [KnownPhone(*row) for row in rows]
        return [one for one in found if not people or one.person in people]
