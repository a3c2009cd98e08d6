"""Makes the signed links that messages carried before they had short ones, as that version wrote them."""

import base64
import hashlib
import hmac
import json

from monitor.notify.links import PATH, Link

PURPOSE = b"dryshift one-tap link, version 1"


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
    own_key = hmac.digest(key, PURPOSE, hashlib.sha256)
    return f"{_text(content)}.{_text(hmac.digest(own_key, content, hashlib.sha256)[:16])}"


def _text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()
