"""Web Push against a push service of our own: sealed for one browser (RFC 8291) and proved (RFC 8292)."""

import base64
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import http_ece
import pytest
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.hazmat.primitives.asymmetric.utils import encode_dss_signature
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.serialization import Encoding, PublicFormat

from monitor.notify.outcome import Delivered, Partly, Refused, Retry
from monitor.notify.web_push import PushKey, WebPushSender
from monitor.settings.schema import Channel
from monitor.store.folder_beside import BesideInFolder
from monitor.store.phone_book import MOST_OF_ONE, KnownPhone, PhoneBook
from tests.notify.test_senders import NOTE, NOW_S
from tests.receivers import WebReceiver, web_receiver

CHANNEL = Channel(id="browsers", kind="webpush", sender="mailto:lead@ferrymoor.example")
FOR_ANN = replace(NOTE, data={**NOTE.data, "person": "Ann"})


def text(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).rstrip(b"=").decode()


def raw(data: str) -> bytes:
    return base64.urlsafe_b64decode(data + "=" * (-len(data) % 4))


class Browser:
    """A browser's own half of a subscription."""

    def __init__(self, endpoint: str, person: str) -> None:
        self.key = ec.generate_private_key(ec.SECP256R1())
        self.secret = bytes(range(16))
        point = self.key.public_key().public_bytes(Encoding.X962, PublicFormat.UncompressedPoint)
        self.phone = KnownPhone(endpoint, text(point), text(self.secret), person, "Android", NOW_S)

    def read(self, body: bytes) -> dict[str, object]:
        plain = http_ece.decrypt(body, private_key=self.key, auth_secret=self.secret, version="aes128gcm")
        found: dict[str, object] = json.loads(plain)
        return found


@pytest.fixture
def service() -> Iterator[WebReceiver]:
    with web_receiver() as receiver:
        receiver.status = 201  # RFC 8030 5
        yield receiver


@pytest.fixture
def book(tmp_path: Path) -> Iterator[PhoneBook]:
    book = PhoneBook(BesideInFolder(tmp_path))
    yield book
    book.close()


def test_the_librarys_sealing_is_the_worked_example_of_rfc_8291() -> None:
    # RFC 8291, 5 and appendix A
    content = b"When I grow up, I want to be a watermelon"
    number = int.from_bytes(raw("yfWPiYE-n46HLnH0KqZOF1fJJU3MYrct3AELtAQ-oRw"), "big")
    body = http_ece.encrypt(
        content,
        salt=raw("DGv6ra1nlYgDCS1FRnbzlw"),
        private_key=ec.derive_private_key(number, ec.SECP256R1()),
        dh=raw("BCVxsr7N_eNgVRqvHtD0zTZsEc6-VV-JvLexhqUzORcxaOzi6-AYWXvTBHm4bjyPjs7Vd8pZGH6SRpkNtoIAiw4"),
        auth_secret=raw("BTBZMqHH6r4Tts7J_aSIgg"),
        version="aes128gcm",
    )
    assert text(body) == (
        "DGv6ra1nlYgDCS1FRnbzlwAAEABBBP4z9KsN6nGRTbVYI_c7VJSPQTBtkgcy27mlmlMoZIIgDll6e3vCYLocInmYWAmS6TlzAC8wEqKK6PBru3jl7A_yl95bQpu6cVPTpK4Mqgkf1CXztLVBSt2Ks3oZwbuwXPXLWyouBWLVWGNWQexSgSxsj_Qulcy4a-fN"
    )


def test_a_message_reaches_the_browser_sealed_with_ttl_urgency_and_proof(
    service: WebReceiver, book: PhoneBook, tmp_path: Path
) -> None:
    browser = Browser(service.url, "Ann")
    book.keep(browser.phone)
    assert isinstance(WebPushSender(CHANNEL, book).send(FOR_ANN, NOW_S), Delivered)
    ((headers, body),) = service.requests
    assert headers["content-encoding"] == "aes128gcm"
    assert (headers["ttl"], headers["urgency"]) == ("3600", "high")  # RFC 8030 5.2, 5.3
    assert len(body) <= 4096  # RFC 8030 7.2
    said = browser.read(body)
    assert (said["title"], said["text"]) == (NOTE.title, NOTE.text)
    assert said["link"] == "http://127.0.0.1/a/x"
    # RFC 8292 2 and 3: a JWT signed with ES256 by the key that the browser was given
    kind, _, rest = headers["authorization"].partition(" ")
    parts = dict(one.strip().split("=", 1) for one in rest.split(","))
    assert kind == "vapid"
    assert parts["k"] == PushKey(book).public
    head, claims, mark = parts["t"].split(".")
    assert json.loads(raw(head)) == {"typ": "JWT", "alg": "ES256"}
    said = json.loads(raw(claims))
    assert (said["aud"], said["sub"]) == (service.url.removesuffix("/phone"), "mailto:lead@ferrymoor.example")
    assert NOW_S < float(str(said["exp"])) <= NOW_S + 86_400
    public = ec.EllipticCurvePublicKey.from_encoded_point(ec.SECP256R1(), raw(parts["k"]))
    r, s = (int.from_bytes(half, "big") for half in (raw(mark)[:32], raw(mark)[32:]))
    public.verify(encode_dss_signature(r, s), f"{head}.{claims}".encode(), ec.ECDSA(SHA256()))


