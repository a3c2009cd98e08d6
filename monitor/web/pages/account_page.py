"""A person's own account: where they are logged in, another password, the PIN for shared tablets."""

from typing import Annotated

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.access.account_book import Session
from monitor.model.actor import Actor
from monitor.model.errors import Fault
from monitor.web.frame.forms import read_form
from monitor.web.frame.let_in import REFUSALS, browser_of, desk_of, let_in, let_out, unkept, why_not
from monitor.web.frame.page import Pages
from monitor.web.frame.person import session_in

HERE = "/account"
Secret = Annotated[str, Field(min_length=1, max_length=1_000)]
DONE = {
    "made": "You are logged in. This phone stays so for {days} days.",
    "password": "Your password is changed. Every other device was logged out.",
    "pin": "Your PIN is set: it works on the shop's shared tablets.",
    "no-pin": "You have no PIN any more.",
    "ended": "That device is logged out.",
}


class PasswordForm(BaseModel):
    """The password as it is and as it is to be."""

    password: Secret
    new: Secret


class OwnPinForm(BaseModel):
    """The password, and the PIN to be; none: no PIN."""

    password: Secret
    pin: Annotated[str, Field(max_length=40)] = ""


class EndForm(BaseModel):
    """The password, and which session ends; none: all."""

    password: Secret
    session: Annotated[str, Field(max_length=64)] = ""


def routes(web: Pages) -> APIRouter:
    """The page, and what may be changed; each change asks for the password."""
    router = APIRouter(include_in_schema=False)

    @router.get(HERE)
    def look(request: Request, done: str = "") -> HTMLResponse:
        return _page(web, request, done=done)

    @router.post(f"{HERE}/password")
    async def password(request: Request) -> Response:
        me, desk = logged_in(request), desk_of(web)
        try:
            form = await read_form(web, request, PasswordForm)
            given = me, form.password, form.new, browser_of(request)
            token, person = await run_in_threadpool(desk.change_password, *given)
        except REFUSALS as refusal:
            return await run_in_threadpool(_page, web, request, *why_not(refusal))
        response = RedirectResponse(f"{HERE}?done=password", status_code=303)
        let_in(web, request, response, token, person)
        return response

    @router.post(f"{HERE}/pin")
    async def pin(request: Request) -> Response:
        me, desk = logged_in(request), desk_of(web)
        try:
            form = await read_form(web, request, OwnPinForm)
            await run_in_threadpool(desk.set_pin, me, form.password, form.pin.strip())
        except REFUSALS as refusal:
            return await run_in_threadpool(_page, web, request, *why_not(refusal))
        return RedirectResponse(f"{HERE}?done={'pin' if form.pin.strip() else 'no-pin'}", status_code=303)

    @router.post(f"{HERE}/end")
    async def end(request: Request) -> Response:
        me, desk = logged_in(request), desk_of(web)
        try:
            form = await read_form(web, request, EndForm)
            await run_in_threadpool(desk.confirm, me, form.password)
        except REFUSALS as refusal:
            return await run_in_threadpool(_page, web, request, *why_not(refusal))
        if form.session:
            await run_in_threadpool(desk.book.end, me.person, form.session)
            return RedirectResponse(f"{HERE}?done=ended", status_code=303)
        await run_in_threadpool(desk.log_out_all, me.person, Actor(desk.name(me.person), me.known_by))
        response = RedirectResponse("/log-in?then=/", status_code=303)
        let_out(request, response)
        return response

    return router


def logged_in(request: Request) -> Session:
    """Whoever is logged in; HTTPException 401 where nobody is."""
    found = session_in(request)
    if found is None:
        raise HTTPException(401, "Log in first; nothing was changed.")
    return found


def _page(
    web: Pages, request: Request, status: int = 200, faults: tuple[Fault, ...] = (), done: str = ""
) -> HTMLResponse:
    desk, me = desk_of(web), logged_in(request)
    account = desk.book.account(me.person)
    page = web.page(
        request,
        "account.html",
        status,
        here="more",
        sessions=desk.book.sessions(me.person, desk.now_s()),
        has_pin=account is not None and account.pin is not None,
        keeps=desk.may_keep(me.person),
        rules=desk.rules,
        real_now_s=desk.now_s(),
        done=DONE.get(done, "").format(days=web.deps.settings.web.logged_in_days),
        faults=faults,
    )
    return unkept(page)
