"""The warnings of a record: when each was given, answered and gone."""

from collections.abc import Collection

from monitor.model.event import EventKind
from monitor.report.sheet import SheetSection, Writing
from monitor.report.sources import Sources

COLUMNS = ("when", "thing", "condition", "from", "to", "who", "why")


def warnings_section(
    sources: Sources,
    subjects: Collection[str] | None,
    writing: Writing,
    between_s: tuple[float, float] | None = None,
) -> SheetSection:
    """Every move of the conditions of these things (None: of all)."""
    start_s, end_s = between_s if between_s is not None else (None, None)
    events = sources.ledger.events(kinds=(EventKind.ALARM_TRANSITION,), start_s=start_s, end_s=end_s)
    rows = tuple(
        (
            writing.time(event.time_s),
            str(event.body.get("subject", "")),
            _words(event.body.get("kind")),
            _words(event.body.get("from_state")),
            _words(event.body.get("to_state")),
            "" if event.who == "dryshift" else event.who,
            event.why,
        )
        for event in events
        if subjects is None or event.body.get("subject") in subjects
    )
    return SheetSection("warnings", "Warnings", COLUMNS, rows)


def _words(name: object) -> str:
    return str(name or "").replace("_", " ")
