"""How good the warnings themselves are over a stretch of time, from the ledger: for the page and the week."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

from monitor.alarms.figures import measure
from monitor.alarms.performance import Move, Performance, move_from
from monitor.model.data_tables import Sourced
from monitor.model.event import Event, EventKind
from monitor.model.shift_span import ShiftSpan
from monitor.model.staff import Person
from monitor.report.sheet import SheetSection, Writing
from monitor.store.contract import Ledger

DAY_S = 86_400.0
BEFORE_S = 30 * DAY_S  # so far back moves tell what stood already when the stretch began
WARNS = frozenset({"", "first", "escalated", "again", "after_quiet"})  # no all clear, no daily word
TITLES = {
    "per_shift": "Warnings told in the worst shift",
    "per_day": "Alarms a day",
    "flood": "Alarms in the worst 10 minutes",
    "flood_share": "Share of 10-minute periods in flood",
    "stale_count": "Stale alarms",
    "chattering": "Most times within one minute",
}
COLUMNS = ("measure", "measured", "should be", "met", "source")


class NoticeTimes(NamedTuple):
    """One warning that a receiver took."""

    time_s: float
    channel: str
    key: str
    person: str


@dataclass(frozen=True, slots=True)
class PersonRate:
    """What reached one person, in their worst shift too, and what that person answered."""

    name: str
    told: int
    told_per_day: float
    worst_shift: int
    answered: int
    median_s: float | None


@dataclass(frozen=True, slots=True)
class AlarmPerformance:
    """One stretch of time, measured; `unread` events could not be read and do not count."""

    measured: Performance
    people: tuple[PersonRate, ...]
    unread: int


def alarm_performance(
    ledger: Ledger,
    people: Sequence[Person],
    figures: Mapping[str, Sourced],
    shifts: Iterable[ShiftSpan],
    between_s: tuple[float, float],
) -> AlarmPerformance:
    """The alarms and what people were told of them between two moments; only whole shifts are counted."""
    start_s, end_s = between_s
    moves, unread = _moves(
        ledger.events(kinds=(EventKind.ALARM_TRANSITION,), start_s=start_s - BEFORE_S, end_s=end_s)
    )
    told = told_notices(ledger.events(kinds=(EventKind.DELIVERY,), start_s=start_s, end_s=end_s))
    spans = [one for one in shifts if one.start_s >= start_s and one.end_s <= end_s]
    first: dict[str, float] = {}
    for one in told:
        first[one.key] = min(one.time_s, first.get(one.key, one.time_s))
    measured = measure(moves, figures, start_s, end_s, spans, sorted(first.values()))
    return AlarmPerformance(measured, tuple(_people(people, measured, told, spans)), unread)


def performance_section(found: AlarmPerformance, writing: Writing) -> SheetSection:
    """The measures as a table of a record, the worst offender as its note."""
    rows = [
        (
            TITLES[check.name],
            figure_text(check.name, check.measured),
            _wanted(check.name, check.figure),
            "yes" if check.met else "no",
            f"{check.figure.source} ({check.figure.status})",
        )
        for check in found.measured.checks
    ]
    for one in found.people:
        note = f"{one.worst_shift} in the worst shift, {one.answered} answered"
        rows.append((f"Told: {one.name}", str(one.told), "", "", note))
    notes = (found.measured.suggestion,) if found.measured.suggestion else ()
    return SheetSection("performance", "The warnings themselves", COLUMNS, tuple(rows), notes)


def figure_text(name: str, value: float) -> str:
    """A measure as people read it."""
    if name == "flood_share":
        return f"{100 * value:.1f} %"
    return f"{value:.0f}" if value == round(value) else f"{value:.1f}"


def _wanted(name: str, figure: Sourced) -> str:
    word = "at most" if name in ("per_shift", "per_day", "flood") else "under"
    return f"{word} {figure_text(name, figure.value)}"


def _moves(events: Sequence[Event]) -> tuple[list[Move], int]:
    found, unread = [], 0
    for event in events:
        try:
            found.append(move_from(event.body))
        except (KeyError, ValueError):
            unread += 1
    return found, unread


def told_notices(events: Sequence[Event]) -> list[NoticeTimes]:
    """Every warning that a receiver took; tests, daily words and all clears do not count."""
    return [
        NoticeTimes(
            event.time_s,
            str(event.body.get("channel", "")),
            str(event.body.get("key", "")).partition(">")[0],  # the same warning, for whomever it was named
            str(event.body.get("person") or ""),
        )
        for event in events
        if event.body.get("state") == "delivered"
        and not event.body.get("test")
        and str(event.body.get("telling") or "") in WARNS
    ]


def _people(
    people: Sequence[Person], measured: Performance, told: Sequence[NoticeTimes], spans: Sequence[ShiftSpan]
) -> list[PersonRate]:
    days = max(measured.end_s - measured.start_s, 1.0) / DAY_S
    answers = {one.who: one for one in measured.answerers}
    channels = {person.name: frozenset(person.channels) for person in people}
    channels |= {who: frozenset() for who in answers if who not in channels}
    found = []
    for name, own in channels.items():
        reached = {
            one.key: one.time_s
            for one in told
            if name in one.person.split(", ") or (not one.person and one.channel in own)
        }
        answer = answers.get(name)
        if not reached and answer is None:
            continue
        in_shift = [sum(s.start_s <= at < s.end_s for at in reached.values()) for s in spans]
        found.append(
            PersonRate(
                name=name,
                told=len(reached),
                told_per_day=len(reached) / days,
                worst_shift=max(in_shift, default=0),
                answered=0 if answer is None else answer.times,
                median_s=None if answer is None else answer.median_s,
            )
        )
    return sorted(found, key=lambda one: (-one.told, -one.answered, one.name))
