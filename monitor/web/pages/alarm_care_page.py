"""Whether the alarms are any good: rates by person and shift, floods, stale, chattering."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.alarms.performance import Performance, figures_from
from monitor.model.data_tables import Sourced
from monitor.report.condition_words import AlarmWords
from monitor.report.performance_sheet import TITLES, AlarmPerformance, alarm_performance, figure_text
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.page import Web

DAY_S = 86_400.0
CHOICES = (1, 7, 28)


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
            days=days,
            figures=figures,
            choices=CHOICES,
            titles=TITLES,
            number=figure_text,
            suggestion=lambda one: named(one.suggestion, one, web.words),
        )

    return router


def care(deps: WebDeps, figures: dict[str, Sourced], days: int) -> AlarmPerformance:
    """The last days up to now."""
    now_s = deps.clock()
    start_s = now_s - days * DAY_S
    return alarm_performance(
        deps.ledger, deps.settings.people, figures, deps.shift_spans(start_s, now_s), (start_s, now_s)
    )


def named(text: str, measured: Performance, words: AlarmWords) -> str:
    """A sentence with conditions called as people call them."""
    ids = {one.condition_id for one in measured.most_frequent}
    ids |= {one.condition_id for one in measured.stale}
    ids |= {name for name, _ in measured.chattering}
    for name in sorted(ids, key=len, reverse=True):
        text = text.replace(name, words.condition(name))
    return text
