"""Says which waiting message goes next on a channel, and which is not worth sending any more, and why."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple

from monitor.model.notification import Notification
from monitor.store.contract import OutboxItem

MOST_WAITING = 1_000  # on one channel; at four a second the last of them comes four minutes later
_RANKS = {"high": 2, "medium": 1, "low": 0}


class Needless(NamedTuple):
    """How a message ends without being sent."""

    state: str  # "expired" | "cancelled"
    why: str


EXPIRED = Needless("expired", "no longer useful; it is on the page and in the record")
OVER = Needless("cancelled", "the situation was over before it could be sent")
LEFT_OUT = Needless(
    "cancelled",
    f"left out: more than {MOST_WAITING} waited for this channel; it is on the page and in the record",
)


def urgency(item: OutboxItem) -> tuple[int, float, int]:
    """What goes before what: the highest priority first, of those the youngest; to be sorted by."""
    note = item.notification
    return (-_RANKS.get(note.priority, 0), -note.created_s, -item.id)


def needless(
    waiting: Sequence[OutboxItem],
    replaced: Mapping[int, str],
    now_s: float,
    is_over: Callable[[Notification], bool],
) -> dict[int, Needless]:
    """What is not to be sent, by item: too old, over, said by a later message, or more than there is room."""
    found: dict[int, Needless] = {}
    for item in waiting:
        if item.id in replaced:
            found[item.id] = Needless("cancelled", replaced[item.id])
        elif now_s >= item.notification.expires_s:
            found[item.id] = EXPIRED
        elif is_over(item.notification):
            found[item.id] = OVER
    kept = sorted((item for item in waiting if item.id not in found), key=urgency)
    return found | dict.fromkeys((item.id for item in kept[MOST_WAITING:]), LEFT_OUT)
