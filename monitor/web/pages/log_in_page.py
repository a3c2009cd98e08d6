"""Where people log in: with name and password, on a shared tablet with a tap and a PIN; and out."""

from collections.abc import Callable
from functools import partial
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.model.errors import Fault, InputError
from monitor.model.staff import Person
from monitor.web.frame.forms import read_form, remember_who
from monitor.web.frame.let_in import (
    FIRST_PAGE,
    REFUSALS,
    browser_of,
    desk_of,
    let_in,
    let_out,
    local,
    tablet_of,
    unkept,
    why_not,
)
from monitor.web.frame.page import Pages, name_before
from monitor.web.frame.person import session_in

SOON_S = 5.0


class LogInForm(BaseModel):
    """Name and password; where to go afterwards."""

    who: Annotated[str, Field(min_length=1, max_length=80)]
    password: Annotated[str, Field(min_length=1, max_length=1_000)]
    then: Annotated[str, Field(max_length=1_000)] = FIRST_PAGE


class PinForm(BaseModel):
    """One of the people a shared tablet offers, and their PIN."""

    person: Annotated[str, Field(min_length=1, max_length=48)]
    pin: Annotated[str, Field(min_length=1, max_length=40)]
    then: Annotated[str, Field(max_length=1_000)] = FIRST_PAGE


class NothingForm(BaseModel):
    """A button that says it all."""


def routes(web: Pages) -> APIRouter:
    """Look, log in by either way, log out."""
    router = APIRouter(include_in_schema=False)

    @router.get("/log-in")
    def look(request: Request, then: str = "") -> HTMLResponse:
        return _page(web, request, then or _came_from(request))

    @router.post("/log-in")
    async def log_in(request: Request) -> Response:
        try:
            form = await read_form(web, request, LogInForm)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, "", 422, refusal.faults)
        check = partial(desk_of(web).log_in, form.who, form.password, browser_of(request))
        return await _entered(web, request, check, form.then, form.who)

    @router.post("/log-in/pin")
    async def pin(request: Request) -> Response:
        try:
            form = await read_form(web, request, PinForm)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, "", 422, refusal.faults)
        check = partial(desk_of(web).enter_pin, form.person, form.pin, browser_of(request))
        return await _entered(web, request, check, form.then)

    @router.post("/log-out")
    async def log_out(request: Request) -> Response:
        try:
            await read_form(web, request, NothingForm)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, "", 422, refusal.faults)
        session = session_in(request)
        if session is not None:
            await run_in_threadpool(desk_of(web).log_out, session)
        response = RedirectResponse("/log-in?then=/", status_code=303)
        let_out(request, response)
        return response

    return router


async def _entered(
    web: Pages, request: Request, check: Callable[[], tuple[str, Person]], then: str, typed: str = ""
) -> Response:
    """The page to go on to, with the browser's new session; or why not, and when again."""
    try:
        token, person = await run_in_threadpool(check)
    except REFUSALS as refusal:
        return await run_in_threadpool(_refused, web, request, then, typed, refusal)
    before = session_in(request)
    if before is not None:
        await run_in_threadpool(desk_of(web).log_out, before)
    response = RedirectResponse(local(then), status_code=303)
    let_in(web, request, response, token, person)
    remember_who(response, person.name)
    return response


def _refused(web: Pages, request: Request, then: str, typed: str, refusal: Exception) -> HTMLResponse:
    page = _page(web, request, then, *why_not(refusal), typed=typed)
    if not isinstance(refusal, InputError):
        page.headers["retry-after"] = str(max(int(getattr(refusal, "wait_s", SOON_S)), 1))
    return page


def _came_from(request: Request) -> str:
    """The page of ours that led here."""
    came = urlsplit(request.headers.get("referer", ""))
    return came.path if came.netloc == request.headers.get("host") else FIRST_PAGE


def _page(
    web: Pages,
    request: Request,
    then: str,
    status: int = 200,
    faults: tuple[Fault, ...] = (),
    typed: str = "",
) -> HTMLResponse:
    desk, tablet = desk_of(web), tablet_of(request)
    offered = desk.with_pin() if tablet is not None else []
    page = web.page(
        request,
        "log_in.html",
        status,
        here="more",
        then=local(then),
        offered=offered,
        tablet=tablet,
        named=typed or ("" if tablet is not None else name_before(request)),
        none_yet=not desk.book.has_accounts(),
        faults=faults,
    )
    return unkept(page)
