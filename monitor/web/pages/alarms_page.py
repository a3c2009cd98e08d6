"""The alarm page: what stands, who answered it, and how; answering by form."""

from typing import Annotated

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from pydantic import BaseModel, Field, field_validator, model_validator
from starlette.concurrency import run_in_threadpool

from monitor.alarms.states import Command, CommandKind
from monitor.model.actor import Actor
from monitor.model.event import Event, EventKind
from monitor.report.condition_words import why_words
from monitor.web.frame.deps import Answered, Answering
from monitor.web.frame.forms import Ago, FormRefusedError, TapId, read_form, remember_who
from monitor.web.frame.look import state_words
from monitor.web.frame.page import Web
from monitor.web.frame.person import acting

PIECES = {
    "standing": "piece/standing.html",
}
HISTORY = 40


class AnswerForm(BaseModel):
    """What somebody answers, to one condition or to several that belong together.

    Each of `alarms` is the moment its trouble began (empty: whichever stands), a blank, and its condition.
    """

    action: CommandKind
    alarms: Annotated[tuple[str, ...], Field(min_length=1, max_length=500)]
    who: Annotated[str, Field(min_length=1, max_length=80)]
    key: Annotated[str, Field(min_length=8, max_length=80)]
    reason: Annotated[str, Field(max_length=400)] = ""
    hours: Annotated[float, Field(gt=0, le=168)] | None = None
    ago: Ago = 0.0
    tap: TapId = ""

    @field_validator("alarms")
    @classmethod
    def _each_names_a_condition(cls, alarms: tuple[str, ...]) -> tuple[str, ...]:
        for alarm in alarms:
            since, _, condition = alarm.partition(" ")
            if not condition or len(condition) > 200 or not _is_moment(since):
                raise ValueError("name a condition and when it began, as the page does")
        return alarms

    @model_validator(mode="after")
    def _setting_aside_is_bounded_and_explained(self) -> "AnswerForm":
        explained = bool(self.reason.strip())
        if self.action is CommandKind.SHELVE and (self.hours is None or not explained):
            raise ValueError("shelving needs a time limit and a reason")
        if self.action is CommandKind.TAKE_OUT_OF_SERVICE and not explained:
            raise ValueError("taking an alarm out of service needs a reason")
        return self


def _is_moment(text: str) -> bool:
    return text == "" or (text.replace(".", "", 1).isdigit() and len(text) < 20)


def routes(web: Web) -> APIRouter:
    """The page and its forms."""
    router = APIRouter(include_in_schema=False)
    web.env.globals.update(event_words=event_words, why_words=why_words)

    @router.get("/alarms")
    def page(request: Request) -> HTMLResponse:
        return _page(web, request)

    @router.post("/alarms")
    async def answer(request: Request) -> Response:
        try:
            form = await read_form(web, request, AnswerForm)
        except FormRefusedError as refusal:
            return await run_in_threadpool(_page, web, request, 422, refusal.faults)
        actor = acting(web.deps.settings, request, form.who)
        result = await run_in_threadpool(operate, web, form, actor)
        if not result.done:
            return await run_in_threadpool(_page, web, request, 409, (), result.text)
        back = "/" if request.query_params.get("back") == "now" else "/alarms"
        response = RedirectResponse(back, status_code=303)
        remember_who(response, actor.name)
        return response

    return router


def operate(web: Web, form: AnswerForm, actor: Actor) -> Answered:
    """Pass an answer on, condition by condition; done when at least one of them took it."""
    tapped_s = web.deps.clock() - form.ago
    until_s = (
        None if form.hours is None or form.action is not CommandKind.SHELVE else tapped_s + 3_600 * form.hours
    )
    done: list[Answered] = []
    refused: list[Answered] = []
    for alarm in form.alarms:
        since, _, condition = alarm.partition(" ")
        began_s = float(since) if since else None
        command = Command(form.action, condition, actor.name, form.reason.strip(), until_s, began_s)
        key = f"{form.key}/{form.action}/{alarm}"
        result = web.deps.operate(Answering(command, actor, key, form.ago, form.tap))
        (done if result.done else refused).append(result)
    if not done:
        return refused[0]
    left = f" {len(refused)} not: {refused[0].text}." if refused else ""
    return Answered(done=True, text=f"{_PAST[form.action]} by {actor.name}.{left}")


_PAST = {
    CommandKind.ACKNOWLEDGE: "Acknowledged",
    CommandKind.SHELVE: "Shelved",
    CommandKind.UNSHELVE: "Taken off the shelf",
    CommandKind.RESET: "Reset",
    CommandKind.TAKE_OUT_OF_SERVICE: "Taken out of service",
    CommandKind.RETURN_TO_SERVICE: "Returned to service",
}


def event_words(event: Event) -> str:
    """What an alarm event says, in the words of the life cycle."""
    body = event.body
    if event.kind is EventKind.ALARM_TRANSITION and body.get("to_state"):
        return state_words(str(body["to_state"]))
    return event.kind.value.replace("_", " ").capitalize()


def _page(
    web: Web, request: Request, status: int = 200, faults: tuple[object, ...] = (), refused: str = ""
) -> HTMLResponse:
    kinds = (EventKind.ALARM_TRANSITION,)
    history = web.deps.ledger.newest(HISTORY, kinds=kinds)
    return web.page(
        request, "alarms.html", status, here="alarms", history=history, faults=faults, refused=refused
    )
