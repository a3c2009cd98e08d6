"""What a lead knows of the shop: the questions of the first set-up, and what is made of each answer.

An answer is a line of text, or a list of lines where there can be several, typed or from a file alike.
"""

import re
from collections.abc import Callable, Mapping
from datetime import time
from pathlib import Path
from typing import Any, get_args
from urllib.parse import urlsplit
from zoneinfo import available_timezones

from monitor.model.place import Zone
from monitor.model.staff import Weekday
from monitor.model.thing import Cylinder

Answers = Mapping[str, Any]
Check = Callable[[str], Any]

LOCAL_TIME = Path("/etc/localtime")
DAYS = get_args(Weekday)
KINDS = get_args(Zone.model_fields["kind"].annotation)
GASES = get_args(Cylinder.model_fields["gas"].annotation)
WELDED_WITH = ("cored wire", "solid wire", "low-hydrogen rods", "other rods", "flux")
CODES = ("D1.1", "D1.8", "EN ISO", "other")
AMERICAN = frozenset({"D1.1", "D1.8"})
_SHIFT = re.compile(
    r"([^:]+):\s*([a-z]{3})(?:\s*-\s*([a-z]{3}))?\s+(\d{1,2}:\d\d)\s*-\s*(\d{1,2}:\d\d)", re.I
)
_PERSON = re.compile(r"([^:]+):\s*(mail|push|web)\s+(\S+)", re.I)
MAIL, PUSH = "mail", "push"
_WRITTEN = {"ä": "ae", "ö": "oe", "ü": "ue", "ß": "ss"}


def slug(name: str) -> str:
    """An id made of a name: small letters, digits and hyphens; ValueError where nothing is left."""
    spelt = name.lower()
    for letter, written in _WRITTEN.items():
        spelt = spelt.replace(letter, written)
    made = re.sub(r"[^a-z0-9]+", "-", spelt).strip("-")[:40].strip("-")
    if not made:
        raise ValueError(f"{name!r} has no letters a to z; write it with some")
    return made


def plain(text: str) -> str:
    """Any words."""
    if not text.strip():
        raise ValueError("is empty; write something")
    slug(text)
    return text.strip()


def optional(text: str) -> str:
    """Any words, or none."""
    return text.strip()


def name_or_none(text: str) -> str:
    """A name; whoever says no has none."""
    return "" if text.strip().lower() in ("", "no", "none", "-") else plain(text)


def one_of(choices: tuple[str, ...]) -> Check:
    """One of these, small or large letters alike."""

    def check(text: str) -> str:
        found = [one for one in choices if one.casefold() == text.strip().casefold()]
        if not found:
            raise ValueError(f"is none of: {', '.join(choices)}")
        return found[0]

    return check


def yes_or_no(text: str) -> bool:
    """Yes or no."""
    known = {"yes": True, "y": True, "true": True, "no": False, "n": False, "false": False}
    if text.strip().lower() not in known:
        raise ValueError("answer yes or no")
    return known[text.strip().lower()]


def time_zone(text: str) -> str:
    """A zone of the time-zone database."""
    if text.strip() not in available_timezones():
        raise ValueError("is no time zone; write one like Europe/London or America/New_York")
    return text.strip()


def place(text: str) -> tuple[str, str]:
    """A place's name and kind."""
    name, _, kind = text.partition(":")
    return plain(name), one_of(KINDS)(kind or "bay")


def steel(text: str) -> tuple[str, float]:
    """Where steel lies, and its thickness in metres."""
    name, _, size = text.partition(":")
    found = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*(mm|in)\s*", size)
    if found is None:
        raise ValueError("write the place and the thickness, like Slip Bay: 12 mm or Slip Bay: 0.5 in")
    metres = float(found[1]) * (0.001 if found[2] == "mm" else 0.0254)
    if not 0.0005 <= metres <= 0.5:
        raise ValueError(f"{size.strip()} is no plate; thicknesses are 0.5 to 500 mm")
    return plain(name), metres


def gas(text: str) -> tuple[str, str]:
    """Where cylinders stand, and what is in them."""
    name, _, kind = text.partition(":")
    return plain(name), one_of(GASES)(kind or "argon-co2")


def shift(text: str) -> tuple[str, tuple[str, ...], str, str]:
    """A shift's name, days and times."""
    found = _SHIFT.fullmatch(text.strip())
    if found is None:
        raise ValueError("write it like early: mon-fri 06:00-14:00")
    name, first, last, start, end = found.groups()
    days = [one_of(DAYS)(day) for day in (first, last or first)]
    begin, stop = (DAYS.index(day) for day in days)
    span = [DAYS[n % 7] for n in range(begin, stop + 1 if stop >= begin else stop + 8)]
    return plain(name), tuple(span), _clock(start), _clock(end)


def _clock(text: str) -> str:
    hour, _, minute = text.partition(":")
    try:
        return time(int(hour), int(minute)).isoformat()
    except ValueError as error:
        raise ValueError(f"{text} is no time of day") from error


