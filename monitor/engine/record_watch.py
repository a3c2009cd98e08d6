"""Minds the record: keeps its end outside of it, seals closed days, and says where these contradict it."""

import logging
import threading
from collections.abc import Iterator, Mapping
from datetime import datetime, tzinfo
from typing import NamedTuple

from monitor.model.actor import KnownBy
from monitor.model.event import EventKind, NewEvent
from monitor.model.picture import Part
from monitor.settings.schema import Settings
from monitor.store.contract import (
    KeptWitness,
    Ledger,
    RecordChangedError,
    SeriesStore,
    StoreUnavailableError,
    Witness,
)
from monitor.store.day_sealer import DaySealer
from monitor.store.day_seals import EnteredSeal, day_name
from monitor.store.witness_book import WitnessBook, contradicting
from monitor.store.witnesses import short_witness

log = logging.getLogger(__name__)

LOOK_EVERY_S = 60.0
KEEP_EVERY_S = 3_600.0
SEAL_EVERY_S = 6 * 3_600.0
VERIFY_EVERY_S = 24 * 3_600.0
PAUSE_S = 0.05
SUBJECT = "record"
ACCEPTED = "accepted"  # by a person, who says why
BEGUN = "begun"  # beside readings that were stored before it


class _StoppedError(Exception):
    """The service stops in the middle of a walk."""


class RecordWatch:
    """Judging goes on whatever it finds; called from the service's periodic work."""

    def __init__(self, settings: Settings, series: SeriesStore, ledger: Ledger) -> None:
        self._zone = settings.sites[0].tz  # of the clock on the shop's wall
        self._book = WitnessBook(settings.service.data_dir, series)
        self._sealer = DaySealer(series, ledger)
        self._series = series
        self._ledger = ledger
        self._kept_s = self._sealed_s = float("-inf")
        self._verified_s: float | None = None
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._wrong: tuple[str, ...] = ()
        self._broken = ""  # what walking the chain has found
        self._unread = ""  # why it could not be looked at

    def look(self, now_s: float, *, keep: bool = False) -> None:
        """Hold the ledger against what was kept; where it holds keep its end, now and then or at once."""
        with self._lock:
            try:
                self._wrong = tuple(self._looked(now_s, keep=keep))
                self._unread = ""
            except RecordChangedError as error:
                self._wrong = (str(error),)
            except StoreUnavailableError as error:
                self._unread = f"could not be looked at: {error}"
                log.warning("the record %s", self._unread)

    def mind(self, now_s: float) -> None:
        """Look; when it is time again seal the days that are over, and walk the whole chain."""
        self.look(now_s)
        with self._lock:
            if abs(now_s - self._sealed_s) >= SEAL_EVERY_S:
                self._sealer.seal(now_s)
                self._sealed_s = now_s
            if self._verified_s is None or abs(now_s - self._verified_s) >= VERIFY_EVERY_S:
                self._walk(now_s)

    def stop(self) -> None:
        """End a walk of the chain; it begins anew after the next start."""
        self._stopping.set()

    def _walk(self, now_s: float) -> None:
        """The whole chain, with pauses, so that judging goes on beside it."""
        try:
            found = self._ledger.verify((), self._pause)
        except _StoppedError:
            return
        self._broken = "" if found.broken_at is None else found.reason
        self._verified_s = now_s

    def _pause(self, _events: int) -> None:
        if self._stopping.wait(PAUSE_S):
            raise _StoppedError

    def _looked(self, now_s: float, *, keep: bool) -> Iterator[str]:
        """What contradicts the record, in words."""
        head = self._ledger.head()
        if head.number == 0 and self._series.last_order() > 0 and not self._book.kept():
            self._ledger.commit([_begun(now_s)], entered_s=now_s)
        kept, told = contradictions(self._ledger, self._book, self._sealer.contradictions())
        if kept:
            yield self._entered(kept[0], head, now_s)
        elif head.number and (keep or abs(now_s - self._kept_s) >= KEEP_EVERY_S):
            self._book.keep(now_s, head)
            self._kept_s = now_s
        yield from (one.words for one in told[:1])

    def part(self) -> Part:
        """How the record stands."""
        wrong = [words for words in (self._broken, *self._wrong, self._unread) if words]
        return Part("record", not wrong, "; ".join(wrong) or "as it was witnessed")

    def contradicted(self) -> float:
        """1 where what was kept contradicts the record."""
        return float(bool(self._wrong or self._broken))

    def witnesses(self) -> list[Witness]:
        """What was kept outside of the ledger and nobody has accepted as contradicting, in rising number."""
        return [one.witness for one in not_accepted(self._ledger, self._book)]

    def _entered(self, one: KeptWitness, head: Witness, now_s: float) -> str:
        """Enter a contradiction, once; returns its words as they were when it was found."""
        body: dict[str, object] = {"entry": "contradicted", "witness": list(one.witness)}
        key = f"{SUBJECT}/{short_witness(one.witness)}"
        new = NewEvent(
            EventKind.RECORD,
            SUBJECT,
            now_s,
            "dryshift",
            body,
            contradiction_words(one, head, self._zone),
            key,
        )
        (event,) = self._ledger.commit([new], entered_s=now_s)
        return event.why


