"""What a browser keeps of a log-in: cookies that no script and no other site reads."""

from urllib.parse import quote

from fastapi import Request
from fastapi.responses import HTMLResponse, Response

from monitor.access.account_book import TABLET, Screen
from monitor.access.desk import AccessDesk, Browser, TooManyTriesError
from monitor.access.passwords import BusyError
from monitor.model.errors import Fault, InputError
from monitor.model.staff import Person
from monitor.web.doors import address_of
from monitor.web.frame.gate import LOGIN_COOKIE, SCREEN_COOKIE
from monitor.web.frame.guard import cookie_name
from monitor.web.frame.page import Pages

KNOWN_COOKIE = "dryshift_known"
REFUSALS = (InputError, TooManyTriesError, BusyError)  # what a log-in, or a change with a password, may meet
FIRST_PAGE = "/"
_YEAR_S = 31_536_000
_LONGEST_PATH = 500
_DEVICES = {
    "iPhone": "iPhone",
    "iPad": "iPad",
    "Android": "Android device",
    "Windows": "Windows computer",
    "Macintosh": "Mac",
    "CrOS": "Chromebook",
    "Linux": "Linux computer",
}


def why_not(refusal: Exception) -> tuple[int, tuple[Fault, ...]]:
    """The status of a refusal, and what to say."""
    if isinstance(refusal, InputError):
        return 422, refusal.faults
    return 429 if isinstance(refusal, TooManyTriesError) else 503, (Fault("", "", str(refusal)),)


def desk_of(web: Pages) -> AccessDesk:
    """Where people are let in; InputError where the shop's settings say otherwise."""
    if web.deps.desk is None:
        raise InputError([Fault("web.log_in", web.deps.settings.web.log_in, "nobody has an account here")])
    return web.deps.desk


def browser_of(request: Request) -> Browser:
    """What a log-in comes from."""
    known = request.cookies.get(_name(request, KNOWN_COOKIE), "")[:100]
    agent = request.headers.get("user-agent", "")
    device = next((words for sign, words in _DEVICES.items() if sign in agent), "another device")
    return Browser(address_of(request.client), known, device, tablet_of(request))


def tablet_of(request: Request) -> Screen | None:
    """The shop's shared tablet that this is."""
    found: Screen | None = getattr(request.state, "screen", None)
    return found if found is not None and found.kind == TABLET else None


def let_in(web: Pages, request: Request, response: Response, token: str, person: Person) -> None:
    """Give the browser its session; a device of one's own is known from now on."""
    desk = desk_of(web)
    if tablet_of(request) is not None:
        _keep(request, response, LOGIN_COOKIE, token, desk.rules.pin_session)
        return
    _keep(request, response, LOGIN_COOKIE, token, 86_400 * web.deps.settings.web.logged_in_days)
    _keep(request, response, KNOWN_COOKIE, desk.known_device(person.id), _YEAR_S)


def let_out(request: Request, response: Response) -> None:
    """The browser forgets its session."""
    response.delete_cookie(
        _name(request, LOGIN_COOKIE), path="/", secure=_https(request), httponly=True, samesite="lax"
    )


def mark_screen(request: Request, response: Response, token: str) -> None:
    """This browser is the shop's: a shared tablet or a wall screen, until it is revoked."""
    _keep(request, response, SCREEN_COOKIE, token, _YEAR_S)


def unkept(page: HTMLResponse) -> HTMLResponse:
    """A page of a log-in or of accounts: no browser keeps it to be shown again."""
    page.headers["cache-control"] = "no-store"
    return page


def local(address: str) -> str:
    """An address of our own to go on to; the first page for any other."""
    plain = address.isprintable() and len(address) <= _LONGEST_PATH and "\\" not in address
    ours = address.startswith("/") and not address.startswith(("//", "/log-in", "/join/"))
    return quote(address, safe="/?&=#%:;,+@!$'()*~") if plain and ours else FIRST_PAGE


def _keep(request: Request, response: Response, name: str, value: str, max_age_s: int) -> None:
    response.set_cookie(
        _name(request, name),
        value,
        max_age=max_age_s,
        path="/",
        secure=_https(request),
        httponly=True,
        samesite="lax",
    )


def _https(request: Request) -> bool:
    return request.url.scheme == "https"


def _name(request: Request, name: str) -> str:
    return cookie_name(name, request.state.cookie_mark, https=_https(request))
