"""The record of a site's week for a person to sign: little enough to be read, with the chart beside it.

Its numbers are those that the page and the sheet of the week derive; the sheet holds every entry and move.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.alarms.catalogue import Catalogue, catalogue_from
from monitor.model.errors import Fault, InputError
from monitor.model.place import Site
from monitor.report.bead_sheet import beads_section
from monitor.report.chart import Window
from monitor.report.condition_words import AlarmWords
from monitor.report.excursions import Excursion, excursions
from monitor.report.instruments import instruments_in_week
from monitor.report.numbers_used import numbers_section
from monitor.report.package_sheet import PackageRecord
from monitor.report.proof import ChainProof, proof_section, verified
from monitor.report.sheet import NOTHING, Sheet, SheetSection, Writing, chosen
from monitor.report.shift_lines import ShiftLine
from monitor.report.site_week import site_week
from monitor.report.sources import Sources
from monitor.report.told_outlook import told_words
from monitor.report.unread import unread_section
from monitor.report.warning_lives import WarningDay, WarningLife, by_day
from monitor.report.week_chart import ChartSetting, drawn_zones, week_chart
from monitor.report.week_sheet import open_in_week, site_named, week_edges
from monitor.report.zone_series import WIDTH_S, ZoneSeries
from monitor.settings.reference import load_toml

NOT_KNOWN = "not known"


@dataclass(frozen=True, slots=True)
class WeekRecord:
    """The tables of a week, and its chart as SVG (empty where nothing is stored)."""

    sheet: Sheet
    chart: str
    undrawn: tuple[str, ...] = ()  # places that the chart has no room for


@dataclass(frozen=True, slots=True)
class WeekRead:
    """All that is read of a site's week, once."""

    site: Site
    edges_s: list[float]
    end_s: float  # now, where the week is not over
    zones: tuple[ZoneSeries, ...]
    limits: Mapping[str, float]
    names: Mapping[str, str]
    lives: tuple[WarningLife, ...]
    lines: tuple[ShiftLine, ...]

    @property
    def between_s(self) -> tuple[float, float]:
        """From Monday to the end, or to now."""
        return self.edges_s[0], self.end_s


def week_record(sources: Sources, site_id: str, week: str) -> WeekRecord:
    """The record of a site's week; a week that is not over ends now."""
    site = site_named(sources, site_id)
    catalogue = catalogue_from(load_toml("conditions.toml"))
    read = _read(sources, site, week, catalogue)
    writing, proof = sources.writing(site), verified(sources.ledger, sources.witnesses())
    records, hours = open_in_week(sources, site, *read.between_s)
    sections = (
        shifts_section(read, writing),
        excursions_section(read, writing),
        packages_section(records, hours, writing),
        _beads(sources, writing, read),
        warnings_section(read, writing),
        instruments_in_week(sources, site, read.between_s, writing),
        numbers_section(sources, site, records, writing),
        *unread_section(sources, *read.between_s),
        proof_section(proof, writing),
    )
    drawn = {one.zone.id for one in drawn_zones(read.zones)}
    undrawn = tuple(one.zone.name for one in read.zones if one.zone.id not in drawn)
    return WeekRecord(_sheet(sources, read, week, sections, proof), _chart(sources, read), undrawn)


def _sheet(
    sources: Sources, read: WeekRead, week: str, sections: tuple[SheetSection, ...], proof: ChainProof
) -> Sheet:
    writing = sources.writing(read.site)
    return Sheet(
        kind="week",
        subject=week,
        title=f"{read.site.name}: record of week {int(week[-2:])}, {week[:4]} ({_period(read, writing)})",
        made_at=writing.time(sources.now_s),
        zone=read.site.timezone,
        sections=sections,
        record_holds=proof.holds,
        record_text=proof.text,
    )


def _period(read: WeekRead, writing: Writing) -> str:
    if read.end_s < read.edges_s[-1]:
        return f"{writing.short(read.edges_s[0])} to {writing.short(read.end_s)}, not over"
    first, last = (writing.short(time_s).rpartition(" ")[0] for time_s in (read.edges_s[0], read.end_s - 1.0))
    return f"{first} to {last}"


def _read(sources: Sources, site: Site, week: str, catalogue: Catalogue) -> WeekRead:
    edges = week_edges(week, site.tz)
    start_s, end_s = edges[0], min(edges[-1], sources.now_s)
    if end_s <= start_s:
        raise InputError([Fault("week", week, "has not begun; choose an earlier one")])
    names = sources.names()
    window = Window(start_s, edges[-1], WIDTH_S)
    found = site_week(sources, site.id, window, AlarmWords(catalogue, names), sources.now_s)
    return WeekRead(site, edges, end_s, found.zones, found.limits, names, found.lives, found.lines)


def _chart(sources: Sources, read: WeekRead) -> str:
    writing = sources.writing(read.site)
    setting = ChartSetting(
        [line.shift for line in read.lines],
        [(edge, writing.short(edge).rpartition(" ")[0]) for edge in read.edges_s[:-1]],
        sorted(set(read.limits.values())),
        sources.settings.limits.margin_caution_k,
    )
    return week_chart(read.zones, Window(read.edges_s[0], read.edges_s[-1], WIDTH_S), setting, writing)


