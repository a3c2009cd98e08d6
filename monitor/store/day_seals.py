"""Seals the readings of a day: a hash over all, entered into the ledger: no reading is changed unseen.

A series is hashed by SHA-256 over its times (whole milliseconds since 1970, 64-bit little-endian integers)
followed by its values (64-bit little-endian IEEE 754), both in rising time, whatever is doubted among them.
The day's seal is the SHA-256 over the RFC 8785 JSON of those hashes by series. Days are UTC's.
"""

import hashlib
import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from monitor.model.event import Event, EventKind
from monitor.model.reading import MEASURED, SeriesKey
from monitor.store.contract import Ledger, RecordChangedError, SeriesStore
from monitor.store.ledger_chain import canonical

DAY_S = 86_400.0
SUBJECT = "readings/"
_READ_AT_ONCE = 5_000
_SHOWN_DIGITS = 16
Late = Mapping[SeriesKey, frozenset[int]]  # times in milliseconds


@dataclass(frozen=True, slots=True)
class DaySeal:
    """The readings of one day: how many, the hash over all, and by series how many and its hash's start."""

    day: int  # days since 1970, UTC
    readings: int
    sha256: str
    series: Mapping[str, str]


@dataclass(frozen=True, slots=True)
class EnteredSeal:
    """A seal as it stands in the ledger, and what it is a seal of: readings up to an order of arrival."""

    number: int
    seal: DaySeal
    order: int
    scanned: int  # up to here every late reading has led to a new seal
    store: str  # which series store the orders are of
    old_holds: bool | None  # whether what the seal before it sealed was still there; None: nothing to ask

    def for_store(self, store: str) -> "EnteredSeal":
        """As it is read beside a series store: in another one than its own, whatever arrives is later."""
        return self if self.store == store else replace(self, order=0)


def day_name(day: int) -> str:
    """The date of a day."""
    return f"{datetime.fromtimestamp(day * DAY_S, UTC):%Y-%m-%d}"


def seal_of(series: SeriesStore, day: int, without: Late | None = None) -> DaySeal:
    """The seal of a day as it is stored now, one series at a time, leaving out what came late."""
    whole: dict[str, str] = {}
    shown: dict[str, str] = {}
    readings = 0
    for key in sorted(key for key in series.keys() if key.quantity in MEASURED):  # noqa: SIM118 (no mapping)
        part = series.slice(key, day * DAY_S, (day + 1) * DAY_S)
        times_ms = np.round(part.time_s * 1000.0).astype("<i8")
        late = (without or {}).get(key)
        kept = ~np.isin(times_ms, list(late)) if late else np.ones(times_ms.size, dtype=bool)
        count = int(kept.sum())
        if count:
            values = part.value[kept].astype("<f8") + 0.0  # a zero has one sign
            digest = hashlib.sha256(times_ms[kept].tobytes() + values.tobytes()).hexdigest()
            whole["/".join(key)] = digest
            shown["/".join(key)] = f"{count}:{digest[:_SHOWN_DIGITS]}"
            readings += count
    root = hashlib.sha256(canonical({"day": day_name(day), "series": whole}).encode()).hexdigest()
    return DaySeal(day, readings, root, shown)


def body_of(entered: EnteredSeal) -> dict[str, object]:
    """What the ledger holds of a seal."""
    return {
        "readings": entered.seal.readings,
        "sha256": entered.seal.sha256,
        "series": dict(entered.seal.series),
        "order": entered.order,
        "scanned": entered.scanned,
        "store": entered.store,
        "old_holds": entered.old_holds,
    }


def entered_seal(event: Event) -> EnteredSeal:
    """A seal read back from the ledger; RecordChangedError where it is none any more."""
    try:
        return _read_back(event)
    except (KeyError, ValueError, AssertionError) as error:
        raise RecordChangedError(f"event {event.number} is no seal any more; verify the ledger") from error


