"""Server-sent events: sends a page's pieces again when they change, and a beat so that silence is noticed."""

import asyncio
import json
import threading
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from functools import partial
from secrets import token_hex

from fastapi import APIRouter, HTTPException, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from monitor.web.doors import address_of, counted_apart
from monitor.web.frame.guard import form_token, session_of
from monitor.web.frame.page import EVERYWHERE, PageFrame, Web, who_of
from monitor.web.pages import (
    ahead_page,
    alarms_page,
    now_page,
    sensors_page,
    service_page,
    things_page,
    wall_page,
)

LOOK_EVERY_S = 1.0
BEAT_EVERY_S = 10.0
MOST_FOLLOWERS = 150  # at once; half of the connections are left to pages and taps
MOST_OF_ONE = 16  # from one address
MOST_DRAWN = 64  # pages times people who follow them
PAGES: dict[str, dict[str, str]] = {
    "now": now_page.PIECES | EVERYWHERE,
    "ahead": ahead_page.PIECES | EVERYWHERE,
    "alarms": alarms_page.PIECES | EVERYWHERE,
    "sensors": sensors_page.PIECES | EVERYWHERE,
    "service": service_page.PIECES | EVERYWHERE,
    "things": things_page.PIECES | EVERYWHERE,
    "wall": wall_page.PIECES | EVERYWHERE,
    "other": EVERYWHERE,
}


@dataclass
class Stopping:
    """Told once when the server stops, so that open streams end by themselves."""

    event: asyncio.Event = field(default_factory=asyncio.Event)


@dataclass(eq=False)
class Follower:
    """One who follows a page; ended when another one takes the place: the browser then asks again."""

    address: str
    ended: bool = False


class Followers:
    """Everybody who follows pages, in the order they came; so many at once, in all and by address."""

    def __init__(
        self, proxies: frozenset[str], most: int = MOST_FOLLOWERS, by_address: int = MOST_OF_ONE
    ) -> None:
        self._proxies = proxies
        self._most = most
        self._by_address = by_address
        self._all: dict[Follower, None] = {}

    def enter(self, address: str) -> Follower:
        """Take a place, where there is none that of the one who has had it longest."""
        same = [one for one in self._all if one.address == address]
        if address not in self._proxies and len(same) >= self._by_address:
            self._end(same[0])
        elif len(self._all) >= self._most:
            self._end(next(iter(self._all)))
        follower = Follower(address)
        self._all[follower] = None
        return follower

    def leave(self, follower: Follower) -> None:
        """Its place is free; more than once is no harm."""
        self._all.pop(follower, None)

    def _end(self, follower: Follower) -> None:
        follower.ended = True
        self.leave(follower)


class _LiveResponse(StreamingResponse):
    """A stream that gives its place back, however it ends."""

    def __init__(self, followers: Followers, follower: Follower, content: AsyncIterator[str]) -> None:
        headers = {"cache-control": "no-store", "x-accel-buffering": "no"}
        super().__init__(content, media_type="text/event-stream", headers=headers)
        self._leave = partial(followers.leave, follower)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send until one of both ends."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._leave()


def routes(web: Web, stopping: Stopping) -> APIRouter:
    """The stream of changes."""
    router = APIRouter(include_in_schema=False)
    drawings, followers = Drawings(web), Followers(counted_apart(web.deps.settings.web.proxies))

    @router.get("/live/{page}")
    async def live(request: Request, page: str) -> StreamingResponse:
        if page not in PAGES:
            raise HTTPException(404, "No such page to follow.")
        token = form_token(web.deps.key, session_of(request))
        who = who_of(web.deps.settings, request)
        still: Still = getattr(request.state, "still", _anybody)
        follower = followers.enter(address_of(request.client))

        def look() -> dict[str, str] | None:
            return drawings.of(page, who) if still() else None

        return _LiveResponse(followers, follower, _stream(drawings, look, token, stopping, follower))

    return router


class Drawings:
    """What was drawn last of each page: once for all browsers, until something that is shown changes.

    A browser's form token is put into its own copy.
    """

    def __init__(self, web: Web) -> None:
        self._web = web
        self._token = token_hex(16)  # stands where a browser's own will stand
        self._lock = threading.Lock()
        self._drawn: dict[tuple[str, str], tuple[PageFrame, dict[str, str]]] = {}

    def of(self, page: str, who: str) -> dict[str, str]:
        """The pieces of a page for somebody, the same object until one has to be drawn anew."""
        with self._lock:
            shown = self._web.shown()
            drawn = self._drawn.pop((page, who), None)
            if drawn is None or drawn[0] is not shown:
                drawn = shown, self._web.pieces(shown, PAGES[page], self._token, who)
            self._drawn[page, who] = drawn
            while len(self._drawn) > MOST_DRAWN:
                del self._drawn[next(iter(self._drawn))]
            return drawn[1]

    def signed(self, html: str, token: str) -> str:
        """A piece for the browser that has this token."""
        return html.replace(self._token, token)


Still = Callable[[], bool]  # whether this browser may still read: its session may be revoked meanwhile


def _anybody() -> bool:
    return True


async def _stream(
    drawings: Drawings,
    look: Callable[[], dict[str, str] | None],
    token: str,
    stopping: Stopping,
    follower: Follower,
) -> AsyncIterator[str]:
    sent: dict[str, str] = {}
    quiet_s = BEAT_EVERY_S
    yield "retry: 3000\n\n"
    while not (stopping.event.is_set() or follower.ended):
        pieces = await run_in_threadpool(look)
        if pieces is None:
            return
        changed = {} if pieces is sent else {n: html for n, html in pieces.items() if sent.get(n) != html}
        sent = pieces
        if changed:
            signed = {name: drawings.signed(html, token) for name, html in changed.items()}
            yield _message("pieces", json.dumps(signed))
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