class ToldByEvent(NamedTuple):
    """An event of the ledger that itself says that something is not as it was."""

    number: int
    words: str


def contradictions(
    ledger: Ledger, book: WitnessBook, seals: list[EnteredSeal]
) -> tuple[list[KeptWitness], list[ToldByEvent]]:
    """What contradicts the record and was not accepted by anybody."""
    known = [number for body in _acceptances(ledger) for number in _listed(body.get("events"))]
    kept = contradicting(ledger, not_accepted(ledger, book))
    begun = (e for e in ledger.events(kinds=[EventKind.RECORD]) if e.body.get("entry") == BEGUN)
    told = [ToldByEvent(event.number, event.why) for event in begun]
    told += [
        ToldByEvent(
            one.number,
            f"readings of {day_name(one.seal.day)} are not as they were sealed: see event {one.number}",
        )
        for one in seals
    ]
    return kept, [one for one in told if one.number not in known]


def _begun(now_s: float) -> NewEvent:
    why = "the ledger was empty beside stored readings: it was removed, or is another one than before"
    return NewEvent(EventKind.RECORD, SUBJECT, now_s, "dryshift", {"entry": BEGUN}, why)


def not_accepted(ledger: Ledger, book: WitnessBook) -> list[KeptWitness]:
    """The ledger's ends that were kept, the lowest first, without those that a person has set aside."""
    accepted = [pair for body in _acceptances(ledger) for pair in _listed(body.get("witnesses"))]
    return [one for one in book.kept() if list(one.witness) not in accepted]


def _acceptances(ledger: Ledger) -> list[Mapping[str, object]]:
    events = ledger.events(kinds=[EventKind.RECORD])
    return [event.body for event in events if event.body.get("entry") == ACCEPTED]


def accept(
    ledger: Ledger, found: tuple[list[KeptWitness], list[ToldByEvent]], who: str, why: str, now_s: float
) -> None:
    """Enter that a person knows of what contradicts the record, and why it is so; it is not told any more."""
    body: dict[str, object] = {
        "entry": ACCEPTED,
        "witnesses": [list(one.witness) for one in found[0]],
        "events": [one.number for one in found[1]],
    }
    known_by = KnownBy.COMMAND_LINE
    event = NewEvent(EventKind.RECORD, SUBJECT, now_s, who, body, why, known_by=known_by)
    ledger.commit([event], entered_s=now_s)


def _listed(found: object) -> list[object]:
    return found if isinstance(found, list) else []


def contradiction_words(one: KeptWitness, head: Witness, zone: tzinfo) -> str:
    """How the ledger, which ends so, differs from an end that was kept; in the shop's time."""
    moment = f"{datetime.fromtimestamp(one.time_s, zone):%Y-%m-%d %H:%M %Z}"
    if head.number < one.witness.number:
        return (
            f"the ledger ends at event {head.number}, but event {one.witness.number} was there on {moment}: "
            "its file was removed, replaced or cut short"
        )
    return (
        f"event {one.witness.number} is not the one that was there on {moment}: the ledger was written anew "
        "or replaced"
    )
