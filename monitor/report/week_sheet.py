"""The record of one site's week: its air by day, the packages that were open, entries, beads and warnings."""

import re
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise
from typing import Any

from monitor.alarms.performance import figures_from
from monitor.consumables.rule_book import air_speaks_s, speaking_from
from monitor.history.records import corrected
from monitor.history.unknown_hours import HOUR_S
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind
from monitor.model.place import Site, Zone
from monitor.report.air_lines import air_span
from monitor.report.bead_sheet import beads_section
from monitor.report.entry_lines import entries_section
from monitor.report.group_sheet import packages_section
from monitor.report.package_sheet import PackageRecord, package_record
from monitor.report.performance_sheet import alarm_performance, performance_section
from monitor.report.proof import proof_section, verified
from monitor.report.sensor_check_lines import checks_of
from monitor.report.sheet import Sheet, SheetSection, Writing
from monitor.report.sources import THINGS, Sources
from monitor.report.unread import unread_section
from monitor.report.warned import warnings_section
from monitor.settings.reference import load_toml

WEEK = re.compile(r"(\d{4})-W(\d{2})")
INSTRUMENTS = (EventKind.SENSOR_STATUS, EventKind.SENSOR_CHECK, EventKind.SERVICE_GAP)


def week_edges(week: str, zone: tzinfo) -> list[float]:
    """The eight local midnights of an ISO week ("2026-W38"): 167 to 169 h where the clocks change."""
    found = WEEK.fullmatch(week)
    try:
        monday = date.fromisocalendar(int(found[1]), int(found[2]), 1) if found else None
    except ValueError:
        monday = None
    if monday is None:
        raise InputError([Fault("week", week, "write an ISO week like 2026-W38")])
    return [_midnight(monday + timedelta(days=n), zone) for n in range(8)]


def _midnight(day: date, zone: tzinfo) -> float:
    return datetime.combine(day, time(0), zone).astimezone(UTC).timestamp()


def week_sheet(sources: Sources, site_id: str, week: str) -> Sheet:
    """The record of a site's week; a week that is not over ends now."""
    site = site_named(sources, site_id)
    writing = sources.writing(site)
    edges = week_edges(week, site.tz)
    start_s, end_s = edges[0], min(edges[-1], sources.now_s)
    if end_s <= start_s:
        raise InputError([Fault("week", week, "has not begun; choose an earlier one")])
    proof = verified(sources.ledger, sources.witnesses())
    events = entries_of_week(sources, site, start_s, end_s)
    records, hours = open_in_week(sources, site, start_s, end_s)
    refused = [one for event in events for one in sources.keeper.refused(event.subject)]
    return Sheet(
        kind="week",
        subject=week,
        title=f"{site.name}, week {week}",
        made_at=writing.time(sources.now_s),
        zone=site.timezone,
        sections=(
            air_section(sources, site, edges, writing),
            _with_hours(packages_section(records, writing), hours),
            entries_section(events, writing, sources.entry_words(), refused),
            beads_section(sources, None, writing, (start_s, end_s)),
            warnings_section(sources, None, writing, (start_s, end_s)),
            _performance(sources, writing, (start_s, end_s)),
            instruments_section(sources, (start_s, end_s), writing),
            *unread_section(sources, start_s, end_s),
            proof_section(proof, writing),
        ),
        record_holds=proof.holds,
        record_text=proof.text,
    )


def _performance(sources: Sources, writing: Writing, between_s: tuple[float, float]) -> SheetSection:
    figures = figures_from(load_toml("alarm_performance.toml"))
    spans, people = sources.shift_spans(*between_s), sources.settings.people
    return performance_section(alarm_performance(sources.ledger, people, figures, spans, between_s), writing)


def site_named(sources: Sources, site_id: str) -> Site:
    """A site by its id; InputError lists the known ones."""
    found = next((site for site in sources.settings.sites if site.id == site_id), None)
    if found is None:
        known = ", ".join(site.id for site in sources.settings.sites)
        raise InputError([Fault("site", site_id, f"use one of: {known}")])
    return found


def air_section(sources: Sources, site: Site, edges: list[float], writing: Writing) -> SheetSection:
    """Each zone's air by local day."""
    degree = writing.degree
    columns = (
        "zone", "day from", "hours",
        f"air {degree} least", f"air {degree} mean", f"air {degree} greatest",
        "%RH least", "%RH mean", "%RH greatest",
        f"dew point {degree} least", f"dew point {degree} mean", f"dew point {degree} greatest",
        "not known h",
    )  # fmt: skip
    rows = tuple(
        row
        for zone in sources.settings.zones
        if zone.site == site.id
        for row in _days(sources, zone, edges, writing)
    )
    return SheetSection("air", "Air by day", columns, rows)