def _read_back(event: Event) -> EnteredSeal:
    body = event.body
    series = body["series"]
    assert isinstance(series, Mapping)
    moment = datetime.fromisoformat(event.subject.removeprefix(SUBJECT)).replace(tzinfo=UTC)
    seal = DaySeal(
        day=round(moment.timestamp() / DAY_S),
        readings=int(str(body["readings"])),
        sha256=str(body["sha256"]),
        series={str(name): str(text) for name, text in series.items()},
    )
    old = body["old_holds"]
    return EnteredSeal(
        number=event.number,
        seal=seal,
        order=int(str(body["order"])),
        scanned=int(str(body["scanned"])),
        store=str(body["store"]),
        old_holds=None if old is None else bool(old),
    )


def arrivals(series: SeriesStore, after: int, until: int) -> Iterator[tuple[int, SeriesKey, int]]:
    """Order, series and time (ms) of what arrived after one order and up to another."""
    while after < until:
        found = series.readings_after(after, _READ_AT_ONCE)
        if not found:
            return
        for order, reading in found:
            if order > until:
                return
            yield order, reading.key, round(reading.time_s * 1000.0)
        after = found[-1].order


def late_for(
    series: SeriesStore, sealed: Mapping[int, EnteredSeal], after: int, until: int
) -> dict[int, Late]:
    """What arrived in that stretch for days that were sealed before it came, by day and series."""
    found: dict[int, dict[SeriesKey, set[int]]] = {}
    for order, key, time_ms in arrivals(series, after, until):
        day = int(time_ms // (DAY_S * 1000.0))
        seal = sealed.get(day)
        if seal is not None and order > seal.order:
            found.setdefault(day, {}).setdefault(key, set()).add(time_ms)
    return {day: {key: frozenset(times) for key, times in keys.items()} for day, keys in found.items()}


def broken_seals(
    series: SeriesStore,
    ledger: Ledger,
    kept_from_s: float,
    progress: Callable[[int], object] = lambda _: None,
) -> tuple[int, list[str]]:
    """Hold every sealed day against what is stored: how many were looked at, and those that differ, in words.

    What came late and is not sealed yet is left out of it; so are days of which readings are no longer kept.
    """
    store, last_order = str(series.identity()), series.last_order()
    found = (entered_seal(event) for event in ledger.last_of_each(EventKind.SEAL, math.inf))
    sealed = {one.seal.day: one.for_store(store) for one in found}
    scanned = max((one.scanned for one in sealed.values() if one.store == store), default=last_order)
    late = late_for(series, sealed, scanned, last_order)
    looked_at = [one for day, one in sorted(sealed.items()) if day * DAY_S >= kept_from_s]
    wrong = []
    for one in looked_at:
        day = one.seal.day
        now = seal_of(series, day, late.get(day))
        why = series.unreadable(day * DAY_S, (day + 1) * DAY_S)
        if why:
            wrong.append(f"{day_name(day)}, sealed in event {one.number}: cannot be compared: {why}")
        elif now.sha256 != one.seal.sha256:
            wrong.append(f"{day_name(day)}, sealed in event {one.number}: {differing(one.seal, now)}")
        progress(1)
    return len(looked_at), wrong


def differing(sealed: DaySeal, now: DaySeal) -> str:
    """Which series are not as they were sealed, a few by name."""
    names = sorted({*sealed.series, *now.series})
    wrong = [name for name in names if sealed.series.get(name) != now.series.get(name)]
    said = [
        f"{name} ({_count(sealed, name)} readings sealed, {_count(now, name)} there)" for name in wrong[:3]
    ]
    more = f" and {len(wrong) - 3} more series" if len(wrong) > 3 else ""
    return f"{'; '.join(said) or 'the hash over all series'}{more}"


def _count(seal: DaySeal, name: str) -> str:
    return seal.series.get(name, "0").partition(":")[0]
