"""The service itself: its parts, the ways to reach people, and a test message for each of them."""

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.authority import TRY_CHANNEL
from monitor.model.errors import Fault, InputError
from monitor.notify.outcome import Outcome
from monitor.notify.trial import word
from monitor.web.frame.forms import read_form, remember_who
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed

PIECES = {"health": "piece/health.html"}
HISTORY = 20


class TestForm(BaseModel):
    """Which channel is tried, and by whom."""

    __test__ = False
    channel: Annotated[str, Field(max_length=48)]
    who: Annotated[str, Field(min_length=1, max_length=80)]


def routes(web: Web) -> APIRouter:
    """The page and its test buttons."""
    router = APIRouter(include_in_schema=False)

    @router.get("/service")
    def service(request: Request) -> HTMLResponse:
        return _page(web, request)

    @router.post("/service/test")
    async def test(request: Request) -> Response:
        try:
            form = await read_form(web, request, TestForm)
            person = allowed(web.deps.settings, request, form.who, TRY_CHANNEL)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, faults=refusal.faults)
        tried = await run_in_threadpool(web.deps.try_channel, form.channel, person)
        response = await run_in_threadpool(_page, web, request, channel=form.channel, tried=tried)
        remember_who(response, person.name)
        return response

    return router


def _page(
    web: Web,
    request: Request,
    *,
    channel: str = "",
    tried: Outcome | None = None,
    faults: tuple[Fault, ...] = (),
) -> HTMLResponse:
    people = {
        one.id: [person.name for person in web.deps.settings.people if one.id in person.channels]
        for one in web.deps.settings.channels
    }
    return web.page(
        request,
        "service.html",
        422 if faults else 200,
        here="more",
        channels=web.deps.channels(),
        kinds={one.id: one.kind for one in web.deps.settings.channels},
        reached=people,
        channel=channel,
        tried=None if tried is None else word(tried),
        faults=faults,
    )
