"""Where accounts are kept: people invited, accounts reset and closed, the shop's own devices marked."""

from typing import Annotated, Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.access.account_book import TABLET, WALL
from monitor.alarms.authority import KEEP_ACCOUNTS
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.web.frame.forms import read_form
from monitor.web.frame.let_in import REFUSALS, desk_of, let_out, mark_screen, unkept, why_not
from monitor.web.frame.page import Pages
from monitor.web.frame.person import allowed
from monitor.web.pages.account_page import Secret, logged_in
from monitor.web.pages.labels_page import Label, qr_code

HERE = "/people"


class KeepForm(BaseModel):
    """What the keeper does, to whom or what, and their own password."""

    act: Literal["invite", "log_out", "close", "tablet", "wall", "revoke"]
    password: Secret
    person: Annotated[str, Field(max_length=48)] = ""
    screen: Annotated[str, Field(max_length=64)] = ""
    name: Annotated[str, Field(max_length=40)] = ""


def routes(web: Pages) -> APIRouter:
    """The page and its one form."""
    router = APIRouter(include_in_schema=False)

    @router.get(HERE)
    def look(request: Request) -> HTMLResponse:
        logged_in(request)
        allowed(web.deps.settings, request, "", KEEP_ACCOUNTS)
        return _page(web, request)

    @router.post(HERE)
    async def keep(request: Request) -> Response:
        me, desk = logged_in(request), desk_of(web)
        actor = allowed(web.deps.settings, request, "", KEEP_ACCOUNTS)
        try:
            form = await read_form(web, request, KeepForm)
            await run_in_threadpool(desk.confirm, me, form.password)
            if form.act == "tablet":
                return await run_in_threadpool(_this_tablet, web, request, form, actor)
            handed = await run_in_threadpool(_kept, web, request, form, actor)
        except REFUSALS as refusal:
            return await run_in_threadpool(_page, web, request, *why_not(refusal))
        if handed is None:
            return RedirectResponse(HERE, status_code=303)
        return await run_in_threadpool(_page, web, request, handed=handed)

    @router.get("/screen/{token}")
    def screen(request: Request, token: str) -> Response:
        found = desk_of(web).book.screen(token)
        if found is None or found.kind != WALL:
            return web.page(
                request, "problem.html", 410, here="", title="This screen was revoked.", faults=(), code=410
            )
        response = RedirectResponse("/wall", status_code=303)
        mark_screen(request, response, token)
        return response

    return router


def _kept(web: Pages, request: Request, form: KeepForm, actor: Actor) -> Label | None:
    """Do it; a link that is to be handed over where there is one."""
    desk = desk_of(web)
    if form.act == "invite":
        token = desk.invite(form.person, actor)
        return _handed(web, request, f"For {desk.name(form.person)}, once", f"join/{token}")
    if form.act == "wall":
        return _handed(web, request, _named(form), f"screen/{desk.add_screen(WALL, _named(form), actor)}")
    if form.act == "revoke":
        desk.end_screen(form.screen, actor)
    elif form.act == "log_out":
        desk.log_out_all(form.person, actor)
    else:
        desk.close_account(form.person, actor)
    return None


def _this_tablet(web: Pages, request: Request, form: KeepForm, actor: Actor) -> Response:
    """The browser that asks is the shop's from now on, and its keeper is logged out on it."""
    desk = desk_of(web)
    token = desk.add_screen(TABLET, _named(form), actor)
    desk.log_out(logged_in(request))
    response = RedirectResponse("/log-in?then=/", status_code=303)
    mark_screen(request, response, token)
    let_out(request, response)
    return response


def _named(form: KeepForm) -> str:
    if not form.name.strip():
        raise InputError([Fault("name", "nothing", "say where it hangs or lies, such as Slip Bay tablet")])
    return form.name.strip()


def _handed(web: Pages, request: Request, title: str, path: str) -> Label:
    base = (web.deps.settings.web.public_url or str(request.base_url)).rstrip("/")
    address = f"{base}/{path}"
    return Label("", title, "", address, qr_code(address))


def _page(
    web: Pages,
    request: Request,
    status: int = 200,
    faults: tuple[Fault, ...] = (),
    handed: Label | None = None,
) -> HTMLResponse:
    desk = desk_of(web)
    page = web.page(
        request,
        "people.html",
        status,
        here="more",
        staff=web.deps.settings.people,
        accounts_by_id=desk.book.accounts(),
        invited=desk.book.invited(desk.now_s()),
        screens=desk.book.screens(),
        real_now_s=desk.now_s(),
        days=round(desk.rules.invitation / 86_400.0),
        handed=handed,
        faults=faults,
    )
    return unkept(page)
