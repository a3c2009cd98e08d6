"""Enters into the ledger, once each, that the broker forgot our session and what may be missing for it."""

from collections.abc import Sequence
from datetime import UTC, datetime, tzinfo

from monitor.model.event import EventKind, NewEvent
from monitor.mqtt.missing_messages import LostSession
from monitor.store.contract import Ledger


class SessionLosses:
    """What ingest noticed goes into the record, on the shop's clock; a ledger that is away is tried again."""

    def __init__(self, ledger: Ledger, clock: tzinfo = UTC) -> None:
        self._ledger, self._clock = ledger, clock
        self._entered: LostSession | None = None

    def enter(self, lost: Sequence[LostSession], now_s: float) -> None:
        """Enter what was not entered yet; `lost` is all that is known, the oldest first."""
        start = 1 + lost.index(self._entered) if self._entered in lost else 0
        if start < len(lost):
            self._ledger.commit([_event(one, self._clock) for one in lost[start:]], entered_s=now_s)
            self._entered = lost[-1]


def _event(one: LostSession, clock: tzinfo) -> NewEvent:
    between = f"{_moment(one.from_s, clock)} and {_moment(one.to_s, clock)}"
    why = f"the broker forgot the session: readings between {between} "
    body: dict[str, object] = {"from_s": one.from_s, "to_s": one.to_s}
    key = f"broker_session/{one.to_s:.3f}"
    return NewEvent(
        EventKind.BROKER_SESSION, "broker", one.to_s, "dryshift", body, f"{why}may be missing", key
    )


def _moment(time_s: float, clock: tzinfo) -> str:
    return f"{datetime.fromtimestamp(time_s, clock):%Y-%m-%d %H:%M:%S %Z}"
