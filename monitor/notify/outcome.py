"""What became of one attempt to send: delivered, worth another try, or refused for good."""

from dataclasses import dataclass
from typing import Protocol

from monitor.model.notification import Notification


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
    """The receiver will never take it; somebody has to mend the settings."""

    cause: str


Outcome = Delivered | Retry | Refused


class Sender(Protocol):
    """One way to reach people; `send` never raises for what the network or the receiver does."""

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
