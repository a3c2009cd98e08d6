"""Decides whose request it is, and how that is known: the one place that pages and programs ask."""

import hmac

from fastapi import HTTPException, Request

from monitor.model.actor import ANYBODY, Actor, KnownBy
from monitor.model.errors import Fault, InputError
from monitor.model.staff import Person, person_named
from monitor.notify.links import Link
from monitor.settings.schema import Program, Settings

PROGRAMS_BELOW = "/api/"
LONGEST_NAME = 80
_BEARER = "bearer "


def acting(settings: Settings, request: Request, who: str, link: Link | None = None) -> Actor:
    """Who sends this request; `who` is the name it gives, `link` the signed link it came by.

    A link for one person is that person and nobody else (InputError); a program needs its token
    (HTTPException 401) and says for whom of the shop's people it speaks.
    """
    if link is not None and link.who:
        return _sent_to(settings, link.who, who)
    if request.url.path.startswith(PROGRAMS_BELOW):
        return _spoken_for(settings, _program(settings, request), who)
    if link is None and settings.web.user_header is not None:
        return _logged_in(settings, user_of(settings, request), who)
    person = person_named(settings.people, who)
    if person is None:
        return Actor(who.strip(), KnownBy.TYPED, () if settings.people else (ANYBODY,))
    return Actor(person.name, KnownBy.CHOSEN if link is None else KnownBy.SHARED_LINK, (person.role,))


def user_of(settings: Settings, request: Request) -> str:
    """Whom a listed reverse proxy says has logged in; empty where none does.

    What anybody else writes into that header is not looked at.
    """
    header, peer = settings.web.user_header, getattr(request.state, "peer", "")
    if header is None or peer not in map(str, settings.web.proxies):
        return ""
    given = request.headers.getlist(header)
    return given[0].strip()[:LONGEST_NAME] if len(given) == 1 else ""


def _logged_in(settings: Settings, user: str, who: str) -> Actor:
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
    given = request.headers.get("authorization", "")
    token = given[len(_BEARER) :].strip() if given.lower().startswith(_BEARER) else ""
    for program in settings.programs:
        if hmac.compare_digest(token.encode(), program.token.get_secret_value().encode()):
            return program
    raise HTTPException(
        401,
        "A program needs its token: Authorization: Bearer …, as the settings name it in [[programs]].",
        {"www-authenticate": "Bearer"},
    )


def _names(people: tuple[Person, ...]) -> str:
    return ", ".join(person.name for person in people) or "the settings name no people; add [[people]]"
