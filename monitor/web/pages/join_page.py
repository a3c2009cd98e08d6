"""Where a one-time link leads: a person chooses a password, once; opening the page alone uses nothing up."""

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.model.errors import Fault
from monitor.web.frame.forms import read_form, remember_who
from monitor.web.frame.let_in import REFUSALS, browser_of, desk_of, let_in, unkept, why_not
from monitor.web.frame.page import Pages

GONE = 410


class JoinForm(BaseModel):
    """The password; and with the first link, whose account it is."""

    password: Annotated[str, Field(min_length=1, max_length=1_000)]
    person: Annotated[str, Field(max_length=48)] = ""


def routes(web: Pages) -> APIRouter:
    """Show and use up."""
    router = APIRouter(include_in_schema=False)

    @router.get("/join/{token}")
    def look(request: Request, token: str) -> HTMLResponse:
        return _page(web, request, token)

    @router.post("/join/{token}")
    async def join(request: Request, token: str) -> Response:
        desk = desk_of(web)
        try:
            form = await read_form(web, request, JoinForm)
            given = token, form.person, form.password, browser_of(request)
            session, person = await run_in_threadpool(desk.join, *given)
        except REFUSALS as refusal:
            return await run_in_threadpool(_page, web, request, token, *why_not(refusal))
        response = RedirectResponse("/account?done=made", status_code=303)
        let_in(web, request, response, session, person)
        remember_who(response, person.name)
        return response

    return router


def _page(
    web: Pages, request: Request, token: str, status: int = 200, faults: tuple[Fault, ...] = ()
) -> HTMLResponse:
    desk = desk_of(web)
    found = desk.invitation(token)
    person = None if found is None or not found.person else desk.person(found.person)
    page = web.page(
        request,
        "join.html",
        GONE if found is None else status,
        here="more",
        invitation=found,
        person=person,
        keepers=desk.keepers(),
        shortest=desk.rules.password_shortest,
        longest=desk.rules.password_longest,
        faults=faults,
    )
    return unkept(page)
