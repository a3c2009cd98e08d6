"""Whether the alarms are any good: rates by person and shift, floods, stale, chattering."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.alarms.performance import Figure, Performance, figures_from
from monitor.report.performance_sheet import TITLES, PersonRate, alarm_performance, figure_text
from monitor.settings.reference import load_toml
from monitor.web.frame.alarm_groups import AlarmWords
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.page import Web

DAY_S = 86_400.0
CHOICES = (1, 7, 28)


@dataclass(frozen=True, slots=True)
class AlarmCare:
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
            number=figure_text,
            suggestion=lambda one: named(one.suggestion, one, web.words),
        )

    return router


def care(deps: WebDeps, figures: dict[str, Figure], days: int) -> AlarmCare:
    """The last days up to now."""
    now_s = deps.clock()
    start_s = now_s - days * DAY_S
    found = alarm_performance(
        deps.ledger, deps.settings.people, figures, deps.shift_spans(start_s, now_s), (start_s, now_s)
    )
    return AlarmCare(days, found.measured, found.people, found.unread)


def named(text: str, measured: Performance, words: AlarmWords) -> str:
    """A sentence with conditions called as people call them."""
    ids = {one.condition_id for one in measured.most_frequent}
    ids |= {one.condition_id for one in measured.stale}
    ids |= {name for name, _ in measured.chattering}
    for name in sorted(ids, key=len, reverse=True):
        text = text.replace(name, words.condition(name))
    return text