def person(text: str) -> tuple[str, str, str]:
    """Somebody's name, by what they are told, and its address."""
    found = _PERSON.fullmatch(text.strip())
    if found is None:
        raise ValueError(
            "write it like Ann: mail ann@example.org, Ann: push ADDRESS (of a push, SMS or chat service) or "
            "Ann: web https://…"
        )
    name, kind, address = plain(found[1]), found[2].lower(), found[3]
    if kind == MAIL and not re.fullmatch(r"[^@\s]+@[^@\s]+\.[^@\s]+", address):
        raise ValueError(f"{address} is no mail address")
    if kind == PUSH and "://" not in address:
        raise ValueError(f"{address} is no address of a push service; it begins like service://")
    if kind == "web" and not address.startswith(("http://", "https://")):
        raise ValueError(f"{address} begins with neither http:// nor https://")
    return name, kind, address


def mail_server(text: str) -> str:
    """The server that sends mail."""
    parts = urlsplit(text.strip())
    if parts.scheme not in ("smtp", "smtps") or not parts.hostname:
        raise ValueError("write it like smtp://mail.example.org:587 or smtps://mail.example.org:465")
    return text.strip()


def mail_from(text: str) -> str:
    """The sender's address."""
    return person(f"sender: mail {text.strip()}")[2]


def address(text: str) -> str:
    """What phones open."""
    parts = urlsplit(text.strip())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise ValueError("write it like http://192.168.1.20:8480")
    return text.strip().rstrip("/")


def where(text: str) -> tuple[float, float] | None:
    """Latitude and longitude in degrees, or nothing."""
    if not text.strip():
        return None
    found = re.fullmatch(r"\s*(-?\d+(?:\.\d+)?)\s*[,; ]\s*(-?\d+(?:\.\d+)?)\s*", text)
    if found is None or abs(float(found[1])) > 90 or abs(float(found[2])) > 180:
        raise ValueError("write latitude and longitude in degrees, like 51.7, -2.5; or nothing")
    return float(found[1]), float(found[2])


def this_time_zone() -> str:
    """The machine's own, where it says so."""
    name = "/".join(LOCAL_TIME.resolve().parts[-2:])
    return name if name in available_timezones() else "UTC"


def mails(answers: Answers) -> bool:
    """Whether anybody is told by mail."""
    return any(kind == MAIL for _, kind, _ in answers.get("people", ()))


def rods(answers: Answers) -> bool:
    """Whether rods are used that want an oven."""
    return "low-hydrogen rods" in answers.get("welded_with", ())


def american(answers: Answers) -> bool:
    """Whether the code has a seismic supplement."""
    return answers.get("code") in AMERICAN


def always(_: Answers) -> bool:
    """Asked of everybody."""
    return True


# By name: what is asked, whether there can be several answers, what is taken where nothing is said (None: an
# answer is needed), what is made of it, and when it is asked.
QUESTIONS: dict[str, tuple[str, bool, str | None, Check, Callable[[Answers], bool]]] = {
    "name": ("Name of the shop", False, None, plain, always),
    "timezone": ("Time zone", False, "", time_zone, always),
    "language": ("Language of messages (en, de)", False, "en", one_of(("en", "de")), always),
    "temperature": ("Temperatures in C or F", False, "C", one_of(("C", "F")), always),
    "code": (f"Code that governs most work ({', '.join(CODES)})", False, "other", one_of(CODES), always),
    "seismic": ("Seismic work by its supplement (yes, no)", False, "yes", yes_or_no, american),
    "welded_with": (f"Welded with ({', '.join(WELDED_WITH)})", True, None, one_of(WELDED_WITH), always),
    "places": (
        f"Place with a sensor, like Slip Bay: bay ({', '.join(KINDS)})",
        True,
        None,
        place,
        always,
    ),
    "oven": ("Name of the rod oven with a thermometer, or nothing", False, "", name_or_none, rods),
    "steel": (
        "Where steel lies that must not sweat, like Slip Bay: 12 mm; or nothing",
        True,
        "",
        steel,
        always,
    ),
    "gas": (f"Where cylinders stand, like Gas Cage: argon-co2 ({', '.join(GASES)})", True, "", gas, always),
    "shifts": ("Shift, like early: mon-fri 06:00-14:00", True, None, shift, always),
    "people": ("Who is told, first one first, like Ann: mail ann@example.org", True, None, person, always),
    "mail_server": ("Mail server, like smtp://mail.example.org:587", False, None, mail_server, mails),
    "mail_from": ("Mail is sent from", False, None, mail_from, mails),
    "mail_user": ("User name at the mail server, or nothing", False, "", optional, mails),
    "mail_password": ("Password there, or nothing", False, "", optional, mails),
    "forecast": ("Latitude, longitude for the public weather forecast, or nothing", False, "", where, mails),
    "broker": (
        "Broker: a Mosquitto of this machine (mosquitto), or inside Dryshift without encryption (embedded)",
        False,
        "mosquitto",
        one_of(("mosquitto", "embedded")),
        always,
    ),
    "address": ("Address that phones open (let the router keep it)", False, "", address, always),
}
SECRET = "mail_password"  # not shown as it is typed
