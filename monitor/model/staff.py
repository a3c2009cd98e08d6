"""Who works when, who can be told, and in which order."""

from collections.abc import Iterable
from datetime import time
from typing import Annotated, Literal

from pydantic import Field

from monitor.model.section import Identifier, PositiveS, Section

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


class Shift(Section):
    """A weekly shift in the site's own time; an end before the start runs past midnight."""

    site: Identifier
    name: str
    days: Annotated[tuple[Weekday, ...], Field(min_length=1)]
    start: time
    end: time


Role = Literal["lead", "inspector", "reviewer", "engineer", "welder", "keeper"]


class Person(Section):
    """Somebody who can be told."""

    id: Identifier
    name: str
    role: Role = "lead"
    channels: tuple[Identifier, ...] = ()
    quiet_from: time | None = None
    quiet_to: time | None = None


class OnCall(Section):
    """Who is told, in which order and after how long, for one site."""

    site: Identifier
    steps: Annotated[tuple[Identifier, ...], Field(min_length=1)]  # person ids, first told first
    by_shift: dict[str, Identifier] = Field(default_factory=dict)  # shift's name: told first while it runs
    escalate_after_s: PositiveS = 900.0


def spelt(name: str) -> str:
    """A name as it is compared: small and large letters and blanks make no other person."""
    return " ".join(name.split()).casefold()


def person_named(people: Iterable[Person], who: str) -> Person | None:
    """Whom a name or an id means; None where nobody is called so."""
    asked = spelt(who)
    return next((one for one in people if asked in (spelt(one.name), spelt(one.id))), None)
