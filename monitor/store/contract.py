"""What any series store and the ledger promise; every implementation passes one conformance suite."""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from monitor.model.errors import DryshiftError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.model.reading import Mark, Point, Reading, SeriesKey, StoredReading
from monitor.store.kept_beside import Beside

FloatArray = npt.NDArray[np.float64]


class StoreUnavailableError(DryshiftError):
    """The store cannot write or read now (full disk, read-only, locked, away); nothing was acknowledged."""


class ParquetUnavailableError(DryshiftError):
    """The library that reads and writes Parquet is not installed."""

    def __init__(self) -> None:
        super().__init__("Parquet needs one library more: sh deploy/install.sh parquet")


class RecordChangedError(StoreUnavailableError):
    """An event in the ledger is not what was written; nothing is made of it."""


class SetAside(NamedTuple):
    """A message that could not be read, kept for inspection."""

    topic: str
    payload: bytes  # cut to a bounded length
    arrived_s: float
    reason: str  # stable reason code
    detail: str  # field, value and fix, in words


class MonthFile(NamedTuple):
    """A file that a closed month's numbers lie in, no longer in the live file."""

    number: int
    path: Path
    month: str  # UTC: "2026-03"
    derived: bool
    sha256: str
    size_bytes: int
    n: int  # numbers in it


@dataclass(frozen=True, slots=True)
class AppendResult:
    """What became of a batch: new readings, repeats, and repeats that contradict what is stored."""

    stored: int
    repeated: int
    contradicting: int
    last_order: int


class Bucket(NamedTuple):
    """Believed readings of one stretch of time, summed up; a page takes some ten thousand."""

    start_s: float
    n: int
    minimum: float
    mean: float
    maximum: float


@dataclass(frozen=True, slots=True)
class SeriesSlice:
    """Points of one series in rising time; `doubtful` marks those kept out of decisions."""

    time_s: FloatArray
    value: FloatArray
    doubtful: npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Shipping:
    """How far a store behind a local spool has come in sending on what is already durable here."""

    state: str  # "up_to_date" | "sending" | "server_away" | "denied" | "spool_full"
    waiting: int  # numbers not yet sent
    oldest_waiting_s: float | None  # arrival of the oldest reading not yet sent
    refused: int  # numbers the server would not have, kept here with its reason
    last_error: str
    last_error_s: float | None
    last_sent_s: float | None


class Witness(NamedTuple):
    """The newest event as printed or sent out of the house: what was the end of the chain then."""

    number: int
    hash: str


class KeptWitness(NamedTuple):
    """A witness as it was kept outside of the ledger, and when."""

    time_s: float
    witness: Witness


class SeriesStore(Protocol):
    """Readings and derived series, durable when a call returns, safe to call from several threads."""

    def append(self, readings: Sequence[Reading], set_aside: Sequence[SetAside] = ()) -> AppendResult:
        """Store a batch in one transaction; the same (series, time) twice counts as repeated."""

    def readings_after(self, order: int, limit: int) -> list[StoredReading]:
        """Readings in order of arrival, for the core to work through."""

    def last_order(self) -> int:
        """The order of the newest reading; 0 when empty."""

    def write_points(self, points: Sequence[Point]) -> None:
        """Store derived numbers; the same (series, time) again replaces."""

    def forget_points_after(self, time_s: float) -> None:
        """Drop derived numbers of later times: they were written under a clock that was ahead."""

    def identity(self) -> int:
        """A number of chance made with the store, which its copies keep; never 0."""

    def mark(self, marks: Sequence[Mark]) -> None:
        """Mark readings as doubtful and take them out of the rollups."""

    def keys(self) -> list[SeriesKey]:
        """Every series that holds anything."""

    def latest(self, key: SeriesKey) -> Point | None:
        """The newest believed point of a series."""

    def slice(self, key: SeriesKey, start_s: float, end_s: float, limit: int | None = None) -> SeriesSlice:
        """Points with start_s ≤ time < end_s."""

    def buckets(self, key: SeriesKey, start_s: float, end_s: float, width_s: float) -> list[Bucket]:
        """Aligned buckets (multiples of width_s since the epoch) of believed points; empty ones left out."""

    def spans(self, key: SeriesKey, edges_s: Sequence[float]) -> list[Bucket]:
        """Believed points between neighbouring edges (local midnights, shifts); empty ones left out."""

    def set_aside(self, limit: int = 100, skip: int = 0) -> list[SetAside]:
        """The newest unreadable messages, after so many newer ones."""

    def keep_witness(self, kept: KeptWitness) -> None:
        """Keep the ledger's end beside the readings: the last of each UTC day, for some years."""

    def witnesses(self) -> list[KeptWitness]:
        """The ledger's ends that were kept, the oldest first."""

    def shipping(self) -> Shipping | None:
        """How far behind the server is; None where the store is all local."""

    def counts(self) -> dict[str, int]:
        """Counters since the store was made: stored, repeated, contradicting, set_aside, let_go, doubtful.

        `let_go` counts messages set aside that made room for others since.
        """

    def apply_retention(self, now_s: float) -> int:
        """Drop what the settings say is too old; returns rows dropped."""

    def archived(self) -> dict[MonthFile, str]:
        """The months that lie in files of their own, each with why it cannot be read now ("": it can)."""

    def look_at_archive(self) -> None:
        """Learn anew which months' files can be read; bounded in time."""

    def unreadable(self, start_s: float, end_s: float) -> str:
        """Why numbers of this stretch that are stored cannot be read now, in words; "" where all can.

        Other questions answer as if these were not there: whoever needs all of them asks this afterwards.
        """

    def refresh_rollups(self) -> int:
        """Sum up every hour whose rollups lag behind; answers are right without it, only slower."""

    def backup(self, target_dir: Path) -> Path:
        """A checked copy in `target_dir`, made while the service runs; returns the file."""

    def close(self) -> None:
        """Finish writing and let go of the files."""


