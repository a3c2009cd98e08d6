"""Sends a signed JSON message to a web address.

Signed as the Standard Webhooks specification 1.0 says: HMAC-SHA256 over `id.timestamp.body`, by the key that
`whsec_` and base64 stand for.
"""

import base64
import hashlib
import hmac
import json
from typing import Any
from urllib.parse import urlsplit

from monitor.model.notification import Notification
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry
from monitor.settings.webhook_key import webhook_key
from monitor.wire.http import (
    HttpAnswer,
    HttpLimits,
    HttpRequest,
    NoAnswerError,
    UnusableAddressError,
    exchange,
)
from monitor.wire.wishes import wish_s

_ASK_AGAIN = frozenset({408, 409, 425, 429})  # of the 4xx, those that another try can mend


def signature(key: bytes, message_id: str, timestamp: int, body: bytes) -> str:
    """The signature header's value."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def payload(notification: Notification) -> dict[str, Any]:
    """The message as plain JSON values; documented in shared/messages."""
    return {
        "key": notification.key,
        "created_s": notification.created_s,
        "expires_s": notification.expires_s,
        "priority": notification.priority,
        "title": notification.title,
        "text": notification.text,
        "subject": notification.subject,
        "zone": notification.zone,
        "since_s": notification.since_s,
        "action": notification.action,
        "data": notification.data,
    }


class WebhookSender:
    """Posts to one address; the idempotency key travels as `webhook-id`."""

    def __init__(self, url: str, secret: str | None, timeout_s: float, ca_file: str | None = None) -> None:
        self._url = url
        self._key = webhook_key(secret) if secret is not None else None
        self._limits = HttpLimits(timeout_s)  # what the receiver writes below its headers is not read
        self._ca_file = ca_file

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        body = json.dumps(payload(notification), ensure_ascii=False, sort_keys=True).encode()
        timestamp = int(now_s)
        headers = {
            "content-type": "application/json",
            "webhook-id": notification.key,
            "webhook-timestamp": str(timestamp),
        }
        if self._key is not None:
            headers["webhook-signature"] = signature(self._key, notification.key, timestamp, body)
        try:
            answer = exchange(HttpRequest("POST", self._url, headers, body, self._ca_file), self._limits)
        except UnusableAddressError as error:
            return Refused(str(error))
        except NoAnswerError as error:
            return Retry(f"no answer from the receiver: {error}")
        return _meaning(answer, now_s)


def _meaning(answer: HttpAnswer, now_s: float) -> Outcome:
    """What a status says of the message (RFC 9110 15): only 2xx is a receipt.

    A redirect is none, and is not followed: it would carry message and signature to another address.
    """
    said = f"answered {answer.status}"
    if 200 <= answer.status < 300:
        return Delivered(said)
    if 300 <= answer.status < 400:
        return Refused(f"{said}{_whither(answer)}")
    if 400 <= answer.status < 500 and answer.status not in _ASK_AGAIN:
        return Refused(said)
    return Retry(said, wish_s(answer.headers.get("retry-after"), now_s))


def _whither(answer: HttpAnswer) -> str:
    """The other host alone: what follows it in an address may be a secret."""
    try:
        host = urlsplit(answer.headers.get("location", "")).hostname
    except ValueError:
        host = None
    return f" and points to {host[:60]}; correct the address" if host else ""
