"""The to-do list of the coming shifts: the tap that ticks an action off, or opens it again."""

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.authority import ENTER
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.web.frame.forms import Ago, read_form, remember_who
from monitor.web.frame.page import Web
from monitor.web.frame.person import allowed
from monitor.web.frame.ticks import ENTRIES, ticks

BACK = {"ahead": "/ahead#todo"}


class TickForm(BaseModel):
    """One tap: "done" or "open", the number of the tap it was made upon (0: none yet), and the action."""

    tick: Annotated[str, Field(pattern=r"^(done|open) \d{1,12} .{1,200}$")]
    who: Annotated[str, Field(min_length=1, max_length=80)]
    ago: Ago = 0.0


def routes(web: Web) -> APIRouter:
    """Where the taps go."""
    router = APIRouter(include_in_schema=False)

    @router.post("/todo")
    async def tick(request: Request) -> Response:
        try:
            form = await read_form(web, request, TickForm)
            person = allowed(web.deps.settings, request, form.who, ENTER)
            await run_in_threadpool(record_tick, web, form.tick, web.deps.clock() - form.ago, person)
        except InputError as refusal:
            return await run_in_threadpool(_refused, web, request, refusal)
        back = BACK.get(request.query_params.get("back", ""), "/#todo")
        response = RedirectResponse(back, status_code=303)
        remember_who(response, person.name)
        return response

    return router


def record_tick(web: Web, tick: str, time_s: float, person: Actor) -> Event:
    """Write the tap of a moment; the same tap upon the same state is one entry, however often it arrives."""
    entry, after, action = tick.split(" ", 2)
    now_s = web.deps.clock()
    known = {one.id for one in web.deps.snapshot().actions} | set(ticks(web.deps.ledger, now_s))
    if entry not in ENTRIES or action not in known:
        raise InputError([Fault("action", action, "is no longer planned; look at the list as it is now")])
    event = NewEvent(
        kind=EventKind.PLAN,
        subject=action,
        time_s=time_s,
        who=person.name,
        body={"entry": entry},
        key=f"web/todo/{action}/{entry}/{after}",
        known_by=person.proof,
    )
    return web.deps.record(event)


def _refused(web: Web, request: Request, refusal: InputError) -> HTMLResponse:
    return web.page(
        request, "problem.html", 422, here="", title="Nothing was changed.", faults=refusal.faults, code=422
    )
