"""Whether the alarms are any good: rates by person and shift, floods, stale, chattering."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.alarms.metrics import measure
from monitor.alarms.performance import Figure, Move, Performance, Span, figures_from, move_from
from monitor.reference import load_toml
from monitor.store.contract import Event
from monitor.values import EventKind
from monitor.web.alarm_groups import AlarmWords
from monitor.web.deps import WebDeps
from monitor.web.page import Web

DAY_S = 86_400.0
BEFORE_S = 30 * DAY_S  # so far back moves tell what stood already when the stretch began
MOST = 200_000
CHOICES = (1, 7, 28)
TITLES = {
    "per_shift": "Warnings told in the worst shift",
    "per_day": "Alarms a day",
    "flood": "Alarms in the worst 10 minutes",
    "flood_share": "Share of 10-minute periods in flood",
    "stale_count": "Stale alarms",
    "chattering": "Most times within one minute",
}


@dataclass(frozen=True, slots=True)
class PersonRate:
    """What reached one person, and what that person answered."""

    name: str
    told: int
    told_per_day: float
    answered: int
    median_s: float | None


@dataclass(frozen=True, slots=True)
class Care:
    """One stretch of time, measured."""

    days: int
    measured: Performance
    people: tuple[PersonRate, ...]
    unread: int  # alarm events that could not be read, and do not count


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/alarms/performance")
    def performance(request: Request, days: Annotated[int, Query(ge=1, le=366)] = 7) -> HTMLResponse:
        figures = figures_from(load_toml("alarm_performance.toml"))
        return web.page(
            request,
            "alarm_care.html",
            here="alarms",
            care=care(web.deps, figures, days),
            figures=figures,
            choices=CHOICES,
            titles=TITLES,
            number=_number,
            suggestion=lambda one: named(one.suggestion, one, web.words),
        )

    return router


def care(deps: WebDeps, figures: dict[str, Figure], days: int) -> Care:
    """The last days up to now."""
    now_s = deps.clock()
    start_s = now_s - days * DAY_S
    kinds = (EventKind.ALARM_TRANSITION,)
    moves, unread = _moves(deps.ledger.events(kinds=kinds, start_s=start_s - BEFORE_S, limit=MOST))
    told = _told(deps.ledger.events(kinds=(EventKind.DELIVERY,), start_s=start_s, limit=MOST))
    first = {key: min(one[1] for one in told if one[2] == key) for key in {one[2] for one in told}}
    spans = [
        Span(one.name, one.start_s, one.end_s)
        for one in deps.shift_spans(start_s, now_s)
        if one.start_s >= start_s and one.end_s <= now_s
    ]
    measured = measure(moves, figures, start_s, now_s, spans, sorted(first.values()))
    return Care(days, measured, tuple(_people(deps, measured, told, days)), unread)


def _moves(events: Sequence[Event]) -> tuple[list[Move], int]:
    found, unread = [], 0
    for event in events:
        try:
            found.append(move_from(event.body))
        except (KeyError, ValueError):
            unread += 1
    return found, unread


def _told(events: Sequence[Event]) -> list[tuple[str, float, str]]:
    """Channel, time and key of every message that a receiver took; tests do not count."""
    return [
        (str(event.body.get("channel", "")), event.time_s, str(event.body.get("key", "")))
        for event in events
        if event.body.get("state") == "delivered" and not event.body.get("test")
    ]


def _people(
    deps: WebDeps, measured: Performance, told: Sequence[tuple[str, float, str]], days: int
) -> list[PersonRate]:
    answers = {one.who: one for one in measured.answerers}
    names = {person.name: frozenset(person.channels) for person in deps.settings.people}
    names |= {who: frozenset() for who in answers if who not in names}
    found = []
    for name, channels in names.items():
        reached = len({key for channel, _, key in told if channel in channels})
        answer = answers.get(name)
        if reached or answer is not None:
            rate = PersonRate(
                name,
                reached,
                reached / days,
                0 if answer is None else answer.times,
                None if answer is None else answer.median_s,
            )
            found.append(rate)
    return sorted(found, key=lambda one: (-one.told, -one.answered, one.name))


def named(text: str, measured: Performance, words: AlarmWords) -> str:
    """A sentence with conditions called as people call them."""
    ids = {one.condition_id for one in measured.most_frequent}
    ids |= {one.condition_id for one in measured.stale}
    ids |= {name for name, _ in measured.chattering}
    for name in sorted(ids, key=len, reverse=True):
        text = text.replace(name, words.condition(name))
    return text


def _number(name: str, value: float) -> str:
    """A measure as people read it."""
    if name == "flood_share":
        return f"{100 * value:.1f} %"
    return f"{value:.0f}" if value == round(value) else f"{value:.1f}"
