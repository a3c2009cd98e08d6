"""Says what is foreseen of a shift on a phone: which shift, why, and the first thing to do by when."""

from collections.abc import Sequence
from dataclasses import replace

from monitor.alarms.messages import LONGEST
from monitor.alarms.wording import Wording
from monitor.snapshot import ActionNow, ShiftNow
from monitor.values import Notification


def foretold(
    note: Notification, shift: ShiftNow | None, actions: Sequence[ActionNow], wording: Wording
) -> Notification:
    """The message with the shift's reason and its first action, cut to what a lock screen shows."""
    if shift is None:
        return note
    first = min(
        (a for a in actions if not a.done and a.by_s > note.created_s), key=lambda a: a.by_s, default=None
    )
    start = wording.time(shift.start_s, note.created_s)
    odds = "" if shift.probability_frac is None else f", odds {shift.probability_frac * 100.0:.0f}%"
    head = f"{shift.name.capitalize()} shift {start} humid{odds}"
    do = "" if first is None else first.text.rstrip(".") + "."
    full = f"{head}: {shift.reason}. {do}".strip()
    for text in (full, f"{head}. {do}".strip(), f"{head}: {shift.reason}."):
        if len(text) <= LONGEST:
            break
    todo = "\n".join(f"{wording.time(a.by_s, note.created_s)}: {a.text}" for a in actions)
    return replace(note, text=text[:LONGEST], action=todo or note.action, title=f"Humid shift {start}")
