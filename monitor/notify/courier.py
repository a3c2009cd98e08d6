"""Works the outbox: one attempt after another, back-off, hand-over to another channel, never late as new."""

import hashlib
import logging
from collections import Counter
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace

from monitor.model.back_off import BackOff
from monitor.model.event import EventKind, NewEvent
from monitor.model.notification import Notification
from monitor.notify.outbox_order import LEFT_OUT, Needless, needless, urgency
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry, Sender, printable, said_of
from monitor.store.contract import Ledger, OutboxItem, StoreUnavailableError

log = logging.getLogger(__name__)

FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 600.0
LONGEST_URGENT_S = 60.0  # for high priority
LONGEST_WISH_S = 180.0  # what a receiver may ask for, for high priority; for the rest LONGEST_WAIT_S
HAND_OVER_AFTER = 4  # failed attempts before another channel is tried as well
REFUSALS = 8  # in a row, before a receiver's "never" is believed: it may be a server that just starts
AT_ONCE = 4  # messages a second: more at once would be no politeness to receiver and reader
CLOSED_AT_ONCE = 500  # of what is not to be sent, in one run
LEFT_OUT_TOLD_S = 3_600.0  # so long after messages were left out the channel counts as failing
REMEMBERED_S = 86_400.0  # a warning given up before a restart within this still counts as a fault
REPLACES = frozenset({"worsened", "cleared"})  # says all there is to say of its warning
EVERYBODY, OUTBOX = "", "the outbox"  # whom a fault concerns, where it is no single recipient


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How one channel is doing, for the page and the system-health condition."""

    channel: str
    failing_since_s: float | None = None
    last_error: str = ""
    waiting: int = 0
    delivered: bool = False  # anything, since the start
    given_up: bool = False  # a message reached nobody here and is tried no more


@dataclass(frozen=True, slots=True)
class _Fault:
    """Since when somebody is not reached, and why."""

    since_s: float
    cause: str
    given_up: bool = False


@dataclass(frozen=True, slots=True)
class _Unrecorded:
    """What became of an attempt that the ledger could not be told; sent again at `again_s` only."""

    outcome: Outcome
    again_s: float


def wait_s(attempts: int, key: str, longest_s: float = LONGEST_WAIT_S) -> float:
    """How long to wait after `attempts` failures: doubling, capped, spread by up to a quarter.

    The spread comes from the key, not from chance, so that a replay is the same.
    """
    plain = BackOff(FIRST_WAIT_S, longest_s).wait_s(attempts)
    spread = hashlib.sha256(f"{key}/{attempts}".encode()).digest()[0] / 255.0
    return plain * (1.0 + 0.25 * spread)


class Courier:
    """Sends what is due on one channel; one courier a channel, so a slow one holds up no other."""

    def __init__(
        self,
        ledger: Ledger,
        channel: str,
        sender: Sender,
        fallback: str | None = None,
        is_over: Callable[[Notification], bool] = lambda note: False,
    ) -> None:
        self._ledger = ledger
        self._is_over = is_over
        self._tries: list[float] = []  # when the last few attempts were made
        self._left_out: _Fault | None = None
        self._channel = channel
        self._sender = sender
        self._fallback = fallback
        self._faults: dict[str, _Fault] = {}
        self._refusals: dict[int, int] = {}  # in a row, by item
        self._unrecorded: dict[int, _Unrecorded] = {}
        self._delivered, self._turn = False, 0
        self._waiting: int | None = None  # nothing is known before the first run

    def run(self, now_s: float) -> int:
        """Try what is due, a few at a time, until one is not taken; returns how many attempts were made."""
        try:
            tried = self._run(now_s)
        except Exception as error:
            self._failed(OUTBOX, f"{type(error).__name__}: {error}", now_s)
            raise
        self._faults.pop(OUTBOX, None)
        return tried

    def _run(self, now_s: float) -> int:
        due = self._ledger.due(now_s, limit=1, channel=self._channel)
        if not due and self._waiting is not None and not self._faults:
            return 0
        waiting = self._all_waiting()
        self._remember(waiting, now_s)
        unsent = needless(waiting, replaced(waiting), now_s, self._is_over)
        for name, known in self._unrecorded.items():
            if not isinstance(known.outcome, Retry):
                unsent.pop(name, None)  # it was taken, and only the record has yet to say so
        self._waiting = len(waiting)
        ready = [item for item in waiting if item.next_try_s <= now_s and item.id not in unsent]
        tried = self._work(self._in_turn(ready), now_s)
        self._close([item for item in waiting if item.id in unsent][:CLOSED_AT_ONCE], unsent, now_s)
        return tried

    def _in_turn(self, ready: list[OutboxItem]) -> list[OutboxItem]:
        """The most urgent first; while the channel fails every other turn is that of what has waited longest.

        For then one is tried a turn, and each has to fail for itself before it is handed over.
        """
        self._turn += 1
        if self._faults and self._turn % 2:
            return sorted(ready, key=lambda item: (item.next_try_s, item.id))
        return sorted(ready, key=urgency)

    def _work(self, items: list[OutboxItem], now_s: float) -> int:
        """Attempt what is most urgent, as long as what was sent already can be recorded and one is taken."""
        tried = 0
        unwritten: StoreUnavailableError | None = None
        for item in items:
            if item.id not in self._unrecorded and not self._may_try(now_s):
                continue
            try:
                tried += 1
                if not self._attempt(item, now_s):
                    break
            except StoreUnavailableError as error:  # those behind it are warnings too
                unwritten = error
        if unwritten is not None:
            raise unwritten
        return tried

    def _may_try(self, now_s: float) -> bool:
        """Whether one more fits into this second."""
        self._tries = [at_s for at_s in self._tries if 0.0 <= now_s - at_s < 1.0]
        if len(self._tries) >= AT_ONCE:
            return False
        self._tries.append(now_s)
        return True

    def _close(self, items: list[OutboxItem], unsent: Mapping[int, Needless], now_s: float) -> None:
        """Say in the ledger what is not sent, and why; to leave out for the number is a fault as well."""
        if any(unsent[item.id] is LEFT_OUT for item in items):
            self._left_out = _Fault(now_s, LEFT_OUT.why, given_up=True)
        elif self._left_out is not None and now_s - self._left_out.since_s > LEFT_OUT_TOLD_S:
            self._left_out = None
        if not items:
            return
        ends = {item.id: unsent[item.id] for item in items}
        events = [_end(item, ends[item.id].state, now_s, ends[item.id].why) for item in items]
        self._ledger.commit(events, entered_s=now_s)
        self._ledger.close_waiting(ends, now_s)
        for name in ends:
            self._unrecorded.pop(name, None)
            self._refusals.pop(name, None)

    def state(self) -> ChannelState:
        """How the channel is doing."""
        left_out = {} if self._left_out is None else {EVERYBODY: self._left_out}
        faults = sorted((left_out | self._faults).items(), key=lambda one: one[1].since_s)
        said = "; ".join(f"{who}: {fault.cause}" if who else fault.cause for who, fault in faults)
        return ChannelState(
            self._channel,
            faults[0][1].since_s if faults else None,
            said,
            self._waiting or 0,
            self._delivered,
            any(fault.given_up for _, fault in faults),
        )

    def worked(self) -> None:
        """The channel has taken a message, for everybody."""
        self._faults.clear()
        self._delivered = True

    def _all_waiting(self) -> list[OutboxItem]:
        """Oldest first; what is sent again to one recipient stands where it stood."""
        items = self._ledger.outbox(states=("waiting",), channel=self._channel)
        return sorted(items, key=lambda item: (_place(item), item.id))

    def _remember(self, waiting: list[OutboxItem], now_s: float) -> None:
        """After a start: the channel has failed since its oldest message that was tried in vain."""
        if self._waiting is not None:
            return
        for item in waiting:
            if item.attempts > 0:
                who = ", ".join(_only(item.notification)) or EVERYBODY
                self._failed(who, item.last_error, item.notification.created_s)
        ends = self._ledger.newest(200, kinds=[EventKind.DELIVERY], start_s=now_s - REMEMBERED_S).events
        last = next((one for one in ends if one.body.get("channel") == self._channel), None)
        if last is not None and last.body.get("state") == "refused":
            self._failed(EVERYBODY, last.why, last.time_s, given_up=True)

    def _attempt(self, item: OutboxItem, now_s: float) -> bool:
        """Whether the next one is worth trying now."""
        note = item.notification
        known = self._unrecorded.get(item.id)
        outcome = known.outcome if known and now_s < known.again_s else self._send(note, now_s)
        self._unrecorded[item.id] = _Unrecorded(outcome, self._again_s(item, outcome, now_s))
        self._record(item, outcome, now_s)
        self._unrecorded.pop(item.id, None)
        return not isinstance(outcome, Retry)

    def _send(self, note: Notification, now_s: float) -> Outcome:
        try:
            return printable(self._sender.send(note, now_s))
        except Exception as error:  # loop border: no message may stop those behind it
            log.exception("channel %s met a defect", self._channel)
            return printable(Retry(f"a defect: {type(error).__name__}: {error}"))

    def _again_s(self, item: OutboxItem, outcome: Outcome, now_s: float) -> float:
        """When a message that was not taken is tried again; what was taken never is."""
        note = item.notification
        high = note.priority == "high"
        longest_s = LONGEST_URGENT_S if high else LONGEST_WAIT_S
        match outcome:
            case Delivered() | Partly():
                return float("inf")
            case Refused():
                return now_s + wait_s(self._refusals.get(item.id, 0) + 1, note.key, longest_s)
            case Retry(_, wish_s):
                heeded_s = min(wish_s or 0.0, LONGEST_WISH_S if high else LONGEST_WAIT_S)
                return now_s + max(heeded_s, wait_s(item.attempts + 1, note.key, longest_s))

    def _record(self, item: OutboxItem, outcome: Outcome, now_s: float) -> None:
        note = item.notification
        who = ", ".join(_only(note)) or EVERYBODY
        again_s = self._unrecorded[item.id].again_s
        match outcome:
            case Delivered(detail):
                self._reached(_only(note))
                self._settle(item, "delivered", now_s, detail)
            case Partly(reached, missed):
                self._reached(reached)
                for one, why in missed.items():
                    self._failed(one, why, now_s)
                self._settle_partly(item, missed, now_s)
            case Refused(cause):
                self._hand_over(item, now_s)
                count = self._refusals.get(item.id, 0) + 1
                self._failed(who, cause, now_s, given_up=count >= REFUSALS)
                if count >= REFUSALS:
                    self._settle(item, "refused", now_s, cause)
                else:
                    self._wait(item, cause, now_s, again_s)
                    self._refusals[item.id] = count
            case Retry(cause, wish_s):
                self._failed(who, cause, now_s)
                parked = note.priority == "high" and (wish_s or 0.0) > LONGEST_URGENT_S
                if parked or item.attempts + 1 >= HAND_OVER_AFTER:
                    self._hand_over(item, now_s)
                self._wait(item, cause, now_s, again_s)
                self._refusals.pop(item.id, None)

    def _wait(self, item: OutboxItem, cause: str, now_s: float, again_s: float) -> None:
        self._ledger.settle(item.id, state="waiting", now_s=now_s, error=cause, next_try_s=again_s)

    def _reached(self, who: Collection[str]) -> None:
        """Who has taken one is no longer missed; without names it was everybody."""
        self._delivered = True
        for one in (EVERYBODY, *who) if who else [*self._faults]:
            self._faults.pop(one, None)

    def _failed(self, who: str, cause: str, now_s: float, *, given_up: bool = False) -> None:
        before = self._faults.get(who)
        since_s = now_s if before is None else before.since_s
        self._faults[who] = _Fault(since_s, cause, given_up or (before is not None and before.given_up))

    def _hand_over(self, item: OutboxItem, now_s: float) -> None:
        if self._fallback is not None:
            note = whole(item.notification)
            self._ledger.commit([], entered_s=now_s, outbox=[(self._fallback, note)])

    def _settle(self, item: OutboxItem, state: str, now_s: float, detail: str) -> None:
        _settle(self._ledger, item, state, now_s, detail)
        self._unrecorded.pop(item.id, None)
        self._refusals.pop(item.id, None)

    def _settle_partly(self, item: OutboxItem, missed: Mapping[str, str], now_s: float) -> None:
        """Whoever has it is not told again; each of the others gets a message of his own in the outbox."""
        alone = [(self._channel, _for_one(item, who)) for who in missed]
        detail = f"not {said_of(missed)}: tried again alone"
        event = _end(item, "delivered", now_s, detail)
        self._ledger.commit([event], entered_s=now_s, outbox=alone)
        self._ledger.settle(item.id, state="delivered", now_s=now_s)
        self._refusals.pop(item.id, None)


def _only(note: Notification) -> tuple[str, ...]:
    """The recipients it is for, where it is not for everybody of its channel."""
    only = note.data.get("to")
    return tuple(map(str, only)) if isinstance(only, list) else ()


def _place(item: OutboxItem) -> int:
    said = item.notification.data.get("place")
    return said if isinstance(said, int) else item.id


def _for_one(item: OutboxItem, who: str) -> Notification:
    note = item.notification
    data = {**note.data, "to": [who], "place": _place(item), "whole": whole(note).key}
    return replace(note, key=f"{whole(note).key}/to/{who}", data=data)


def whole(note: Notification) -> Notification:
    """The message as it was for everybody."""
    if not _only(note):
        return note
    data = {name: value for name, value in note.data.items() if name not in ("to", "place", "whole")}
    return replace(note, key=str(note.data["whole"]), data=data)


def refuse_for_gone(ledger: Ledger, channels: Collection[str], now_s: float) -> dict[str, int]:
    """Close what still waits for channels that the settings do not name; how many messages, by channel.

    Nobody would ever send it: the record says so, instead of a message that waits for ever.
    """
    waiting = ledger.outbox(states=("waiting",))
    gone = [item for item in reversed(waiting) if item.channel not in channels]
    for item in gone:
        _settle(ledger, item, "refused", now_s, "the settings no longer name this channel")
    return dict(Counter(item.channel for item in gone))


def _settle(ledger: Ledger, item: OutboxItem, state: str, now_s: float, detail: str) -> None:
    """Record the end in the ledger, then close the item; repeating either changes nothing."""
    ledger.commit([_end(item, state, now_s, detail)], entered_s=now_s)
    ledger.settle(item.id, state=state, now_s=now_s, error=detail if state != "delivered" else "")


def _end(item: OutboxItem, state: str, now_s: float, detail: str) -> NewEvent:
    note = item.notification
    body: dict[str, object] = {
        "channel": item.channel,
        "key": whole(note).key,
        "state": state,
        "attempts": item.attempts + (state in ("delivered", "refused")),
        "priority": note.priority,
        "telling": str(note.data.get("telling") or note.data.get("why") or ""),
        "person": str(note.data.get("person") or note.data.get("for") or ""),
    }
    if _only(note):
        body["to"] = list(_only(note))
    return NewEvent(
        kind=EventKind.DELIVERY,
        subject=note.subject,
        time_s=now_s,
        who=f"channel:{item.channel}",
        body=body,
        why=detail,
        key=f"delivery/{item.channel}/{note.key}/{state}",
    )


def replaced(waiting: list[OutboxItem]) -> dict[int, str]:
    """What a later message on the same warning makes needless, and why: after an outage only that is sent."""
    found: dict[int, str] = {}
    by_reason: dict[str, tuple[int, str]] = {}  # the next later message of a subject that replaces any
    by_warning: dict[tuple[str, str], tuple[int, str]] = {}  # … that is on the very same warning
    for n in range(len(waiting) - 1, -1, -1):
        note = waiting[n].notification
        same = (note.subject, str(note.data.get("of")))
        later = [by_reason.get(note.subject)]
        if note.data.get("of") is not None:
            later.append(by_warning.get(same))
        nearest = min((one for one in later if one is not None), default=None)
        if nearest is not None:
            found[waiting[n].id] = f"replaced by a later message on the same warning: {nearest[1]}"
        if _only(note):
            continue  # it replaces nothing for those whom it is not for
        by_warning[same] = (n, note.key)
        if note.data.get("why") in REPLACES:
            by_reason[note.subject] = (n, note.key)
    return found


def undeliverable(states: Mapping[str, ChannelState], now_s: float, patience_s: float) -> tuple[str, ...]:
    """Channels that have failed for longer than `patience_s`, or have given a message up."""
    return tuple(
        name
        for name, state in states.items()
        if state.failing_since_s is not None
        and (state.given_up or now_s - state.failing_since_s > patience_s)
    )
