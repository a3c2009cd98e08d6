"""What the ledger records."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

KNOWN_BY = "known_by"  # in a body: how the person of the event was known
ON_BEHALF_OF = "on_behalf_of"  # in a body: who did it, where the person of the event only enters it


class EventKind(StrEnum):
    """What a ledger event records."""

    SERVICE_STARTED = "service_started"
    SERVICE_STOPPED = "service_stopped"
    SERVICE_GAP = "service_gap"
    SERVICE_ANEW = "service_anew"
    SENSOR_STATUS = "sensor_status"
    ALARM_TRANSITION = "alarm_transition"
    ALARM_COMMAND = "alarm_command"
    DELIVERY = "delivery"
    PACKAGE = "package"
    CYLINDER = "cylinder"
    STEEL = "steel"
    STORAGE = "storage"
    BEAD = "bead"
    SENSOR_CHECK = "sensor_check"
    PLAN = "plan"
    CORRECTION = "correction"
    RECOUNT = "recount"
    SEAL = "seal"
    RECORD = "record"
    BROKER_SESSION = "broker_session"
    ACCOUNT = "account"


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event about to be written: who, what, when it happened, why.

    `subject` is the id of the thing concerned; `key` makes the write idempotent: a second event
    with the same key changes nothing. `body` holds plain JSON values only. `known_by` says how the person
    was known and is written into the body; empty where the service itself acts. `on_behalf_of` is whoever did
    what somebody else enters: a name as it was typed, which proves nothing.
    """

    kind: EventKind
    subject: str
    time_s: float
    who: str
    body: dict[str, object]
    why: str = ""
    key: str | None = None
    known_by: str = ""
    on_behalf_of: str = ""

    def written(self) -> dict[str, object]:
        """The body as it goes on record."""
        added = {KNOWN_BY: self.known_by, ON_BEHALF_OF: self.on_behalf_of.strip()}
        said = {name: text for name, text in added.items() if text}
        return {**self.body, **said} if said else self.body


@dataclass(frozen=True, slots=True)
class Event:
    """An event on record; `hash` covers its content and `previous_hash`.

    The last five fields are empty in one that is only weighed and not yet written.
    """

    number: int
    kind: EventKind
    subject: str
    time_s: float
    body: Mapping[str, object]
    entered_s: float = 0.0
    who: str = ""
    why: str = ""
    key: str | None = None
    previous_hash: str = ""
    hash: str = ""

    @property
    def by(self) -> str:
        """Who entered it, and for whom, as pages and sheets say it."""
        other = self.body.get(ON_BEHALF_OF)
        return f"{self.who} for {other}" if other else self.who
