"""Works the outbox: one attempt after another, back-off, hand-over to another channel, never late as new."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.notify.outcome import Delivered, Refused, Retry, Sender
from monitor.store.contract import Ledger, OutboxItem
from monitor.values import EventKind, NewEvent

FIRST_WAIT_S = 5.0
LONGEST_WAIT_S = 600.0
HAND_OVER_AFTER = 4  # failed attempts before another channel is tried as well


@dataclass(frozen=True, slots=True)
class ChannelState:
    """How one channel is doing, for the page and the system-health condition."""

    channel: str
    failing_since_s: float | None
    last_error: str
    waiting: int


def wait_s(attempts: int, key: str) -> float:
    """How long to wait after `attempts` failures: doubling, capped, spread by up to a quarter.

    The spread comes from the key, not from chance, so that a replay is the same.
    """
    plain = min(FIRST_WAIT_S * 2.0 ** max(attempts - 1, 0), LONGEST_WAIT_S)
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
        self._waiting = 0

    def run(self, now_s: float) -> int:
        """Try everything that is due once; returns how many attempts were made."""
        items = self._ledger.due(now_s, channel=self._channel)
        self._waiting = len(items)
        for item in items:
            self._attempt(item, now_s)
        return len(items)

    def state(self) -> ChannelState:
        """How the channel is doing."""
        return ChannelState(self._channel, self._failing_since_s, self._last_error, self._waiting)

    def _attempt(self, item: OutboxItem, now_s: float) -> None:
        note = item.notification
        if now_s >= note.expires_s:
            self._settle(item, "expired", now_s, "no longer useful; it is on the page and in the record")
            return
        outcome = self._sender.send(note, now_s)
        match outcome:
            case Delivered(detail):
                self._failing_since_s, self._last_error = None, ""
                self._waiting -= 1
                self._settle(item, "delivered", now_s, detail)
            case Refused(cause):
                self._failed(cause, now_s)
                self._hand_over(item, now_s)
                self._settle(item, "refused", now_s, cause)
            case Retry(cause, after_s):
                self._failed(cause, now_s)
                if item.attempts + 1 >= HAND_OVER_AFTER:
                    self._hand_over(item, now_s)
                again_s = now_s + max(after_s or 0.0, wait_s(item.attempts + 1, note.key))
                self._ledger.settle(item.id, state="waiting", now_s=now_s, error=cause, next_try_s=again_s)

    def _failed(self, cause: str, now_s: float) -> None:
        self._last_error = cause
        if self._failing_since_s is None:
            self._failing_since_s = now_s

    def _hand_over(self, item: OutboxItem, now_s: float) -> None:
        if self._fallback is not None:
            self._ledger.commit([], entered_s=now_s, outbox=[(self._fallback, item.notification)])

    def _settle(self, item: OutboxItem, state: str, now_s: float, detail: str) -> None:
        """Record the end in the ledger, then close the item; repeating either changes nothing."""
        key = item.notification.key
        event = NewEvent(
            kind=EventKind.DELIVERY,
            subject=item.notification.subject,
            time_s=now_s,
            who=f"channel:{self._channel}",
            body={"channel": self._channel, "key": key, "state": state, "attempts": item.attempts + 1},
            why=detail,
            key=f"delivery/{self._channel}/{key}/{state}",
        )
        self._ledger.commit([event], entered_s=now_s)
        self._ledger.settle(item.id, state=state, now_s=now_s, error=detail if state != "delivered" else "")


def undeliverable(states: Mapping[str, ChannelState], now_s: float, patience_s: float) -> tuple[str, ...]:
    """Channels that have failed for longer than `patience_s`."""
    return tuple(
        name
        for name, state in states.items()
        if state.failing_since_s is not None and now_s - state.failing_since_s > patience_s
    )
