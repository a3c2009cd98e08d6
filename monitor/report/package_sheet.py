"""The record of one package: every entry, where it lay in which air, clocks, beads, what is not known."""

from collections.abc import Iterator
from dataclasses import dataclass

from monitor.consumables.exposure_air import NO_AIR
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.stays import Stay, checked_history
from monitor.consumables.verdict import PackageVerdict, package_verdict
from monitor.history.entry_words import EntryWords
from monitor.history.package_history import PackageHistory
from monitor.model.errors import Fault, InputError
from monitor.report.air_lines import AirSpan, AirSpread, air_span
from monitor.report.bead_sheet import beads_section
from monitor.report.entry_lines import entries_section
from monitor.report.proof import proof_section, verified
from monitor.report.sheet import Sheet, SheetSection, Writing
from monitor.report.sources import Sources
from monitor.report.unread import unread_section
from monitor.report.warned import warnings_section

HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class PackageRecord:
    """One package as it stands at a moment."""

    history: PackageHistory
    rules: ClockRules
    clock: ExposureClock
    verdict: PackageVerdict


@dataclass(frozen=True, slots=True)
class Stayed:
    """One stay with what it counted and the air it had."""

    stay: Stay
    start_s: float
    end_s: float
    counted_h: float
    air: AirSpan


def package_record(sources: Sources, package: str, until_s: float) -> PackageRecord | None:
    """A package at a moment; None where it was not open yet or nobody knows it."""
    history, rules = sources.keeper.history(package), sources.keeper.rules(package)
    clock = sources.keeper.clock_at(package, until_s)
    if history is None or rules is None or clock is None:
        return None
    return PackageRecord(history, rules, clock, package_verdict(clock, rules))


def package_sheet(sources: Sources, package: str) -> Sheet:
    """The whole record of a package; InputError where there is none."""
    record = package_record(sources, package, sources.now_s)
    if record is None:
        raise InputError([Fault("package", package, "was never opened here; use the label of one that was")])
    site = sources.site_of(record.history.zone)
    writing, words = sources.writing(site), sources.entry_words()
    stays = list(stayed(sources, record, sources.now_s))
    proof = verified(sources.ledger, sources.witnesses())
    events = sources.events_of([package])
    refused = sources.keeper.refused(package)
    return Sheet(
        kind="package",
        subject=package,
        title=f"{record.history.name} ({package})",
        made_at=writing.time(sources.now_s),
        zone=site.timezone,
        sections=(
            about_section(record, writing, words),
            clocks_section(record),
            entries_section(events, writing, words, refused),
            stays_section(stays, writing, words),
            unknown_section(stays, writing, words),
            beads_section(sources, [package], writing),
            warnings_section(sources, [package], writing),
            *unread_section(sources, record.history.opened_s, sources.now_s),
            proof_section(proof, writing),
        ),
        record_holds=proof.holds,
        record_text=proof.text,
    )


def about_section(record: PackageRecord, writing: Writing, words: EntryWords) -> SheetSection:
    """What it is, how it stands, by which rule and with which deviation."""
    history, verdict, consumable = record.history, record.verdict, record.rules.consumable
    limit = consumable.limit_h
    rows = [
        ("label", history.id),
        ("name", history.name),
        ("class", f"{consumable.title} ({consumable.specification})"),
        ("lot", history.lot),
        ("job", history.job),
        ("opened", writing.time(history.opened_s)),
        ("now", f"{str(history.stays[-1].place).replace('-', ' ')}, {words.zone(history.zone)}"),
        ("stands", str(verdict.standing)),
        ("rule that decided", verdict.rule_text),
        ("used h", writing.hours(verdict.used_h)),
        ("limit h", writing.hours(verdict.limit_h)),
        ("left h at the present air", writing.hours(verdict.left_h)),
        ("next action", verdict.action),
        ("permitted hours by", "none set" if limit is None else f"{limit.value:g} h: {limit.cite()}"),
        ("deviation", verdict.deviation or "none"),
        ("hours in air not known", writing.hours(verdict.unknown_h)),
        ("hours not shown to be protected", writing.hours(verdict.unproven_h)),
        ("redried", str(verdict.rebakes)),
        ("water taken up, estimate", _uptake(verdict)),
    ]
    return SheetSection("about", "Package", ("", ""), tuple(rows), verdict.notes)


