"""The record of a lot or a job: its packages side by side, all their entries and beads."""

from collections.abc import Callable, Sequence

from monitor.history.package_history import PackageHistory
from monitor.model.errors import Fault, InputError
from monitor.model.place import Site
from monitor.report.bead_sheet import beads_section
from monitor.report.entry_lines import entries_section
from monitor.report.package_sheet import PackageRecord, package_record
from monitor.report.proof import proof_section, verified
from monitor.report.sheet import Sheet, SheetSection, Writing
from monitor.report.sources import Sources
from monitor.report.warned import warnings_section

COLUMNS = (
    "label", "name", "class", "lot", "job", "opened", "stands", "rule that decided", "used h", "limit h",
    "hours in air not known", "redried", "deviation",
)  # fmt: skip


def lot_sheet(sources: Sources, lot: str) -> Sheet:
    """Every package of a lot; InputError where none carries it."""
    return _sheet(sources, "lot", lot, lambda history: history.lot)


def job_sheet(sources: Sources, job: str) -> Sheet:
    """Every package opened for a job; InputError where none was."""
    return _sheet(sources, "job", job, lambda history: history.job)


def _sheet(sources: Sources, kind: str, wanted: str, of: Callable[[PackageHistory], str]) -> Sheet:
    known: dict[str, str] = {}
    chosen: list[str] = []
    for package in sources.keeper.packages():
        history = sources.keeper.history(package)
        if history is not None:
            known[package] = of(history)
            if wanted and of(history) == wanted:
                chosen.append(package)
    if not chosen:
        choices = ", ".join(sorted({name for name in known.values() if name})) or "none was entered"
        raise InputError([Fault(kind, wanted or "nothing", f"use one of: {choices}")])
    found = [package_record(sources, package, sources.now_s) for package in chosen]
    records = [record for record in found if record is not None]
    site = sources.site_of(records[0].history.zone if records else "")
    return _written(sources, site, f"{kind} {wanted}", (kind, wanted), records, chosen)


def _written(
    sources: Sources,
    site: Site,
    title: str,
    subject: tuple[str, str],
    records: Sequence[PackageRecord],
    packages: Sequence[str],
) -> Sheet:
    writing = sources.writing(site)
    proof = verified(sources.ledger, sources.witnesses())
    refused = [one for package in packages for one in sources.keeper.refused(package)]
    return Sheet(
        kind=subject[0],
        subject=subject[1],
        title=title[:1].upper() + title[1:],
        made_at=writing.time(sources.now_s),
        zone=site.timezone,
        sections=(
            packages_section(records, writing),
            entries_section(sources.events_of(packages), writing, sources.entry_words(), refused),
            beads_section(sources, packages, writing),
            warnings_section(sources, packages, writing),
            proof_section(proof, writing),
        ),
        record_holds=proof.holds,
        record_text=proof.text,
    )


def packages_section(records: Sequence[PackageRecord], writing: Writing) -> SheetSection:
    """A line for each package, with how it stands and any deviation."""
    rows = tuple(
        (
            record.history.id,
            record.history.name,
            record.rules.consumable.title,
            record.history.lot,
            record.history.job,
            writing.time(record.history.opened_s),
            str(record.verdict.standing),
            record.verdict.rule_text,
            writing.hours(record.verdict.used_h),
            writing.hours(record.verdict.limit_h),
            writing.hours(record.verdict.unknown_h),
            str(record.verdict.rebakes),
            record.verdict.deviation,
        )
        for record in records
    )
    return SheetSection("packages", "Packages", COLUMNS, rows)
