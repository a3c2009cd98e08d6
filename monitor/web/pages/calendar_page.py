"""The address of a person's calendar, and the calendar itself for whoever has that address."""

from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.model.staff import Person, person_named
from monitor.web.frame.calendar_key import calendar_token, person_with, renewal
from monitor.web.frame.forms import TapId, read_form
from monitor.web.frame.page import Web, who_of
from monitor.web.frame.person import acting
from monitor.web.pages.calendar_items import PublishedCalendar, looked_ahead

PATH = "/calendar.ics"


class RenewForm(BaseModel):
    """Who wants another address."""

    who: Annotated[str, Field(min_length=1, max_length=80)]
    tap: TapId = ""


def routes(web: Web) -> APIRouter:
    """The page with the address, its renewal, and the calendar."""
    router = APIRouter(include_in_schema=False)
    published = PublishedCalendar()
    deps = web.deps

    @router.get("/calendar")
    def page(request: Request) -> HTMLResponse:
        person = _person(web, request)
        base = (deps.settings.web.public_url or str(request.base_url)).rstrip("/")
        token = "" if person is None else calendar_token(deps.key, deps.ledger, person)
        return web.page(
            request, "calendar.html", here="more", address=f"{base}{PATH}?token={token}" if token else ""
        )

    @router.post("/calendar")
    async def renew(request: Request) -> Response:
        form = await read_form(web, request, RenewForm)
        actor = acting(deps.settings, request, form.who)
        person = person_named(deps.settings.people, actor.name)
        if person is None:
            raise HTTPException(403, "Only the shop's people have a calendar.")
        key = f"web/calendar/{person.id}/{form.tap}" if form.tap else None
        event = renewal(person, deps.clock(), actor.proof, key or f"web/calendar/{deps.clock():.3f}")
        await run_in_threadpool(deps.record, event)
        return RedirectResponse("/calendar", status_code=303)

    @router.get(PATH)
    def calendar(token: Annotated[str, Query(max_length=120)] = "") -> Response:
        person = person_with(deps.settings, deps.key, deps.ledger, token)
        if person is None:
            raise HTTPException(404, "This calendar's address is not known, or not any more.")
        if not looked_ahead(web):
            # A calendar program keeps what it has, so that a start of ours takes no humid shift from it.
            raise HTTPException(503, "Nobody has looked ahead yet.", {"retry-after": "300"})
        text = published.text(web, person, deps.clock())
        return Response(text, media_type="text/calendar; charset=utf-8")

    return router


def _person(web: Web, request: Request) -> Person | None:
    who = who_of(web.deps.settings, request)
    return person_named(web.deps.settings.people, who) if who else None
