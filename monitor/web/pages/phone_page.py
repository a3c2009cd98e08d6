"""Where a browser asks to be told: its subscription to Web Push, for the person who holds it."""

from typing import Annotated

from fastapi import APIRouter, HTTPException, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.model.errors import Fault, InputError
from monitor.model.staff import person_named
from monitor.notify.web_push import NOT_INSTALLED, PushKey
from monitor.store.phone_book import KnownPhone
from monitor.web.frame.forms import FormRefusedError, read_form
from monitor.web.frame.own_names import unreachable
from monitor.web.frame.page import Web, who_of
from monitor.web.frame.person import acting

HERE = "/phone"
KEY = r"[A-Za-z0-9_-]+={0,2}"


class PhoneForm(BaseModel):
    """A browser's subscription as it gives it, or an endpoint alone that is told no more."""

    who: Annotated[str, Field(min_length=1, max_length=80)]
    endpoint: Annotated[str, Field(pattern="^https://", max_length=1_000)]
    public_key: Annotated[str, Field(pattern=f"^{KEY}$", max_length=120)] = ""
    secret: Annotated[str, Field(pattern=f"^{KEY}$", max_length=40)] = ""
    device: Annotated[str, Field(max_length=60)] = "a phone"


def routes(web: Web) -> APIRouter:
    """The page and its form."""
    router = APIRouter(include_in_schema=False)

    @router.get(HERE)
    def page(request: Request) -> HTMLResponse:
        return _page(web, request)

    @router.post(HERE)
    async def keep(request: Request) -> Response:
        try:
            form = await read_form(web, request, PhoneForm)
            await run_in_threadpool(_keep, web, request, form)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, refusal.faults)
        return RedirectResponse(HERE, status_code=303)

    return router


def _keep(web: Web, request: Request, form: PhoneForm) -> None:
    book, settings = web.deps.phones, web.deps.settings
    if book is None:
        raise HTTPException(404, "No channel of kind webpush is in the settings.")
    person = person_named(settings.people, acting(settings, request, form.who).name)
    if person is None:
        raise FormRefusedError([Fault("who", form.who, "is not among this shop's people")])
    if not form.public_key:
        book.drop(form.endpoint, person.name)
        return
    if unreachable(form.endpoint) or not form.secret:
        fix = "the browser gave no subscription that a push service takes; try another browser"
        raise FormRefusedError([Fault("endpoint", form.endpoint, fix)])
    now_s = web.deps.clock()
    book.keep(KnownPhone(form.endpoint, form.public_key, form.secret, person.name, form.device, now_s))


def _page(web: Web, request: Request, faults: tuple[Fault, ...] = ()) -> HTMLResponse:
    settings, book = web.deps.settings, web.deps.phones
    who = who_of(settings, request)
    key, why = "", ""
    try:
        key = "" if book is None else PushKey(book).public
    except ImportError:
        why = NOT_INSTALLED
    phones = [] if book is None or not who else book.of([who])
    context = {"key": key, "why": why, "phones": phones, "faults": faults, "offered": book is not None}
    return web.page(request, "phone.html", 422 if faults else 200, here="more", **context)
