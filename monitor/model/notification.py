"""What a person is told."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Notification:
    """What a person is told: short enough for a lock screen, and complete."""

    key: str  # idempotency key: the same key is the same message
    created_s: float
    expires_s: float  # after this it is not sent as if it were new
    priority: str  # "high" | "medium" | "low"
    title: str
    text: str  # at most 160 characters: what, where, how bad, by when, do what
    subject: str  # condition or shift concerned
    zone: str
    since_s: float
    action: str
    data: dict[str, object]
    token: str = ""  # what its one link ends with; the ledger finds the message by it
