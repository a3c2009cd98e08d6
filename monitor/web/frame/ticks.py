"""Reads who has ticked off which action of the plan, straight from the ledger, so that it shows at once."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from monitor.model.event import EventKind
from monitor.model.picture import Picture
from monitor.store.contract import Ledger

LOOK_BACK_S = 4 * 86_400.0
DONE, OPEN = "done", "open"
ENTRIES = (DONE, OPEN)


@dataclass(frozen=True, slots=True)
class ActionTick:
    """How an action stands: the first of the last taps that say the same, and the number of its entry."""

    done: bool
    who: str
    time_s: float
    number: int


def ticks(ledger: Ledger, now_s: float) -> dict[str, ActionTick]:
    """By action."""
    found: dict[str, ActionTick] = {}
    for event in ledger.events(kinds=[EventKind.PLAN], start_s=now_s - LOOK_BACK_S):
        entry = event.body.get("entry")
        if entry in ENTRIES:
            before = found.get(event.subject)
            if before is None or before.done != (entry == DONE):
                found[event.subject] = ActionTick(entry == DONE, event.who, event.time_s, event.number)
    return found


def ticked(snapshot: Picture, found: Mapping[str, ActionTick]) -> Picture:
    """The picture with what has been ticked off since the core last looked ahead."""
    if not any(action.id in found for action in snapshot.actions):
        return snapshot
    actions = tuple(
        replace(action, done=found[action.id].done) if action.id in found else action
        for action in snapshot.actions
    )
    return replace(snapshot, actions=actions)
