"""The warnings of a record: when each was given, answered and gone."""

from collections.abc import Collection

from monitor.alarms.catalogue import catalogue_from
from monitor.model.event import EventKind
from monitor.report.condition_words import AlarmWords, why_words
from monitor.report.sheet import SheetSection, Writing
from monitor.report.sources import Sources
from monitor.settings.reference import load_toml

COLUMNS = ("when", "thing", "condition", "from", "to", "who", "why")


def warnings_section(
    sources: Sources,
    subjects: Collection[str] | None,
    writing: Writing,
    between_s: tuple[float, float] | None = None,
) -> SheetSection:
    """Every move of the conditions of these things (None: of all)."""
    start_s, end_s = between_s if between_s is not None else (None, None)
    names = AlarmWords(catalogue_from(load_toml("conditions.toml")), sources.names())
    events = sources.ledger.events(kinds=(EventKind.ALARM_TRANSITION,), start_s=start_s, end_s=end_s)
    rows = tuple(
        (
            writing.time(event.time_s),
            names.named(str(event.body.get("subject", ""))),
            names.kind(str(event.body.get("kind") or "")),
            _words(event.body.get("from_state")),
            _words(event.body.get("to_state")),
            "" if event.who == "dryshift" else event.who,
            why_words(event.why),
        )
        for event in events
        if subjects is None or event.body.get("subject") in subjects
    )
    return SheetSection("warnings", "Warnings", COLUMNS, rows)


def _words(name: object) -> str:
    return str(name or "").replace("_", " ")
