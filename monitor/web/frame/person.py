"""Decides whose request it is, how that is known, what they may: the one place that everybody asks."""

import hmac

from fastapi import HTTPException, Request

from monitor.access.account_book import Session
from monitor.alarms.authority import authority_from, refusal
from monitor.model.actor import ANYBODY, Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.model.staff import Person, person_named
from monitor.notify.links import Link
from monitor.settings.reference import load_toml
from monitor.settings.schema import Program, Settings

PROGRAMS_BELOW = "/api/"
LONGEST_NAME = 80
_BEARER = "bearer "
_LOG_IN = "Log in first; nothing was changed."


def acting(settings: Settings, request: Request, who: str, link: Link | None = None) -> Actor:
    """Who sends this request; `who` is the name it gives, `link` the signed link it came by.

    A link for one person is that person and nobody else (InputError); a program needs its token
    (HTTPException 401) and says for whom of the shop's people it speaks; all others must have logged in.
    """
    if link is not None and link.who:
        return _sent_to(settings, link.who, who)
    if request.url.path.startswith(PROGRAMS_BELOW):
        return _spoken_for(settings, _program(settings, request), who)
    if settings.web.user_header is not None:
        return _logged_in_to_proxy(settings, user_of(settings, request), who)
    if settings.web.has_accounts:
        return _logged_in(settings, session_in(request), who)
    person = person_named(settings.people, who)
    if person is None:
        return Actor(who.strip(), KnownBy.TYPED, () if settings.people else (ANYBODY,))
    return Actor(person.name, KnownBy.CHOSEN if link is None else KnownBy.SHARED_LINK, (person.role,))


def allowed(settings: Settings, request: Request, who: str, act: str) -> Actor:
    """Who sends this request, where their role allows the act of `alarm_authority.toml`; else InputError.

    Where accounts are switched off, a name that nobody knows may still enter what was done.
    """
    actor = acting(settings, request, who)
    if actor.known_by is KnownBy.TYPED and settings.web.believes_names:
        return actor
    said = refusal(authority_from(load_toml("alarm_authority.toml")), actor, act)
    if said is not None:
        raise InputError([Fault("who", actor.name, said)])
    return actor


def session_in(request: Request) -> Session | None:
    """Who is logged in on the browser that asks, as the gate found it."""
    found: Session | None = getattr(request.state, "caller", None)
    return found


def person_of(settings: Settings, request: Request, chosen: str) -> str:
    """Whose name the forms of this browser carry; empty when that is nobody whom the shop still names.

    `chosen` is the name it gave before, which counts only where accounts are switched off.
    """
    session = session_in(request)
    if session is not None:
        person = next((one for one in settings.people if one.id == session.person), None)
        return "" if person is None else person.name
    who = user_of(settings, request) or ("" if settings.web.has_accounts else chosen)
    person = person_named(settings.people, who)
    return person.name if person is not None else "" if settings.people else who


def user_of(settings: Settings, request: Request) -> str:
    """Whom a listed reverse proxy says has logged in; empty where none does.

    What anybody else writes into that header is not looked at.
    """
    header, peer = settings.web.user_header, getattr(request.state, "peer", "")
    if header is None or peer not in map(str, settings.web.proxies):
        return ""
    given = request.headers.getlist(header)
    return given[0].strip()[:LONGEST_NAME] if len(given) == 1 else ""


def program_of(settings: Settings, authorization: str) -> Program | None:
    """The program whose token a request carries."""
    given = authorization
    token = given[len(_BEARER) :].strip() if given.lower().startswith(_BEARER) else ""
    for program in settings.programs:
        if hmac.compare_digest(token.encode(), program.token.get_secret_value().encode()):
            return program
    return None


def _logged_in(settings: Settings, session: Session | None, who: str) -> Actor:
    """Whoever has this browser's session; a tap that was made as somebody else is not theirs."""
    person = None if session is None else next((p for p in settings.people if p.id == session.person), None)
    if session is None or person is None:
        raise HTTPException(401, _LOG_IN)
    if who.strip() and person_named(settings.people, who) != person:
        raise InputError([Fault("who", who, f"you are logged in as {person.name}; open the page again")])
    return Actor(person.name, session.known_by, (person.role,))


def _logged_in_to_proxy(settings: Settings, user: str, who: str) -> Actor:
    """Where a proxy logs people in, nobody else has a role."""
    if not user:
        return Actor(who.strip(), KnownBy.TYPED)
    person = person_named(settings.people, user)
    if who.strip() and who.strip() != user and person_named(settings.people, who) != person:
        raise InputError([Fault("who", who, f"you are logged in as {user}; open the page again")])
    if person is None:
        return Actor(user, KnownBy.PROXY)
    return Actor(person.name, KnownBy.PROXY, (person.role,))


def _sent_to(settings: Settings, name: str, who: str) -> Actor:
    person = person_named(settings.people, name)
    if person is None:
        raise InputError([Fault("link", name, "is no longer among this shop's people; use the alarm page")])
    if who.strip() and person_named(settings.people, who) != person:
        fix = f"this link was sent to {person.name} and answers as {person.name}; use the alarm page"
        raise InputError([Fault("who", who, fix)])
    return Actor(person.name, KnownBy.LINK, (person.role,))


def _spoken_for(settings: Settings, program: Program, who: str) -> Actor:
    person = person_named(settings.people, who)
    if person is None:
        raise InputError([Fault("who", who, f"name one of: {_names(settings.people)}")])
    return Actor(person.name, KnownBy.PROGRAM, (person.role, program.role), program.id)


def _program(settings: Settings, request: Request) -> Program:
    found = program_of(settings, request.headers.get("authorization", ""))
    if found is not None:
        return found
    raise HTTPException(
        401,
        "A program needs its token: Authorization: Bearer …, as the settings name it in [[programs]].",
        {"www-authenticate": "Bearer"},
    )


def _names(people: tuple[Person, ...]) -> str:
    return ", ".join(person.name for person in people) or "the settings name no people; add [[people]]"
