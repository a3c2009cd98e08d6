"""Links in messages: short ones that the ledger knows, and signed ones, which messages carried before.

Either is for one warning and one person, until a given moment.
"""

import base64
import binascii
import hashlib
import hmac
import json
import secrets
from dataclasses import dataclass

from monitor.model.errors import DryshiftError
from monitor.model.notification import Notification

_PURPOSE = b"dryshift one-tap link, version 1"
_MAC_BYTES = 16  # 128 bits; keeps the link short enough for a text message
_LONGEST_TOKEN = 1_024
# no sign among them that a phone leaves out of a link's end
_SIGNS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789"
_TOKEN_SIGNS = 11  # 65 bits: cannot be guessed within a link's day, and keeps the link short
PATH = "/a/"
GOOD_FOR_S = 24 * 3600.0


_TOO_OLD = "This link is too old to be acted on. Use the alarm page."


class LinkError(DryshiftError):
    """A link that must not be acted on; `reason` is "malformed", "forged" or "expired"."""

    def __init__(self, reason: str, text: str) -> None:
        self.reason = reason
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class Link:
    """What a one-tap link allows.

    `action` is empty where the page asks which answer. `since_s` names the occurrence of the condition that
    the message was about, so that an old message cannot answer a later warning; None allows whichever stands.
    """

    action: str
    condition: str
    expires_s: float
    who: str = ""
    since_s: float | None = None


def new_token() -> str:
    """The end of a short link, by chance; who has it holds the message that it was made for."""
    return "".join(secrets.choice(_SIGNS) for _ in range(_TOKEN_SIGNS))


def is_short(token: str) -> bool:
    """Whether it is looked up in the ledger; a signed one has a dot, and says all by itself."""
    return "." not in token


def short_link(base_url: str, token: str) -> str:
    """The address that a message carries."""
    return base_url.rstrip("/") + PATH + token


def opened(message: Notification | None, now_s: float) -> Link:
    """What the message whose token it is allows, or a LinkError where there is none or it is too old."""
    if message is None:
        raise LinkError("unknown", "This link is not complete or not known. Open it again from the message.")
    expires_s = message.created_s + GOOD_FOR_S
    if now_s >= expires_s:
        raise LinkError("expired", _TOO_OLD)
    return Link("", message.subject, expires_s, str(message.data.get("person") or ""))


def read(key: bytes, token: str, now_s: float) -> Link:
    """What the token allows, or a LinkError; the signature is checked before anything is parsed."""
    head, dot, tail = token.partition(".")
    if not dot or len(token) > _LONGEST_TOKEN:
        raise LinkError("malformed", "This link is not complete. Open it again from the message.")
    try:
        content, mac = _bytes(head), _bytes(tail)
    except (binascii.Error, ValueError) as error:
        raise LinkError("malformed", "This link is not complete. Open it again from the message.") from error
    if not hmac.compare_digest(mac, _mac(key, content)):
        raise LinkError("forged", "This link was not made by this service, or was changed on its way.")
    action, condition, expires_s, who, since_ms = json.loads(content)
    if now_s >= expires_s:
        raise LinkError("expired", _TOO_OLD)
    return Link(action, condition, float(expires_s), who, None if since_ms is None else since_ms / 1000)


def _mac(key: bytes, content: bytes) -> bytes:
    own_key = hmac.digest(key, _PURPOSE, hashlib.sha256)
    return hmac.digest(own_key, content, hashlib.sha256)[:_MAC_BYTES]


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    padded = text + "=" * (-len(text) % 4)
    data = base64.b64decode(padded.encode("ascii"), altchars=b"-_", validate=True)
    if _text(data) != text:  # spare bits of the last letter: one link has one spelling
        raise ValueError("not the one spelling of its bytes")
    return data
