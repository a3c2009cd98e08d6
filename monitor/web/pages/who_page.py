"""Where a phone is told once who holds it."""

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.model.errors import InputError
from monitor.web.frame.forms import read_form, remember_who
from monitor.web.frame.page import Web

BACK = {"alarms": "/alarms", "ahead": "/ahead#todo"}


class WhoForm(BaseModel):
    """A name."""

    who: Annotated[str, Field(min_length=1, max_length=80)]


def routes(web: Web) -> APIRouter:
    """The one address of the name chooser."""
    router = APIRouter(include_in_schema=False)

    @router.post("/who")
    async def who(request: Request) -> Response:
        try:
            form = await read_form(web, request, WhoForm)
        except InputError as refusal:
            return await run_in_threadpool(_refused, web, request, refusal)
        response = RedirectResponse(BACK.get(request.query_params.get("back", ""), "/"), status_code=303)
        remember_who(response, form.who)
        return response

    return router


def _refused(web: Web, request: Request, refusal: InputError) -> HTMLResponse:
    return web.page(
        request, "problem.html", 422, here="", title="Nothing was changed.", faults=refusal.faults, code=422
    )
