"""Keeps other sites out: our names, content policy, same-origin check, session cookie, form tokens."""

import hashlib
import hmac
import re
import secrets
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection, cookie_parser
from starlette.responses import PlainTextResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.web.frame.own_names import OwnNames
from monitor.web.frame.problems import problem_response

COOKIE = "dryshift_session"
HOST_ONLY = "__Host-"  # a browser takes such a cookie by https from this host alone (RFC 6265bis)
TOKEN_FIELD = "form_token"
LONGEST_BODY = 1_000_000
TOKEN_PATH = "/taps/token"  # where a tap that waited asks for the token of its browser's session
TAP_HEADER = "dryshift-tap"  # an answer that names the tap is ours, and no network's log-in page
GOTO_HEADER = "dryshift-goto"
_TAP = re.compile(r"[0-9a-f]{32}")
KEPT_BELOW = "/static/"
NEVER_ENDS = "/live/"
_KEPT_A_YEAR = "Path=/; HttpOnly; SameSite=Lax; Max-Age=31536000"
_SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "font-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


def form_token(key: bytes, session: str) -> str:
    """The token that a form of this session carries."""
    return hmac.digest(key, b"dryshift form " + session.encode(), hashlib.sha256).hex()[:32]


def token_holds(key: bytes, session: str, token: str) -> bool:
    """Whether the form was made for this session."""
    expected = form_token(key, session).encode()
    return bool(session) and hmac.compare_digest(token.encode("utf-8", "replace"), expected)


def session_of(connection: HTTPConnection) -> str:
    """The session this request belongs to; given by the guard when the browser brought none."""
    return str(connection.state.session)


class Guard:
    """Wraps the application: adds headers, gives each browser a session, refuses what comes from elsewhere.

    What is sent is kept by nobody on the way and by no shared browser, unless it says so itself.
    """

    def __init__(self, app: ASGIApp, names: OwnNames, mark: str = "") -> None:
        self._app = app
        self._names = names
        self._mark = mark

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one connection."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        if len(hosts) != 1 or not self._names.hold(hosts[0]):
            await _misdirected(hosts, self._names)(scope, receive, send)
            return
        https = scope["scheme"] == "https"
        session = _session_in(headers.get("cookie", ""), self._mark, https=https)
        given = session or secrets.token_urlsafe(18)
        scope.setdefault("state", {}).update(session=given, cookie_mark=self._mark)
        secure = "; Secure" if https else ""
        cookie = f"{cookie_name(COOKIE, self._mark, https=https)}={given}; {_KEPT_A_YEAR}{secure}"
        tap = headers.get(TAP_HEADER, "")

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                out = MutableHeaders(scope=message)
                _dress(out, scope["path"], "" if session else cookie)
                if _TAP.fullmatch(tap):
                    _answer_tap(message, out, tap)
            await send(message)

        refusal = None if scope["method"] in _SAFE_METHODS else _refusal(headers)
        if refusal is not None:
            await refusal(scope, receive, send_guarded)
            return
        if scope["method"] == "HEAD" and not scope["path"].startswith(NEVER_ENDS):
            scope = {**scope, "method": "GET"}  # the server sends the head alone (RFC 9110, 9.3.2)
        await self._app(scope, receive, send_guarded)


def _dress(out: MutableHeaders, path: str, cookie: str) -> None:
    """The headers of every answer, and a session for a browser that has none."""
    for name, value in _HEADERS.items():
        out.setdefault(name, value)
    if not path.startswith(KEPT_BELOW):
        out.setdefault("cache-control", "no-store")
    if cookie and (path == TOKEN_PATH or out.get("content-type", "").startswith("text/html")):
        out.append("set-cookie", cookie)


def _answer_tap(message: Message, out: MutableHeaders, tap: str) -> None:
    """Name the tap that is answered, and where its page is instead of sending a script there unseen."""
    out[TAP_HEADER] = tap
    if message["status"] == 303:
        message["status"] = 200
        out[GOTO_HEADER] = out["location"]
        del out["location"]


def _misdirected(hosts: list[str], names: OwnNames) -> Response:
    """Why a request under a name that is not ours is not answered (421 of RFC 9110, 15.5.20)."""
    asked = ", ".join(hosts)[:80] or "no name"
    return PlainTextResponse(
        f"Dryshift does not answer to {asked!r}.\n"
        f"Open it by one of: {names.said()}.\n"
        "A name of your own is added in the settings: hosts in the table [web].\n",
        421,
        {**_HEADERS, "cache-control": "no-store"},
    )


def _refusal(headers: Headers) -> Response | None:
    """Why a post is not even read: from elsewhere, too long, or of a length not told."""
    if not _same_origin(headers):
        return problem_response(
            403, "The form came from another site.", "Open the page itself and send it from there."
        )
    length = headers.get("content-length", "" if "transfer-encoding" in headers else "0")
    if not length.isdigit():
        return problem_response(411, detail="Say how long the body is (Content-Length).")
    if int(length) > LONGEST_BODY:
        return problem_response(413, detail=f"At most {LONGEST_BODY:,} bytes.")
    return None


def cookie_name(name: str, mark: str, *, https: bool) -> str:
    """By https no neighbour under the same domain can set or read it.

    Browsers tell ports of one host apart by nothing: `mark` keeps services there from each other's cookies.
    """
    return f"{HOST_ONLY if https else ''}{name}{'_' if mark else ''}{mark}"


def _session_in(cookie_header: str, mark: str, *, https: bool) -> str:
    value = cookie_parser(cookie_header).get(cookie_name(COOKIE, mark, https=https), "")
    return value if 16 <= len(value) <= 64 and value.isascii() else ""


def _same_origin(headers: Headers) -> bool:
    """Browsers always name the origin of a post; programs that name none are no browser being misused."""
    if headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return False
    origin = headers.get("origin")
    if origin is None:
        return True
    return urlsplit(origin).netloc == headers.get("host")
