"""Server-sent events: sends a page's pieces again when they change, and a beat so that silence is noticed."""

import asyncio
import json
from collections.abc import AsyncIterator
from dataclasses import dataclass, field

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse

from monitor.model.picture import Picture
from monitor.web.frame.guard import form_token, session_of
from monitor.web.frame.page import EVERYWHERE, Web, who_of
from monitor.web.pages import ahead_page, alarms_page, now_page, sensors_page, service_page, things_page

LOOK_EVERY_S = 1.0
BEAT_EVERY_S = 10.0
DRAW_EVERY_S = 15.0
PAGES: dict[str, dict[str, str]] = {
    "now": now_page.PIECES | EVERYWHERE,
    "ahead": ahead_page.PIECES | EVERYWHERE,
    "alarms": alarms_page.PIECES | EVERYWHERE,
    "sensors": sensors_page.PIECES | EVERYWHERE,
    "service": service_page.PIECES | EVERYWHERE,
    "things": things_page.PIECES | EVERYWHERE,
    "other": EVERYWHERE,
}


@dataclass
class Stopping:
    """Told once when the server stops, so that open streams end by themselves."""

    event: asyncio.Event = field(default_factory=asyncio.Event)


def routes(web: Web, stopping: Stopping) -> APIRouter:
    """The stream of changes."""
    router = APIRouter(include_in_schema=False)

    @router.get("/live/{page}")
    async def live(request: Request, page: str) -> StreamingResponse:
        if page not in PAGES:
            raise HTTPException(404, "No such page to follow.")
        token = form_token(web.deps.key, session_of(request))
        return StreamingResponse(
            _stream(web, PAGES[page], token, who_of(request), stopping),
            media_type="text/event-stream",
            headers={"cache-control": "no-store", "x-accel-buffering": "no"},
        )

    return router


async def _stream(
    web: Web, templates: dict[str, str], token: str, who: str, stopping: Stopping
) -> AsyncIterator[str]:
    sent: dict[str, str] = {}
    drawn: tuple[Picture | None, int] = (None, 0)
    quiet_s = BEAT_EVERY_S
    yield "retry: 3000\n\n"
    while not stopping.event.is_set():
        changed: dict[str, str] = {}
        seen = web.deps.snapshot()
        stretch = int(web.deps.clock() // DRAW_EVERY_S)  # ages are shown in minutes: redraw for them too
        if seen is not drawn[0] or stretch != drawn[1]:
            pieces = await run_in_threadpool(web.pieces, seen, templates, token, who)
            changed = {name: html for name, html in pieces.items() if sent.get(name) != html}
            drawn = (seen, stretch)
        if changed:
            sent.update(changed)
            yield _message("pieces", json.dumps(changed))
            quiet_s = 0.0
        elif quiet_s >= BEAT_EVERY_S:
            yield _message("beat", "{}")
            quiet_s = 0.0
        await _wait(stopping, LOOK_EVERY_S)
        quiet_s += LOOK_EVERY_S


def _message(name: str, data: str) -> str:
    return f"event: {name}\ndata: {data}\n\n"


async def _wait(stopping: Stopping, seconds: float) -> None:
    try:
        await asyncio.wait_for(stopping.event.wait(), seconds)
    except TimeoutError:
        return
