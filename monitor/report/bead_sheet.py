"""The test beads of a record: verdict, clause and edition as judged then, with the air and hours then."""

from collections.abc import Sequence

from monitor.history.bead_records import BeadMade, beads_made
from monitor.history.entries import BeadWelded, entry_of
from monitor.history.records import corrected
from monitor.model.event import Event, EventKind
from monitor.report.sheet import SheetSection, Writing
from monitor.report.sources import Sources

KINDS = (EventKind.BEAD, EventKind.PACKAGE, EventKind.CORRECTION)
HOUR_S = 3600.0


def beads_section(
    sources: Sources,
    packages: Sequence[str] | None,
    writing: Writing,
    between_s: tuple[float, float] | None = None,
) -> SheetSection:
    """The beads welded with these packages (None: with any, or none), in order of time."""
    told = sources.ledger.events(kinds=KINDS)
    records = _records(told)
    made = [bead for bead in beads_made(told) if packages is None or bead.package in packages]
    if between_s is not None:
        made = [bead for bead in made if between_s[0] <= bead.time_s < between_s[1]]
    rows = tuple(_row(bead, records.get(bead.id), writing) for bead in made)
    columns = (
        "when", "bead", "package", "verdict", "rule and clause", "edition", "count against limit",
        f"dew point {writing.degree}", "%RH", "open h", "used %", "source of the limit",
    )  # fmt: skip
    note = ("The qualified inspector decides; a count is no release.",)
    return SheetSection("beads", "Test beads", columns, rows, note if rows else ())


def _records(told: Sequence[Event]) -> dict[str, BeadWelded]:
    found: dict[str, BeadWelded] = {}
    for event in corrected(told):
        if event.kind is EventKind.BEAD:
            entry = entry_of(event.kind, event.body)
            if isinstance(entry, BeadWelded):
                found[event.subject] = entry
    return found


def _row(bead: BeadMade, record: BeadWelded | None, writing: Writing) -> tuple[str, ...]:
    seen, worst = bead.seen, None
    if record is not None:
        worst = max(
            record.counts,
            key=lambda c: (not c.passed, c.found / c.limit if c.limit else c.found),
            default=None,
        )
    return (
        writing.time(bead.time_s),
        bead.id,
        bead.package,
        bead.outcome,
        "" if record is None else f"{record.code}, {record.clause}",
        "" if record is None else record.edition,
        "" if worst is None else worst.text,
        writing.temperature(None if seen is None else seen.dew_point_c),
        writing.percent(None if seen is None else seen.rh_frac),
        writing.hours(None if seen is None or seen.open_s is None else seen.open_s / HOUR_S),
        writing.percent(None if seen is None else seen.used_frac),
        "" if worst is None else worst.source,
    )
