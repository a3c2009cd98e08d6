"""Finds who is logged in on the browser that asks, and lets only them read where the shop has accounts."""

from urllib.parse import quote

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from monitor.access.account_book import WALL, Screen, Session
from monitor.access.desk import AccessDesk
from monitor.settings.schema import Settings
from monitor.store.contract import StoreUnavailableError
from monitor.web.frame.guard import KEPT_BELOW, TOKEN_PATH, cookie_name
from monitor.web.frame.person import PROGRAMS_BELOW, program_of
from monitor.web.frame.problems import problem_response

LOGIN_COOKIE = "dryshift_login"
SCREEN_COOKIE = "dryshift_screen"
# Watchers have no log-in and are told of nobody; where the accounts cannot be read they are answered too.
OF_WATCHERS = ("/healthz", "/readyz", "/metrics")
# The others let people in, or carry their own proof.
OPEN_TO_ALL = (
    *OF_WATCHERS,
    "/log-in",
    "/join/",
    "/screen/",
    "/a/",
    TOKEN_PATH,
    "/manifest.webmanifest",
    "/worker.js",
    "/calendar.ics",
)
OF_A_WALL = ("/wall", "/live/wall")


class Gate:
    """Stands inside the guard. What changes the shop asks `person.acting` besides, whoever may read."""

    def __init__(
        self,
        app: ASGIApp,
        desk: AccessDesk,
        settings: Settings,
        shut: bool = False,
        passed: tuple[str, ...] = (),
    ) -> None:
        """`shut`: nobody reads before the first account either; `passed`: what guards itself besides."""
        self._app = app
        self._desk = desk
        self._settings = settings
        self._has_accounts = shut
        self._open = OPEN_TO_ALL + passed

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http" or scope["path"].startswith((KEPT_BELOW, *OF_WATCHERS)):
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        try:
            refusal = await run_in_threadpool(self._look, scope, headers)
        except StoreUnavailableError as error:
            refusal = (
                None if scope["path"].startswith(self._open) else problem_response(503, detail=str(error))
            )
        await (refusal or self._app)(scope, receive, send)

    def _look(self, scope: Scope, headers: Headers) -> Response | None:
        cookies = cookie_parser(headers.get("cookie", ""))
        https, shop = scope["scheme"] == "https", self._settings.web.cookie_mark
        login = cookies.get(cookie_name(LOGIN_COOKIE, shop, https=https), "")
        caller = self._desk.caller(login)
        if caller is not None and _by_hand(scope, headers):
            self._desk.saw(caller)
        mark = cookies.get(cookie_name(SCREEN_COOKIE, shop, https=https), "")
        screen = self._screen(mark)
        path = scope["path"]

        def still() -> bool:
            if caller is not None:
                return self._desk.caller(login) is not None
            return self._may_read(path, None, self._screen(mark), headers)

        reads = self._may_read(path, caller, screen, headers)
        state = scope.setdefault("state", {})
        state.update(caller=caller, screen=screen, reads=reads, still=still)
        return None if reads or path.startswith(self._open) else _refused(scope, headers)

    def _may_read(self, path: str, caller: Session | None, screen: Screen | None, headers: Headers) -> bool:
        if caller is not None or self._settings.web.readers == "network" or not self._closed():
            return True
        if screen is not None and (screen.kind != WALL or path in OF_A_WALL):
            return True
        is_program = path.startswith(PROGRAMS_BELOW)
        return is_program and program_of(self._settings, headers.get("authorization", "")) is not None

    def _closed(self) -> bool:
        """Until the first account is made the pages can be read, and nothing can be changed on them."""
        self._has_accounts = self._has_accounts or self._desk.book.has_accounts()
        return self._has_accounts

    def _screen(self, token: str) -> Screen | None:
        return self._desk.book.screen(token) if token else None


def _by_hand(scope: Scope, headers: Headers) -> bool:
    """A tap or a page that is opened; what a page fetches by itself keeps nobody logged in."""
    return scope["method"] == "POST" or "text/html" in headers.get("accept", "")


def _refused(scope: Scope, headers: Headers) -> Response:
    path = scope["path"]
    if scope["method"] in ("GET", "HEAD") and "text/html" in headers.get("accept", ""):
        query = scope["query_string"].decode("latin-1")
        then = quote(f"{path}?{query}" if query else path, safe="")
        return RedirectResponse(f"/log-in?then={then}", 303)
    return problem_response(
        401, detail="Log in first; a program needs its token: Authorization: Bearer …, of [[programs]]."
    )