def test_the_services_key_outlives_a_restart_and_is_nobody_elses(book: PhoneBook, tmp_path: Path) -> None:
    first = PushKey(book).public
    again = PhoneBook(BesideInFolder(tmp_path))
    assert PushKey(again).public == first
    again.close()
    assert (tmp_path / "push.key").stat().st_mode & 0o777 == 0o600
    assert (len(raw(first)), raw(first)[0]) == (65, 4)


def test_a_phone_that_is_gone_is_told_no_more_and_nobody_counts_as_told(
    service: WebReceiver, book: PhoneBook, tmp_path: Path
) -> None:
    book.keep(Browser(service.url, "Ann").phone)
    service.status = 410  # RFC 8030 7.3
    sender = WebPushSender(CHANNEL, book)
    assert isinstance(sender.send(FOR_ANN, NOW_S), Refused)
    assert book.of([]) == []
    outcome = sender.send(FOR_ANN, NOW_S)
    assert isinstance(outcome, Refused)
    assert "no phone of Ann asked" in outcome.cause
    assert len(service.requests) == 1


@pytest.mark.parametrize(
    ("status", "kind"), [(201, Delivered), (429, Retry), (503, Retry), (302, Refused), (413, Refused)]
)
def test_only_2xx_is_a_receipt(
    service: WebReceiver, book: PhoneBook, tmp_path: Path, status: int, kind: type
) -> None:
    book.keep(Browser(service.url, "Ann").phone)
    service.status = status
    assert isinstance(WebPushSender(CHANNEL, book).send(FOR_ANN, NOW_S), kind)
    assert len(book.of(["Ann"])) == 1


def test_somebody_has_it_when_one_of_their_phones_has_and_of_several_each_is_told(
    service: WebReceiver, book: PhoneBook, tmp_path: Path
) -> None:
    sender = WebPushSender(CHANNEL, book)
    for n, who in enumerate(("Ann", "Ann", "Ben")):
        book.keep(Browser(f"{service.url}/{n}", who).phone)
    service.script = [503, 201]
    assert isinstance(sender.send(FOR_ANN, NOW_S), Delivered)
    assert len(service.requests) == 2  # Ben's phone is not asked
    both = replace(NOTE, data={"person": "", "for": "Ben, Cleo"})
    outcome = sender.send(both, NOW_S)
    assert isinstance(outcome, Partly)
    assert (outcome.reached, list(outcome.missed)) == (("Ben",), ["Cleo"])
    alone = replace(NOTE, data={**both.data, "to": ["Cleo"]})  # as the missed are tried again
    assert isinstance(sender.send(alone, NOW_S), Refused)
    answered = replace(NOTE, data={"person": "", "who": "Ann"})  # nobody in particular: everybody
    assert isinstance(sender.send(answered, NOW_S), Delivered)
    assert len(service.requests) == 6


def test_a_person_has_so_many_phones_and_takes_away_only_their_own(book: PhoneBook) -> None:
    for n in range(MOST_OF_ONE + 3):
        book.keep(replace(Browser(f"https://push.example/{n}", "Ann").phone, made_s=NOW_S + n))
    kept = book.of(["Ann"])
    assert [one.made_s - NOW_S for one in kept] == [float(n) for n in range(MOST_OF_ONE + 2, 2, -1)]
    book.drop(kept[0].endpoint, "Ben")
    assert len(book.of(["Ann"])) == MOST_OF_ONE
    book.drop(kept[0].endpoint, "Ann")
    assert len(book.of(["Ann"])) == MOST_OF_ONE - 1


def test_keys_that_are_none_are_refused_and_hold_nothing_up(
    service: WebReceiver, book: PhoneBook, tmp_path: Path
) -> None:
    for broken in ("AAAA", text(b"\x04" + bytes(64)), ""):
        book.keep(replace(Browser(service.url, "Ann").phone, public_key=broken))
        assert isinstance(WebPushSender(CHANNEL, book).send(FOR_ANN, NOW_S), Refused), broken
    assert service.requests == []
