"""A message's link: opening it shows, only sending a form acts (mail scanners open links).

The form of a whole warning names what the page listed, and answers that and nothing else.
"""

import hashlib
from dataclasses import replace
from typing import Annotated, Literal

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field
from starlette.concurrency import run_in_threadpool

from monitor.alarms.grouping import GROUP_SIGN
from monitor.alarms.states import AlarmState, CommandKind
from monitor.model.actor import Actor
from monitor.model.errors import Fault, InputError
from monitor.model.event import EventKind
from monitor.model.picture import AlarmNow, Picture
from monitor.notify.links import Link, LinkError, is_short, opened, read
from monitor.web.frame.alarm_groups import acts
from monitor.web.frame.forms import Ago, FormRefusedError, TapId, read_form
from monitor.web.frame.page import Web
from monitor.web.frame.person import acting, session_in
from monitor.web.pages.alarms_page import AnswerForm, operate

ANSWERS = ("acknowledge", "shelve")
MOST_LISTED = 200  # one form answers at most so many


class TapForm(BaseModel):
    """What a link's form adds to the link itself; `alarms` are those that the page listed, as on its form."""

    alarms: Annotated[tuple[str, ...], Field(max_length=MOST_LISTED)] = ()
    action: Literal["acknowledge", "shelve"] = "acknowledge"  # where the link itself names none
    who: str = Field(default="", max_length=80)  # asked where the link was sent to several
    hours: float | None = Field(default=None, gt=0, le=168)
    reason: str = Field(default="", max_length=400)
    ago: Ago = 0.0
    tap: TapId = ""


def routes(web: Web) -> APIRouter:
    """Show and act."""
    router = APIRouter(include_in_schema=False)

    @router.get("/a/{token}")
    def look(request: Request, token: str) -> HTMLResponse:
        try:
            link = _link(web, token)
        except LinkError as error:
            return _page(web, request, status=410 if error.reason == "expired" else 404, refused=str(error))
        return _page(web, request, link=link)

    @router.post("/a/{token}")
    async def act(request: Request, token: str) -> HTMLResponse:
        try:
            link = await run_in_threadpool(_link, web, token)
        except LinkError as error:
            status = 410 if error.reason == "expired" else 404
            return await run_in_threadpool(_page, web, request, status=status, refused=str(error))
        try:
            tap = await read_form(web, request, TapForm)
            if not (link.who or tap.who.strip() or session_in(request)):
                raise FormRefusedError([Fault("who", "nothing", "say who you are")])
            actor = acting(web.deps.settings, request, tap.who, link)
            named = replace(link, action=link.action or tap.action)
            form = await run_in_threadpool(_answer, web, named, tap, actor, token)
        except InputError as refusal:
            return await run_in_threadpool(_page, web, request, status=422, link=link, faults=refusal.faults)
        result = await run_in_threadpool(operate, web, form, actor)
        status = 200 if result.done else 409
        return await run_in_threadpool(
            _page, web, request, status=status, link=link, result=result.text, done=result.done
        )

    return router


def _link(web: Web, token: str) -> Link:
    now_s = web.deps.clock()
    return (
        opened(web.deps.ledger.message_of(token), now_s)
        if is_short(token)
        else read(web.deps.key, token, now_s)
    )


def _answer(web: Web, link: Link, tap: TapForm, actor: Actor, token: str) -> AnswerForm:
    if link.action == CommandKind.SHELVE and (tap.hours is None or not tap.reason.strip()):
        raise FormRefusedError([Fault("reason", "nothing", "shelving needs a time limit and a reason")])
    alarms: tuple[str, ...] = (f"{'' if link.since_s is None else link.since_s} {link.condition}",)
    if link.condition.startswith(GROUP_SIGN):
        alarms = tap.alarms
        allowed = _conditions(link.condition, web.deps.snapshot())
        strange = [one for one in alarms if one.partition(" ")[2] not in allowed]
        if not alarms or (strange and not _came_before(web, tap)):
            found = strange[0] if strange else "nothing"
            fix = "the warning has changed since; open the message's link again and look"
            raise FormRefusedError([Fault("alarms", found, fix)])
    return AnswerForm.model_validate(
        {
            "action": link.action,
            "alarms": alarms,
            "who": actor.name,
            "key": "link-" + hashlib.sha256(token.encode()).hexdigest()[:40],
            "reason": tap.reason,
            "hours": tap.hours,
            "ago": tap.ago,
            "tap": tap.tap,
        }
    )


def _came_before(web: Web, tap: TapForm) -> bool:
    """Whether this very tap was taken and only its answer was lost: then what it answered may be over."""
    given = (
        event
        for alarm in tap.alarms
        for event in web.deps.ledger.events(kinds=[EventKind.ALARM_COMMAND], subject=alarm.partition(" ")[2])
    )
    return bool(tap.tap) and any(event.body.get("tap") == tap.tap for event in given)


def _conditions(warning: str, now: Picture) -> frozenset[str]:
    """What belongs to a warning now."""
    return frozenset(name for one in now.warnings if one.id == warning for name in one.conditions)


def _answers(link: Link, now: Picture) -> list[tuple[str, list[AlarmNow]]]:
    """Each answer that the link allows, with the alarms that it would cover, the most urgent first."""
    names = _conditions(link.condition, now)
    return [
        (action, [one for one in now.alarms if one.condition in names and action in acts(one)])
        for action in ([link.action] if link.action else ANSWERS)
    ]


def _meant(name: str, now: Picture) -> AlarmNow | None:
    """What a link is about: a warning, which is answered as one, or a single condition."""
    for warning in now.warnings:
        if warning.id == name:
            state = AlarmState.UNACKNOWLEDGED if warning.unanswered else AlarmState.ACKNOWLEDGED
            return AlarmNow(
                condition=name,
                state=str(state),
                priority=warning.priority,
                title=warning.title,
                text=warning.text,
                zone=warning.zone,
                since_s=warning.since_s,
                action=warning.action,
                acknowledged_by=warning.answered_by,
            )
    return next((alarm for alarm in now.alarms if alarm.condition == name), None)


def _page(
    web: Web,
    request: Request,
    *,
    status: int = 200,
    link: Link | None = None,
    refused: str = "",
    result: str = "",
    done: bool = False,
    faults: tuple[Fault, ...] = (),
) -> HTMLResponse:
    alarm: AlarmNow | None = None
    answers: list[tuple[str, list[AlarmNow]]] = []
    over = False
    if link is not None:
        now = web.deps.snapshot()
        alarm, answers = _meant(link.condition, now), _answers(link, now)
        over = alarm is None or (link.since_s is not None and abs(alarm.since_s - link.since_s) > 1.0)
    return web.page(
        request,
        "one_tap.html",
        status,
        here="alarms",
        link=link,
        alarm=alarm,
        whole=link is not None and link.condition.startswith(GROUP_SIGN),
        answers=answers,
        most=MOST_LISTED,
        over=over,
        refused=refused,
        result=result,
        done=done,
        faults=faults,
    )
