"""Who does something, and how they were known."""

from dataclasses import dataclass
from enum import StrEnum

ANYBODY = "anybody"  # the role of every name in a shop whose settings name no people


class KnownBy(StrEnum):
    """How it was known who somebody is; stands in every event of a person."""

    LOG_IN = "log_in"  # a password, on this device
    PIN = "pin"  # a PIN, on a shared tablet of the shop
    ONE_TIME_LINK = "one_time_link"  # the link that made an account or set another password
    LINK = "signed_link"  # a link that was sent to this one person
    SHARED_LINK = "shared_link"  # a link that several were sent; the name was chosen
    PROXY = "proxy_log_in"  # a reverse proxy that they logged in to
    PROGRAM = "program_token"  # another program, which says for whom
    CHOSEN = "name_chosen"  # where accounts are switched off: one of the shop's people; nothing proves it
    TYPED = "name_typed"  # and any other name
    COMMAND_LINE = "command_line"  # a name given with a command on the service's own machine


@dataclass(frozen=True, slots=True)
class Actor:
    """A person as the record names them; each of `roles` must allow what they do, and without one nothing is.

    `through` is the id of the program that speaks for them.
    """

    name: str
    known_by: KnownBy
    roles: tuple[str, ...] = ()
    through: str = ""

    @property
    def proof(self) -> str:
        """How they were known, as the record says it."""
        return f"{self.known_by} {self.through}".strip()
