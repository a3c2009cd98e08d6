"""Puts the ledger's events in the order in which things happened, as later corrections put them right."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo
from typing import TypeVar

from monitor.history.entries import Entry, entry_of
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Dated:
    """An entry and when it happened."""

    time_s: float
    entry: Entry
    number: int = 0


@dataclass(frozen=True, slots=True)
class Refusal:
    """An entry that cannot be true beside the ones before it, and was left out."""

    number: int
    faults: tuple[Fault, ...]


def folded(
    entries: Iterable[Dated], before: T | None, after: Callable[[T | None, Dated], T]
) -> tuple[T | None, list[Refusal]]:
    """The history that stands, and the entries that cannot be true beside the ones before them.

    `after` is a history with one more entry; it raises InputError where that cannot be true.
    """
    history = before
    refusals: list[Refusal] = []
    for dated in entries:
        try:
            history = after(history, dated)
        except InputError as error:
            refusals.append(Refusal(dated.number, error.faults))
    return history, refusals


def corrected(events: Iterable[Event]) -> list[Event]:
    """The events as later corrections put them right, in order of happening.

    A correction's body is `{"of": number}` with `"void": true` (or false, which takes that back), or with a
    new `"time_s"` or `"body"`. A correction of a correction changes nothing: put the entry itself right.
    """
    known: dict[int, Event] = {}
    events = list(events)
    gone = taken_back(events)
    for event in events:
        if event.kind is not EventKind.CORRECTION:
            known[event.number] = event
            continue
        number = event.body.get("of")
        target = known.get(number) if isinstance(number, int) else None
        if target is not None:
            known[target.number] = _put_right(target, event.body)
    kept = (event for event in known.values() if event.number not in gone)
    return sorted(kept, key=lambda event: (event.time_s, event.number))


def taken_back(events: Iterable[Event]) -> set[int]:
    """The numbers of entries that were taken back and do not stand again."""
    known: set[int] = set()
    gone: set[int] = set()
    for event in events:
        number, void = event.body.get("of"), event.body.get("void")
        if event.kind is not EventKind.CORRECTION:
            known.add(event.number)
        elif isinstance(number, int) and number in known and void is not None:
            (gone.add if void else gone.discard)(number)
    return gone


def _put_right(target: Event, correction: Mapping[str, object]) -> Event:
    time_s, body = correction.get("time_s"), correction.get("body")
    if isinstance(time_s, int | float) and not isinstance(time_s, bool):
        target = replace(target, time_s=float(time_s))
    return replace(target, body=body) if isinstance(body, Mapping) else target


def readable_entries(events: Iterable[Event], kind: EventKind) -> tuple[list[Dated], list[int]]:
    """The same without stopping at what nobody can read: its numbers come second."""
    found: list[Dated] = []
    unread: list[int] = []
    for event in corrected(events):
        if event.kind is kind:
            try:
                found.append(Dated(event.time_s, entry_of(event.kind, event.body), event.number))
            except InputError:
                unread.append(event.number)
    return found, unread


def moment(time_s: float, zone: tzinfo = UTC) -> str:
    """A moment as a person reads it, with its offset, so that the night of the clock change is plain."""
    return f"{datetime.fromtimestamp(time_s, zone):%Y-%m-%d %H:%M %z}"
