"""Enters the seal of every closed day into the ledger; where readings came late, anew, naming the old."""

from typing import NamedTuple

from monitor.model.event import EventKind, NewEvent
from monitor.store.contract import Ledger, SeriesStore
from monitor.store.day_seals import (
    DAY_S,
    SUBJECT,
    DaySeal,
    EnteredSeal,
    Late,
    arrivals,
    body_of,
    day_name,
    differing,
    entered_seal,
    late_for,
    seal_of,
)

CLOSED_AFTER_S = 3_600.0  # so long after midnight UTC what is merely slow has come
FIRST_DAYS = 31  # a store that was never sealed is sealed from so far back
MOST_DAYS = 8  # in one go; the rest follows at the next
MOST_ARRIVALS = 200_000  # looked through in one go
MOST_SEALS = 400  # remembered: more than a year of days
_TRIES = 5


class _Sealing(NamedTuple):
    day: int
    late: Late
    number: int  # of readings that came late


class DaySealer:
    """One store's seals; `seal` is called now and then and does a bounded part of what is due."""

    def __init__(self, series: SeriesStore, ledger: Ledger) -> None:
        self._series = series
        self._ledger = ledger
        self._sealed: dict[int, EnteredSeal] = {}
        self._scanned: int | None = None
        self._store = ""

    def seal(self, now_s: float) -> int:
        """Seal days that are over and days whose readings came late; returns how many seals were entered."""
        self._recall()
        assert self._scanned is not None
        until = min(self._series.last_order(), self._scanned + MOST_ARRIVALS)
        late = late_for(self._series, self._sealed, self._scanned, until)
        over = int((now_s - CLOSED_AFTER_S) // DAY_S)  # the first day that is not
        first = max(self._sealed, default=over - FIRST_DAYS) + 1
        fresh = range(max(first, over - FIRST_DAYS), over)[:MOST_DAYS]
        due = [_Sealing(day, late[day], sum(map(len, late[day].values()))) for day in sorted(late)]
        due += [_Sealing(day, {}, 0) for day in fresh if day not in late]
        entered = [self._enter(one, now_s) for one in due]
        if all(entered):
            self._scanned = until  # what was entered says the old one: a power cut in between looks once more
        return sum(entered)

    def contradictions(self) -> list[EnteredSeal]:
        """Seals that found, as they were made, that the day was not any more what had been sealed before."""
        self._recall()
        return [one for one in self._sealed.values() if one.old_holds is False]

    def _recall(self) -> None:
        """Learn at the start, or for another store, what was sealed and how far."""
        store = str(self._series.identity())
        if self._store == store:
            return
        page = self._ledger.newest(MOST_SEALS, kinds=[EventKind.SEAL])
        entered = [entered_seal(event) for event in reversed(page.events)]
        self._sealed = {one.seal.day: one.for_store(store) for one in entered}
        own = [one.scanned for one in entered if one.store == store]
        last_order = self._series.last_order()
        self._scanned = min(max(own, default=last_order), last_order)
        self._store = store

    def _enter(self, one: _Sealing, now_s: float) -> bool:
        assert self._scanned is not None
        old = self._sealed.get(one.day)
        old_holds, words = None, "the day is over"
        if old is not None and old.store == self._store:
            before = seal_of(self._series, one.day, one.late)
            old_holds = before.sha256 == old.seal.sha256
            words = f"{one.number} readings came late; replaces event {old.number}"
            if not old_holds:
                words += f"; NOT AS SEALED BEFORE: {differing(old.seal, before)}"
        found = self._settled(one.day)
        if found is None or self._series.unreadable(one.day * DAY_S, (one.day + 1) * DAY_S):
            return False  # it is sealed once all of it is there to be read
        order, seal = found
        entered = EnteredSeal(0, seal, order, self._scanned, self._store, old_holds)
        body = body_of(entered)
        if old is not None:
            body["replaces"] = {"number": old.number, "sha256": old.seal.sha256}
        subject = f"{SUBJECT}{day_name(one.day)}"
        key = f"{subject}/{0 if old is None else old.number}"
        new = NewEvent(EventKind.SEAL, subject, (one.day + 1) * DAY_S, "dryshift", body, words, key)
        (event,) = self._ledger.commit([new], entered_s=now_s)
        self._sealed[one.day] = entered_seal(event)
        return True

    def _settled(self, day: int) -> tuple[int, DaySeal] | None:
        """The day's seal and the order up to which it holds all; None where readings of it keep coming in."""
        order = self._series.last_order()
        for _ in range(_TRIES):
            seal = seal_of(self._series, day)
            after, order = order, self._series.last_order()
            if all(ms // (DAY_S * 1000.0) != day for _, _, ms in arrivals(self._series, after, order)):
                return order, seal
        return None
