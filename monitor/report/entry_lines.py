"""The entries of a record, one line each, with what became of them: nothing is hidden that was put right."""

from collections.abc import Iterable, Mapping, Sequence

from monitor.history.entry_words import EntryWords
from monitor.history.records import Refusal
from monitor.model.event import Event, EventKind
from monitor.report.sheet import SheetSection, Writing

COLUMNS = ("no.", "happened", "entered", "thing", "who", "what", "why", "state", "hash")
HASH_SHOWN = 12


def entries_section(
    events: Sequence[Event], writing: Writing, words: EntryWords, refused: Iterable[Refusal] = ()
) -> SheetSection:
    """Every entry with its state: it stands, was taken back, was put right, or cannot be true."""
    states = _states(events, writing, {one.number: one for one in refused})
    rows = tuple(
        (
            str(event.number),
            writing.time(event.time_s),
            writing.time(event.entered_s),
            event.subject,
            event.by,
            words.what(event),
            event.why,
            states[event.number],
            event.hash[:HASH_SHOWN],
        )
        for event in events
    )
    return SheetSection("entries", "Entries", COLUMNS, rows)


def _states(events: Sequence[Event], writing: Writing, refused: Mapping[int, Refusal]) -> dict[int, str]:
    states = {event.number: "stands" for event in events if event.kind is not EventKind.CORRECTION}
    for left_out, refusal in refused.items():
        if left_out in states:
            states[left_out] = f"left out: {refusal.faults[0]}"
    for event in events:
        if event.kind is EventKind.CORRECTION:
            number = event.body.get("of")
            states[event.number] = f"puts entry {number} right"
            if isinstance(number, int) and number in states:
                states[number] = _after(states[number], event, writing)
    return states


def _after(state: str, correction: Event, writing: Writing) -> str:
    void = correction.body.get("void")
    by = f"by entry {correction.number} ({correction.who})"
    if void is True:
        return f"taken back {by}"
    if void is False:
        return f"stands again {by}"
    time_s = correction.body.get("time_s")
    parts = [f"to {writing.time(float(time_s))}"] if isinstance(time_s, int | float) else []
    if "body" in correction.body and not parts:
        parts.append("with a new entry")
    before = "" if state == "stands" else f"{state}; "
    return f"{before}put right {by} {' '.join(parts)}"