@dataclass(frozen=True, slots=True)
class EventPage:
    """The last events entered, newest first, and how many that fit as well were entered before them."""

    events: tuple[Event, ...]
    left_out: int


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """The core's state as of a place in the order of arrival."""

    order: int
    time_s: float
    state: bytes


@dataclass(frozen=True, slots=True)
class OutboxItem:
    """A message for one channel on its way out."""

    id: int
    channel: str
    notification: Notification
    attempts: int
    next_try_s: float
    state: str  # "waiting" | "delivered" | "refused" | "expired" | "cancelled"
    last_error: str
    settled_s: float | None


@dataclass(frozen=True, slots=True)
class Verification:
    """Whether the chain of events holds; `broken_at` is the first event that does not fit."""

    checked: int
    broken_at: int | None
    reason: str


class Ledger(Protocol):
    """Append-only events, the outbox and the core's checkpoint, written together in one transaction."""

    def commit(
        self,
        events: Sequence[NewEvent],
        *,
        entered_s: float,
        outbox: Sequence[tuple[str, Notification]] = (),
        checkpoint: Checkpoint | None = None,
    ) -> list[Event]:
        """Write all or nothing; events and outbox items whose key is already there change nothing.

        `outbox` pairs a channel id with a notification; (channel, notification.key) is unique. Returns
        one event for each given, in the same order: the one on record where the key was already there.
        """

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

    def last_of_each(self, kind: EventKind, before_s: float) -> list[Event]:
        """Of every subject the event of a kind that was entered last, of those before a moment."""

    def verify(
        self, witnesses: Iterable[Witness] = (), progress: Callable[[int], object] = lambda _: None
    ) -> Verification:
        """Walk the chain and name the first broken link, also against witnesses kept elsewhere.

        They come in rising number; a hash may be the beginning of one. `progress` hears of so many events at
        a time, and ends the walk by raising.
        """

    def links(self) -> Iterator[Witness]:
        """Number and hash of every event in order, a few at a time."""

    def contradicted(self, witnesses: Sequence[Witness]) -> list[Witness]:
        """Those of the witnesses whose event is another now, or is not there; the chain is not walked."""

    def beside(self, data_dir: Path) -> Beside:
        """Where this shop's accounts, phones and keys lie: with the ledger, or in the data folder."""

    def head(self) -> Witness:
        """The newest event's number and hash, to be printed on reports; number 0 when empty."""

    def checkpoint(self) -> Checkpoint | None:
        """The last checkpoint written."""

    def hold(self, sites: Sequence[str]) -> None:
        """Keep every other service out while this one runs; InputError where one runs, or ran for others."""

    def bring_forward(self, now_s: float, until_s: float) -> None:
        """Messages that wait for a time after now and up to `until_s`, which was undone, are due now."""

    def due(self, now_s: float, limit: int = 100, channel: str | None = None) -> list[OutboxItem]:
        """Waiting items (of one channel, or of all) whose time has come, oldest first."""

    def settle(
        self, item_id: int, *, state: str, now_s: float, error: str = "", next_try_s: float | None = None
    ) -> None:
        """Record an attempt's outcome; state "waiting" with next_try_s means try again then."""

    def close_waiting(self, ends: Mapping[int, tuple[str, str]], now_s: float) -> None:
        """End many waiting items at once without an attempt: state and why, by item."""

    def outbox(self, *, states: Sequence[str] = (), channel: str | None = None) -> list[OutboxItem]:
        """Every item, the newest first, of one channel or of all."""

    def message_of(self, token: str) -> Notification | None:
        """The message that was given this token; None where none was."""

    def backup(self, target_dir: Path) -> Path:
        """A checked copy in `target_dir`, made while the service runs; returns the file."""

    def close(self) -> None:
        """Let go of the database."""