def _days(sources: Sources, zone: Zone, edges: list[float], writing: Writing) -> Iterator[tuple[str, ...]]:
    speaking = speaking_from(load_toml("readings.toml"))
    speaks_s = air_speaks_s(sources.settings, sources.settings.service.derived_every_s, speaking, zone.id)
    for start_s, next_s in pairwise(edges):
        end_s = min(next_s, sources.now_s)
        if end_s <= start_s:
            return
        samples = sources.keeper.air(zone.id, start_s - speaks_s, end_s)
        air = air_span(samples, (start_s, end_s), speaks_s, zone.kind)
        warm, damp, dew = air.temperature_c, air.rh_frac, air.dew_point_c
        yield (
            zone.name,
            writing.time(start_s),
            writing.hours((end_s - start_s) / HOUR_S),
            *(writing.temperature(getattr(warm, name, None)) for name in ("least", "mean", "greatest")),
            *(writing.percent(getattr(damp, name, None)) for name in ("least", "mean", "greatest")),
            *(writing.temperature(getattr(dew, name, None)) for name in ("least", "mean", "greatest")),
            writing.hours(air.unknown_h),
        )


def entries_of_week(sources: Sources, site: Site, start_s: float, end_s: float) -> list[Event]:
    """Every entry that happened in the week, by what is now believed of its time, with its corrections."""
    events = sources.ledger.events(kinds=(*THINGS, EventKind.CORRECTION))
    inside = {one.number for one in corrected(events) if start_s <= one.time_s < end_s}
    inside |= {e.number for e in events if e.kind is not EventKind.CORRECTION and start_s <= e.time_s < end_s}
    inside |= {e.number for e in events if e.kind is EventKind.CORRECTION and e.body.get("of") in inside}
    here = {zone.id for zone in sources.settings.zones if zone.site == site.id}
    homes = _homes(sources, events)
    return [e for e in events if e.number in inside and (not homes[e.subject] or homes[e.subject] & here)]


def _homes(sources: Sources, events: Sequence[Event]) -> Mapping[str, set[str]]:
    """The zones that each thing has to do with."""
    settings = sources.settings
    homes: dict[str, set[str]] = defaultdict(set)
    homes.update({zone.id: {zone.id} for zone in settings.zones})
    things: list[Any] = [*settings.packages, *settings.cylinders, *settings.plates]
    homes.update({thing.id: {thing.zone} for thing in things})
    for event in events:
        zone_id, package = event.body.get("zone"), event.body.get("package")
        if isinstance(zone_id, str) and zone_id:
            homes[event.subject].add(zone_id)
        elif isinstance(package, str) and package:
            homes[event.subject] |= homes[package]
    return homes


def open_in_week(
    sources: Sources, site: Site, start_s: float, end_s: float
) -> tuple[list[PackageRecord], list[float]]:
    """The packages whose clock ran in the week, as they stood at its end, and the hours it counted.

    What was withdrawn before the week is open no more; its clock is not looked at, however many there are.
    """
    zones = {zone.id for zone in sources.settings.zones if zone.site == site.id}
    records: list[PackageRecord] = []
    hours: list[float] = []
    for package in sources.keeper.packages():
        history = sources.keeper.history(package)
        if history is None or not any(stay.zone in zones for stay in history.stays):
            continue
        if history.withdrawn_s is not None and history.withdrawn_s <= start_s:
            continue
        record = package_record(sources, package, end_s)
        if record is None:
            continue
        before = sources.keeper.clock_at(package, start_s)
        counted_s = record.clock.whole_open_s - (0.0 if before is None else before.whole_open_s)
        if counted_s > 0.0:
            records.append(record)
            hours.append(counted_s / HOUR_S)
    return records, hours


def _with_hours(section: SheetSection, hours: list[float]) -> SheetSection:
    """The packages with the hours that the week added, and as they stood at its end."""
    rows = tuple((*row, f"{hour:.2f}") for row, hour in zip(section.rows, hours, strict=True))
    note = ("As they stood at the end of the week.",)
    return SheetSection(section.id, "Packages open", (*section.columns, "counted h in the week"), rows, note)


def instruments_section(sources: Sources, between_s: tuple[float, float], writing: Writing) -> SheetSection:
    """When sensors were doubted or checked, and when nobody was watching."""
    events = sources.ledger.events(kinds=INSTRUMENTS, start_s=between_s[0], end_s=between_s[1])
    names = sources.names()
    rows = tuple(
        (
            writing.time(event.time_s),
            names.get(event.subject, event.subject),
            event.kind.value.replace("_", " "),
            *(_check(sources, event, writing) if event.kind is EventKind.SENSOR_CHECK else _status(event)),
        )
        for event in events
    )
    return SheetSection("instruments", "Instruments", ("when", "which", "what", "status", "why"), rows)


def _status(event: Event) -> tuple[str, str]:
    return str(event.body.get("status", "")).replace("_", " "), event.why


def _check(sources: Sources, event: Event, writing: Writing) -> tuple[str, str]:
    """What a check over salts showed, who made it, when the next is due, and whether it was taken back."""
    outcome, words = str(event.body.get("outcome", "")), str(event.body.get("words", ""))
    standing = {one.number: one for one in checks_of(sources.ledger, event.subject)}
    if event.number not in standing:
        return f"{outcome} (taken back)", f"{words}; by {event.who}"
    due = f"next check due {writing.time(standing[event.number].check.due_s)}"
    return outcome, "; ".join(part for part in (words, due, f"by {event.who}", event.why) if part)
