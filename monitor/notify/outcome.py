"""What became of one attempt to send: delivered, to some only, worth another try, or refused."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Protocol

from monitor.model.notification import Notification

LONGEST = 300  # characters of a receiver's words


@dataclass(frozen=True, slots=True)
class Delivered:
    """The receiver took it."""

    detail: str = ""


@dataclass(frozen=True, slots=True)
class Retry:
    """Not taken, but it may be later; `after_s` is what the receiver asked for, if it did."""

    cause: str
    after_s: float | None = None


@dataclass(frozen=True, slots=True)
class Refused:
    """The receiver says that it will never take it; somebody may have to mend the settings."""

    cause: str


@dataclass(frozen=True, slots=True)
class Partly:
    """Some recipients of the channel have it; `missed` has the others, each with what was said of it."""

    reached: tuple[str, ...]
    missed: Mapping[str, str]


Outcome = Delivered | Partly | Retry | Refused


def said_of(missed: Mapping[str, str]) -> str:
    """The recipients who were missed and why, in words."""
    return ", ".join(f"{who} ({why})" for who, why in missed.items())


def printable(outcome: Outcome) -> Outcome:
    """The same with no more of a receiver's words than a page and a record can hold."""
    match outcome:
        case Delivered(detail):
            return Delivered(_plain(detail))
        case Partly(reached, missed):
            return Partly(reached, {who: _plain(why) for who, why in missed.items()})
        case Refused(cause):
            return Refused(_plain(cause))
        case Retry(cause, after_s):
            return Retry(_plain(cause), after_s)


def _plain(words: str) -> str:
    return "".join(sign if sign.isprintable() else " " for sign in words[:LONGEST])


class Sender(Protocol):
    """One way to reach people; `send` never raises for what the network or the receiver does."""

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