def shifts_section(read: WeekRead, writing: Writing) -> SheetSection:
    """One line a shift."""
    columns = (
        "shift", "from", "to", "sweating h", "humid h", "worst hour", "where",
        f"margin {writing.degree}", "not known h", "warnings", "messages", "unanswered", "done", "told",
    )  # fmt: skip
    rows = tuple(_shift(line, read, writing) for line in read.lines)
    notes = (
        "Sweating: the coldest cylinder or plate at or below the dew point. Humid: any place over its limit. "
        "Worst hour: the least margin above the dew point. Not known: at least one place without readings, "
        "or steel that nobody could judge; those hours are neither dry nor wet. "
        "Warnings: of each thing; messages: those that people got of them. "
        "Done: things of the plan ticked off. "
        "Told: whether a warning stood when the shift began, and whether an hourly mean in it then went "
        "past a limit; missed is humid without one.",
    )
    return SheetSection("shifts", "Shifts", columns, rows, notes if rows else ("No shift is set.",))


def _shift(line: ShiftLine, read: WeekRead, writing: Writing) -> tuple[str, ...]:
    worst = line.worst
    where = "" if worst is None else f"{read.names.get(worst.body, worst.body)}, {read.names[worst.zone]}"
    return (
        line.shift.name if line.over else f"{line.shift.name}, not over",
        writing.short(line.shift.start_s),
        writing.short(line.shift.end_s).rpartition(" ")[2],
        NOT_KNOWN if line.sweating_h is None else f"{line.sweating_h:.2f}",
        NOT_KNOWN if line.humid_h is None else f"{line.humid_h:.2f}",
        "" if worst is None else writing.short(worst.start_s).rpartition(" ")[2],
        where,
        writing.difference(None if worst is None else worst.margin_k),
        f"{line.unknown_h:.2f}",
        str(line.warnings),
        str(line.messages),
        str(line.unanswered),
        str(line.done),
        told_words(line.score),
    )


def excursions_section(read: WeekRead, writing: Writing) -> SheetSection:
    """Every stretch over a limit, at the dew point, or not known."""
    found = [one for zone in read.zones for one in excursions(zone, read.limits[zone.zone.id])]
    rows = tuple(_excursion(one, read, writing) for one in sorted(found, key=lambda one: one.start_s))
    columns = ("place", "what", "from", "to", "hours", "worst", "coldest")
    return SheetSection("excursions", "Out of limits", columns, rows)


def _excursion(one: Excursion, read: WeekRead, writing: Writing) -> tuple[str, ...]:
    worst, coldest = "", ""
    if one.what == "humid" and one.worst is not None:
        worst = f"{writing.percent(one.worst)} % (limit {writing.percent(read.limits[one.zone])} %)"
    if one.what == "sweating":
        worst = f"{writing.difference(one.worst)} {writing.degree}"
        more = f" and {one.bodies - 1} more" if one.bodies > 1 else ""
        coldest = f"{read.names.get(one.body, one.body)}{more}"
    times = (writing.short(one.start_s), writing.short(one.end_s))
    return (read.names[one.zone], one.what, *times, f"{one.hours:.2f}", worst, coldest)


def packages_section(
    records: Sequence[PackageRecord], hours: Sequence[float], writing: Writing
) -> SheetSection:
    """The packages whose clock ran, as they stood at the end."""
    columns = (
        "package", "class", "lot", "job", "opened", "h in the week", "used h", "limit h", "not known h",
        "stands", "by which rule",
    )  # fmt: skip
    rows = tuple(
        (
            _both(record.history.name, record.history.id),
            record.rules.consumable.title,
            record.history.lot,
            record.history.job,
            writing.short(record.history.opened_s),
            f"{hour:.2f}",
            writing.hours(record.verdict.used_h),
            writing.hours(record.verdict.limit_h),
            writing.hours(record.verdict.unknown_h),
            str(record.verdict.standing),
            "; ".join(part for part in (record.verdict.rule_text, record.verdict.deviation) if part),
        )
        for record, hour in zip(records, hours, strict=True)
    )
    return SheetSection("packages", "Packages open", columns, rows, ("As they stood at the end.",))


def _both(name: str, label: str) -> str:
    return name if name == label else f"{name} ({label})"


def _beads(sources: Sources, writing: Writing, read: WeekRead) -> SheetSection:
    whole = beads_section(sources, None, writing, read.between_s)
    return chosen(whole, [name for name in whole.columns if name not in ("edition", "source of the limit")])


def warnings_section(read: WeekRead, writing: Writing) -> SheetSection:
    """Warnings with their answers: one line a kind, place and day."""
    columns = ("day", "warning", "place", "priority", "given at", "answered by", "longest wait", "over")
    days = by_day(read.lives, read.edges_s)
    rows = tuple(_warning(one, read, writing) for one in days)
    notes = (f"{len(read.lives)} warnings; each with every move stands in the week's sheet.",) if rows else ()
    return SheetSection("warnings", "Warnings and answers", columns, rows, notes)


def _warning(one: WarningDay, read: WeekRead, writing: Writing) -> tuple[str, ...]:
    first, more = one.first, len(one.titles) - 1
    answers = [", ".join(one.answerers)] if one.answerers else []
    if one.unanswered:
        answers.append(f"{one.unanswered} of {len(one.lives)} unanswered" if answers else "nobody")
    slowest = one.slowest_s
    return (
        writing.short(first.given_s).rpartition(" ")[0],
        f"{first.title} and {more} more" if more else first.title,
        read.names.get(first.zone, first.zone),
        first.priority,
        ", ".join(writing.short(moment).rpartition(" ")[2] for moment in one.moments_s),
        "; ".join(answers),
        NOTHING if slowest is None else f"{slowest / 60.0:.0f} min",
        "stands" if one.over_s is None else _over(one, writing),
    )


def _over(one: WarningDay, writing: Writing) -> str:
    at = writing.short(one.over_s)
    return f"{at}, {one.set_aside}" if one.set_aside else at
