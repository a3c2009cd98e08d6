"""Works the outbox: one attempt after another, back-off, hand-over to another channel, never late as new."""

import hashlib
from collections import Counter
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from monitor.model.back_off import BackOff
from monitor.model.event import EventKind, NewEvent
from monitor.notify.outcome import Delivered, Refused, Retry, Sender
from monitor.store.contract import Ledger, OutboxItem

FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 600.0
LONGEST_URGENT_S = 60.0  # for high priority
HAND_OVER_AFTER = 4  # failed attempts before another channel is tried as well
AT_ONCE = 4  # messages a run: each may take as long as the receiver lets it
REPLACES = frozenset({"worsened", "cleared"})  # says all there is to say of its warning


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How one channel is doing, for the page and the system-health condition."""

    channel: str
    failing_since_s: float | None = None
    last_error: str = ""
    waiting: int = 0


def wait_s(attempts: int, key: str, longest_s: float = LONGEST_WAIT_S) -> float:
    """How long to wait after `attempts` failures: doubling, capped, spread by up to a quarter.

    The spread comes from the key, not from chance, so that a replay is the same.
    """
    plain = BackOff(FIRST_WAIT_S, longest_s).wait_s(attempts)
    spread = hashlib.sha256(f"{key}/{attempts}".encode()).digest()[0] / 255.0
    return plain * (1.0 + 0.25 * spread)


class Courier:
    """Sends what is due on one channel; one courier a channel, so a slow one holds up no other."""

    def __init__(self, ledger: Ledger, channel: str, sender: Sender, fallback: str | None = None) -> None:
        self._ledger = ledger
        self._channel = channel
        self._sender = sender
        self._fallback = fallback
        self._failing_since_s: float | None = None
        self._last_error = ""
        self._waiting: int | None = None  # nothing is known before the first run

    def run(self, now_s: float) -> int:
        """Try what is due, a few at a time, until one is not taken; returns how many attempts were made."""
        items = self._ledger.due(now_s, limit=AT_ONCE, channel=self._channel)
        if items or self._waiting is None or self._failing_since_s is not None:
            waiting = self._all_waiting()
            self._remember(waiting)
            needless = replaced(waiting)
            self._waiting = len(waiting)
        tried = 0
        for item in items:
            if item.id in needless:
                self._settle(item, "cancelled", now_s, needless[item.id])
                continue
            tried += 1
            if not self._attempt(item, now_s):
                break
        return tried

    def state(self) -> ChannelState:
        """How the channel is doing."""
        return ChannelState(self._channel, self._failing_since_s, self._last_error, self._waiting or 0)

    def worked(self) -> None:
        """The channel has taken a message."""
        self._failing_since_s, self._last_error = None, ""

    def _all_waiting(self) -> list[OutboxItem]:
        """Oldest first."""
        items = self._ledger.outbox(states=("waiting",), channel=self._channel)
        return items[::-1]

    def _remember(self, waiting: list[OutboxItem]) -> None:
        """After a start: the channel has failed since its oldest message that was tried in vain."""
        tried = [item for item in waiting if item.attempts > 0]
        if self._waiting is None and tried:
            self._failing_since_s = min(item.notification.created_s for item in tried)
            self._last_error = tried[-1].last_error

    def _attempt(self, item: OutboxItem, now_s: float) -> bool:
        """Whether the next one is worth trying now."""
        note = item.notification
        if now_s >= note.expires_s:
            self._settle(item, "expired", now_s, "no longer useful; it is on the page and in the record")
            return True
        match self._sender.send(note, now_s):
            case Delivered(detail):
                self.worked()
                self._settle(item, "delivered", now_s, detail)
                return True
            case Refused(cause):
                self._failed(cause, now_s)
                self._hand_over(item, now_s)
                self._settle(item, "refused", now_s, cause)
                return True
            case Retry(cause, after_s):
                self._failed(cause, now_s)
                if item.attempts + 1 >= HAND_OVER_AFTER:
                    self._hand_over(item, now_s)
                longest_s = LONGEST_URGENT_S if note.priority == "high" else LONGEST_WAIT_S
                again_s = now_s + max(after_s or 0.0, wait_s(item.attempts + 1, note.key, longest_s))
                self._ledger.settle(item.id, state="waiting", now_s=now_s, error=cause, next_try_s=again_s)
                return False

    def _failed(self, cause: str, now_s: float) -> None:
        self._last_error = cause
        if self._failing_since_s is None:
            self._failing_since_s = now_s

    def _hand_over(self, item: OutboxItem, now_s: float) -> None:
        if self._fallback is not None:
            self._ledger.commit([], entered_s=now_s, outbox=[(self._fallback, item.notification)])

    def _settle(self, item: OutboxItem, state: str, now_s: float, detail: str) -> None:
        _settle(self._ledger, item, state, now_s, detail)


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
    note, key = item.notification, item.notification.key
    event = NewEvent(
        kind=EventKind.DELIVERY,
        subject=note.subject,
        time_s=now_s,
        who=f"channel:{item.channel}",
        body={
            "channel": item.channel,
            "key": key,
            "state": state,
            "attempts": item.attempts + (state in ("delivered", "refused")),
            "priority": note.priority,
            "telling": str(note.data.get("telling") or note.data.get("why") or ""),
            "person": str(note.data.get("person") or ""),
        },
        why=detail,
        key=f"delivery/{item.channel}/{key}/{state}",
    )
    ledger.commit([event], entered_s=now_s)
    ledger.settle(item.id, state=state, now_s=now_s, error=detail if state != "delivered" else "")


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
        by_warning[same] = (n, note.key)
        if note.data.get("why") in REPLACES:
            by_reason[note.subject] = (n, note.key)
    return found


def undeliverable(states: Mapping[str, ChannelState], now_s: float, patience_s: float) -> tuple[str, ...]:
    """Channels that have failed for longer than `patience_s`."""
    return tuple(
        name
        for name, state in states.items()
        if state.failing_since_s is not None and now_s - state.failing_since_s > patience_s
    )
