"""Signs and reads one-tap links: one action on one condition, until a given moment, for one person."""

import base64
import binascii
import hashlib
import hmac
import json
from dataclasses import dataclass

from monitor.model.errors import DryshiftError

_PURPOSE = b"dryshift one-tap link, version 1"
_MAC_BYTES = 16  # 128 bits; keeps the link short enough for a text message
_LONGEST_TOKEN = 1_024
PATH = "/a/"


class LinkError(DryshiftError):
    """A link that must not be acted on; `reason` is "malformed", "forged" or "expired"."""

    def __init__(self, reason: str, text: str) -> None:
        self.reason = reason
        super().__init__(text)


@dataclass(frozen=True, slots=True)
class Link:
    """What a one-tap link allows.

    `since_s` names the occurrence of the condition that the message was about, so that an old
    message cannot answer a later warning; None allows whichever stands.
    """

    action: str
    condition: str
    expires_s: float
    who: str = ""
    since_s: float | None = None


def make_link(
    base_url: str,
    key: bytes,
    action: str,
    condition_id: str,
    expires_s: float,
    *,
    who: str = "",
    since_s: float | None = None,
) -> str:
    """The address that lets `who` do `action` to `condition_id` until `expires_s` (epoch seconds UTC)."""
    link = Link(action, condition_id, expires_s, who, since_s)
    return base_url.rstrip("/") + PATH + sign(key, link)


def sign(key: bytes, link: Link) -> str:
    """A token of letters, digits, `-`, `_` and one dot."""
    since_ms = None if link.since_s is None else round(link.since_s * 1000)
    fields = [link.action, link.condition, round(link.expires_s), link.who, since_ms]
    content = json.dumps(fields, separators=(",", ":"), ensure_ascii=False).encode()
    return f"{_text(content)}.{_text(_mac(key, content))}"


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
        raise LinkError("expired", "This link is too old to be acted on. Use the alarm page.")
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
