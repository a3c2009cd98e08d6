"""The alarm page: what stands, who answered it, and how; answering by form."""

from typing import Annotated
from urllib.parse import quote

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field, model_validator
from starlette.concurrency import run_in_threadpool

from monitor.alarms.states import CommandKind
from monitor.store.contract import Event
from monitor.values import EventKind
from monitor.web.deps import OperateRequest, OperateResult
from monitor.web.forms import FormRefusedError, read_form, remember_who
from monitor.web.look import state_words
from monitor.web.page import Web

PIECES = {
    "standing": "piece/standing.html",
}
SHELVE_HOURS = (1, 4, 8, 24)
HISTORY = 200


class AnswerForm(BaseModel):
    """What somebody answers to a condition."""

    action: CommandKind
    condition: Annotated[str, Field(min_length=1, max_length=200)]
    who: Annotated[str, Field(min_length=1, max_length=80)]
    key: Annotated[str, Field(min_length=8, max_length=80)]
    since: float | None = None
    reason: Annotated[str, Field(max_length=400)] = ""
    hours: Annotated[float, Field(gt=0, le=168)] | None = None

    @model_validator(mode="after")
    def _shelving_is_bounded_and_explained(self) -> "AnswerForm":
        explained = bool(self.reason.strip())
        if self.action is CommandKind.SHELVE and (self.hours is None or not explained):
            raise ValueError("shelving needs a time limit and a reason")
        if self.action is CommandKind.TAKE_OUT_OF_SERVICE and not explained:
            raise ValueError("taking an alarm out of service needs a reason")
        return self


def routes(web: Web) -> APIRouter:
    """The page and its forms."""
    router = APIRouter(include_in_schema=False)
    web.env.globals["event_words"] = event_words

    @router.get("/alarms")
    def page(request: Request) -> HTMLResponse:
        return _page(web, request)

    @router.post("/alarms")
    async def answer(request: Request) -> Response:
        try:
            form = await read_form(web, request, AnswerForm)
        except FormRefusedError as refusal:
            return await run_in_threadpool(_page, web, request, 422, refusal.faults)
        result = await run_in_threadpool(operate, web, form)
        if not result.done:
            return await run_in_threadpool(_page, web, request, 409, (), result.text)
        back = "/" if request.query_params.get("back") == "now" else "/alarms"
        response = RedirectResponse(f"{back}?done={quote(result.text)}", status_code=303)
        remember_who(response, form.who)
        return response

    return router


def operate(web: Web, form: AnswerForm) -> OperateResult:
    """Pass an answer on, with the moment it was given."""
    now_s = web.deps.clock()
    until_s = (
        None if form.hours is None or form.action is not CommandKind.SHELVE else now_s + 3_600 * form.hours
    )
    request = OperateRequest(
        action=form.action,
        condition=form.condition,
        who=form.who,
        time_s=now_s,
        key=form.key,
        reason=form.reason.strip(),
        until_s=until_s,
        since_s=form.since,
    )
    return web.deps.operate(request)


def event_words(event: Event) -> str:
    """What an alarm event says, in the words of the life cycle."""
    body = event.body
    if event.kind is EventKind.ALARM_TRANSITION and body.get("to_state"):
        return state_words(str(body["to_state"]))
    told = body.get("outcome") or body.get("command") or body.get("action") or event.kind.value
    return str(told).replace("_", " ").capitalize()


def _page(
    web: Web, request: Request, status: int = 200, faults: tuple[object, ...] = (), refused: str = ""
) -> HTMLResponse:
    kinds = (EventKind.ALARM_TRANSITION, EventKind.ALARM_COMMAND, EventKind.DELIVERY)
    history: list[Event] = web.deps.ledger.events(kinds=kinds, limit=HISTORY, newest_first=True)
    return web.page(
        request, "alarms.html", status, here="alarms", history=history, faults=faults, refused=refused
    )
