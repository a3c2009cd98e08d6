"""Sends a signed JSON message to a web address.

Signed as the Standard Webhooks specification 1.0 says: HMAC-SHA256 over `id.timestamp.body`.
"""

import base64
import hashlib
import hmac
import json
from typing import Any

import requests

from monitor.model.notification import Notification
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry

# Answers that another try cannot mend; 408, 425 and 429 ask for another try.
_REFUSED = frozenset(range(400, 500)) - {408, 409, 425, 429}


def signature(secret: bytes, message_id: str, timestamp: int, body: bytes) -> str:
    """The signature header's value."""
    signed = f"{message_id}.{timestamp}.".encode() + body
    return "v1," + base64.b64encode(hmac.new(secret, signed, hashlib.sha256).digest()).decode()


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
        self._secret = secret.encode() if secret is not None else None
        self._timeout_s = timeout_s
        self._verify: str | bool = ca_file if ca_file is not None else True

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        body = json.dumps(payload(notification), ensure_ascii=False, sort_keys=True).encode()
        timestamp = int(now_s)
        headers = {
            "content-type": "application/json",
            "webhook-id": notification.key,
            "webhook-timestamp": str(timestamp),
        }
        if self._secret is not None:
            headers["webhook-signature"] = signature(self._secret, notification.key, timestamp, body)
        try:
            # A redirect would carry the message and its signature to another address.
            answer = requests.post(
                self._url,
                data=body,
                headers=headers,
                timeout=self._timeout_s,
                verify=self._verify,
                allow_redirects=False,
            )
        except (
            requests.exceptions.MissingSchema,
            requests.exceptions.InvalidURL,
            requests.exceptions.InvalidSchema,
        ) as error:
            return Refused(f"the address {self._url} cannot be used: {error}")
        except requests.RequestException as error:
            return Retry(f"{type(error).__name__}: no answer from the receiver")
        if answer.status_code < 300:
            return Delivered(f"answered {answer.status_code}")
        if answer.status_code in _REFUSED or 300 <= answer.status_code < 400:
            return Refused(f"answered {answer.status_code}")
        return Retry(f"answered {answer.status_code}", _retry_after_s(answer))


def _retry_after_s(answer: requests.Response) -> float | None:
    value = answer.headers.get("retry-after", "")
    return float(value) if value.isdigit() else None
