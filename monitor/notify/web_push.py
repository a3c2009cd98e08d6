"""Sends to browsers that asked to be told, by their push services (RFC 8030), sealed for them (RFC 8291).

No account anywhere: the service proves itself by a key of its own (VAPID, RFC 8292). The libraries are an
optional extra, `push`.
"""

import base64
import json
from contextlib import suppress
from urllib.parse import urlsplit

from monitor.model.notification import Notification
from monitor.notify.answers import link_of
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry
from monitor.settings.schema import Channel
from monitor.store.contract import StoreUnavailableError
from monitor.store.phone_book import KnownPhone, PhoneBook
from monitor.wire.http import (
    HttpAnswer,
    HttpLimits,
    HttpRequest,
    NoAnswerError,
    UnusableAddressError,
    exchange,
)
from monitor.wire.wishes import wish_s

PROOF_S = 12 * 3600.0  # RFC 8292 2: at most 24 h
MOST_TEXT = 3_000  # RFC 8030 7.2: 4096 bytes are always taken, and sealing adds 103
NOT_INSTALLED = "its libraries are not installed: sh deploy/install.sh push"
_URGENCY = {"high": "high", "medium": "normal", "low": "low"}  # RFC 8030 5.3
_GONE = frozenset({404, 410})
_ASK_AGAIN = frozenset({408, 409, 425, 429})


class PushKey:
    """The service's own key pair, made once and kept beside its phones; ImportError without the extra."""

    def __init__(self, phones: PhoneBook) -> None:
        from cryptography.hazmat.primitives.asymmetric import ec
        from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat
        from py_vapid import Vapid02

        def made() -> bytes:
            return bytes(Vapid02(ec.generate_private_key(ec.SECP256R1())).private_pem())

        self._vapid = Vapid02.from_pem(phones.key(made))
        point = self._vapid.public_key.public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        self.public = base64.urlsafe_b64encode(point).rstrip(b"=").decode()

    def proof(self, endpoint: str, contact: str, now_s: float) -> str:
        """The Authorization header for one push service (RFC 8292 3)."""
        parts = urlsplit(endpoint)
        claims = {"aud": f"{parts.scheme}://{parts.netloc}", "exp": int(now_s + PROOF_S), "sub": contact}
        return str(self._vapid.sign(claims)["Authorization"])


def sealed(content: bytes, phone: KnownPhone) -> bytes:
    """The body that only that browser can read (RFC 8291 by RFC 8188); ValueError for unusable keys."""
    import http_ece
    from cryptography.hazmat.primitives.asymmetric import ec

    return bytes(
        http_ece.encrypt(
            content,
            private_key=ec.generate_private_key(ec.SECP256R1()),
            dh=_bytes(phone.public_key),
            auth_secret=_bytes(phone.secret),
            version="aes128gcm",
        )
    )


class NoPhonesSender:
    """Stands where the phones cannot be read: their store is away."""

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Nobody has it yet."""
        return Retry("who asked to be told cannot be read now")


class WebPushSender:
    """One message to every phone of the people whom it is for."""

    def __init__(self, channel: Channel, phones: PhoneBook) -> None:
        self._channel = channel
        self._phones = phones

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once; somebody has it when one of their phones has."""
        try:
            key = PushKey(self._phones)
        except ImportError:
            return Refused(NOT_INSTALLED)
        people = _meant(notification)
        found: dict[str, list[Outcome]] = {who: [] for who in people}
        for phone in self._phones.of(people):
            outcome = self._pushed(key, phone, notification, now_s)
            found.setdefault(phone.person, []).append(outcome)
        best = {who: _best(who, outcomes) for who, outcomes in found.items()}
        missed = {who: one for who, one in best.items() if not isinstance(one, Delivered)}
        if not best:
            return Refused("no phone asked to be told: open Messages on this phone there")
        if len(missed) < len(best) and missed:
            said = {who: one.cause for who, one in missed.items() if isinstance(one, Refused | Retry)}
            return Partly(tuple(who for who in best if who not in missed), said)
        return next(iter((missed or best).values()))

    def _pushed(self, key: PushKey, phone: KnownPhone, note: Notification, now_s: float) -> Outcome:
        try:
            body = sealed(json.dumps(told(note, now_s), ensure_ascii=False).encode(), phone)
        except ValueError as error:
            return Refused(f"the keys of {phone.device} cannot be used: {error}")
        headers = {
            "authorization": key.proof(phone.endpoint, str(self._channel.sender), now_s),
            "content-encoding": "aes128gcm",
            "content-type": "application/octet-stream",
            "ttl": str(max(int(note.expires_s - now_s), 0)),
            "urgency": _URGENCY.get(note.priority, "normal"),
        }
        try:
            asked = HttpRequest("POST", phone.endpoint, headers, body, self._channel.ca_file)
            answer = exchange(asked, HttpLimits(self._channel.timeout_s))
        except UnusableAddressError as error:
            return Refused(str(error))
        except NoAnswerError as error:
            return Retry(f"no answer from the push service: {error}")
        if answer.status in _GONE:  # RFC 8030 7.3: the browser is not there any more
            with suppress(StoreUnavailableError):  # it is asked once more then, and is gone again
                self._phones.drop(phone.endpoint)
        return _meaning(answer, now_s)


def _best(who: str, outcomes: list[Outcome]) -> Outcome:
    """What came of somebody's phones: one that has it is enough; next comes one that may take it later."""
    for kind in (Delivered, Retry, Refused):
        for one in outcomes:
            if isinstance(one, kind):
                return one
    return Refused(f"no phone of {who} asked to be told: open Messages on this phone there")


def _meaning(answer: HttpAnswer, now_s: float) -> Outcome:
    """Only 2xx is a receipt (RFC 8030 5); a redirect is none and is not followed."""
    said = f"the push service answered {answer.status}"
    if 200 <= answer.status < 300:
        return Delivered(said)
    if 300 <= answer.status < 500 and answer.status not in _ASK_AGAIN:
        return Refused(said)
    return Retry(said, wish_s(answer.headers.get("retry-after"), now_s))


def told(note: Notification, now_s: float) -> dict[str, object]:
    """What the browser is handed, and `worker.js` shows."""
    return {
        "title": titled(note, now_s),
        "text": note.text[:MOST_TEXT],
        "subject": note.subject,
        "priority": note.priority,
        "created_s": note.created_s,
        "link": link_of(note),
    }


def _meant(note: Notification) -> list[str]:
    """Names of those whom it is for; nobody in particular: everybody."""
    alone = note.data.get("to")
    if isinstance(alone, list):
        return [str(one) for one in alone]  # who was missed before
    person = str(note.data.get("person") or "")
    several = str(note.data.get("for") or (note.data.get("who") if note.data.get("test") else "") or "")
    return [one for one in ([person] if person else several.split(", ")) if one]


def _bytes(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
