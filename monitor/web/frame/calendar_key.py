"""The secret end of a person's calendar address: for one person, until they ask for another."""

import hashlib
import hmac

from monitor.model.event import EventKind, NewEvent
from monitor.model.staff import Person
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

_PURPOSE = b"dryshift calendar address, version 1"
_DID = {"did": "calendar address renewed"}


def calendar_token(key: bytes, ledger: Ledger, person: Person) -> str:
    """Who it is for, a dot, and 128 bits that follow from the key and how often it was renewed."""
    before = len(ledger.events(kinds=[EventKind.ACCOUNT], subject=_subject(person)))
    own_key = hmac.digest(key, _PURPOSE, hashlib.sha256)
    mac = hmac.digest(own_key, f"{before} {person.id}".encode(), hashlib.sha256)[:16]
    return f"{person.id}.{mac.hex()}"


def person_with(settings: Settings, key: bytes, ledger: Ledger, token: str) -> Person | None:
    """Whose calendar it opens; None where it opens none, or does no longer."""
    who = token.partition(".")[0]
    person = next((one for one in settings.people if one.id == who), None)
    if person is None:
        return None
    true = calendar_token(key, ledger, person)
    return person if hmac.compare_digest(true.encode(), token.encode("utf-8", "replace")) else None


def renewal(person: Person, now_s: float, proof: str, key: str) -> NewEvent:
    """The entry that ends every address of before."""
    body: dict[str, object] = dict(_DID)
    return NewEvent(EventKind.ACCOUNT, _subject(person), now_s, person.name, body, "", key, proof)


def _subject(person: Person) -> str:
    return f"calendar:{person.id}"