def _uptake(verdict: PackageVerdict) -> str:
    if verdict.uptake is None:
        return ""
    return f"{verdict.uptake.of_reference_frac:.0%} of what it would hold at 27 °C and 80 %RH (estimate)"


def clocks_section(record: PackageRecord) -> SheetSection:
    """Every clock with its source; the one that is set aside by a deviation is shown too."""
    rows = tuple(
        (
            clock.title,
            f"{clock.used_h:.2f}",
            f"{clock.limit_h:g}",
            f"{clock.used_frac * 100.0:.0f}",
            "governs" if clock.governs else "set aside by the deviation",
            clock.source,
        )
        for clock in record.verdict.clocks
    )
    return SheetSection("clocks", "Clocks", ("clock", "used h", "limit h", "used %", "", "source"), rows)


def stayed(sources: Sources, record: PackageRecord, until_s: float) -> Iterator[Stayed]:
    """Every stay up to a moment, with the hours it counted and its air."""
    history = record.history
    begun = [stay for stay in history.stays if stay.start_s <= until_s]
    happened = [event for event in history.happenings if event.time_s <= until_s]
    before_h = 0.0
    for stay in checked_history(begun, happened, until_s):
        end_s = until_s if stay.end_s is None else min(stay.end_s, until_s)
        clock = sources.keeper.clock_at(history.id, end_s)
        counted_h = 0.0 if clock is None else clock.whole_open_s / HOUR_S
        speaks_s = record.rules.speaks_in_s(stay.zone)
        air = NO_AIR
        if stay.zone is not None:
            air = sources.keeper.air(stay.zone, stay.start_s - speaks_s, end_s)
        yield Stayed(
            stay,
            stay.start_s,
            end_s,
            counted_h - before_h,
            air_span(air, (stay.start_s, end_s), speaks_s, sources.zone_kind(stay.zone)),
        )
        before_h = counted_h


def stays_section(stays: list[Stayed], writing: Writing, words: EntryWords) -> SheetSection:
    """Where it lay, how long that counted, and in which air."""
    degree = writing.degree
    columns = (
        "place", "zone", "from", "to", "hours", "counted h",
        f"air {degree} least", f"air {degree} mean", f"air {degree} greatest",
        "%RH least", "%RH mean", "%RH greatest",
        f"dew point {degree} least", f"dew point {degree} mean", f"dew point {degree} greatest",
        "air not known h",
    )  # fmt: skip
    rows = tuple(
        (
            str(one.stay.place).replace("-", " "),
            words.zone(one.stay.zone or "not known"),
            writing.time(one.start_s),
            writing.time(one.end_s),
            writing.hours((one.end_s - one.start_s) / HOUR_S),
            writing.hours(one.counted_h),
            *_degrees(one.air.temperature_c, writing),
            *_percents(one.air.rh_frac, writing),
            *_degrees(one.air.dew_point_c, writing),
            writing.hours(one.air.unknown_h),
        )
        for one in stays
    )
    return SheetSection("stays", "Where it lay", columns, rows)


def _degrees(spread: AirSpread | None, writing: Writing) -> tuple[str, str, str]:
    if spread is None:
        return ("", "", "")
    least, mean, greatest = (writing.temperature(v) for v in (spread.least, spread.mean, spread.greatest))
    return least, mean, greatest


def _percents(spread: AirSpread | None, writing: Writing) -> tuple[str, str, str]:
    if spread is None:
        return ("", "", "")
    least, mean, greatest = (writing.percent(v) for v in (spread.least, spread.mean, spread.greatest))
    return least, mean, greatest


def unknown_section(stays: list[Stayed], writing: Writing, words: EntryWords) -> SheetSection:
    """When nobody knew the air or the place; it was counted against the package."""
    rows = tuple(
        (
            writing.time(start_s),
            writing.time(end_s),
            writing.hours((end_s - start_s) / HOUR_S),
            words.zone(one.stay.zone or ""),
            "no reading of the air" if one.stay.zone is not None else "no entry of where it was",
        )
        for one in stays
        for start_s, end_s in one.air.unknown
    )
    note = ("Counted as the reference air of 27 °C and 80 %RH, or as the wettest air it has met, if wetter.",)
    columns = ("from", "to", "hours", "zone", "what is not known")
    return SheetSection("unknown", "Not known", columns, rows, note if rows else ())
