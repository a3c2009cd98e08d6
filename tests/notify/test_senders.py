"""Each way to reach people meets the same list of failures, against real servers on loopback."""

import email
import email.policy
import socket
import time
from dataclasses import replace

import pytest
from standardwebhooks import Webhook, WebhookVerificationError

from monitor.model.notification import Notification
from monitor.notify.email import EmailSender
from monitor.notify.mqtt_state import MqttMessageSender
from monitor.notify.outcome import Delivered, Refused, Retry
from monitor.notify.push import PushSender
from monitor.notify.webhook import WebhookSender, signature
from monitor.settings.schema import Channel
from monitor.settings.webhook_key import webhook_key
from tests.receivers import mail_receiver, web_receiver

NOW_S = 1_788_912_000.0
NOTE = Notification(
    key="alarm/slip-bay/7",
    created_s=NOW_S,
    expires_s=NOW_S + 3600,
    priority="high",
    title="Slip Bay: plate wet",
    text="Slip Bay: Keel plate is wet, 1.2 K below dew point since 02:10. Keep the doors shut; do not weld.",
    subject="body-wet/plate-keel",
    zone="slip-bay",
    since_s=NOW_S - 60,
    action="Keep the doors shut until the plate is clear.",
    data={"margin_k": -1.2, "links": {"Answer": "http://127.0.0.1/a/x"}},
)


def test_signature_is_the_worked_example_of_the_standard_webhooks_specification() -> None:
    # Source: Standard Webhooks specification, reference library's published test vector.
    key = webhook_key("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    assert (
        signature(key, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, b'{"test": 2432232314}')
        == "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
    )


SECRET = "whsec_ZmVycnltb29yLCBpbnZlbnRlZCBmb3IgdGVzdHM="


@pytest.mark.parametrize("secret", [SECRET, SECRET.removeprefix("whsec_")])
def test_webhook_arrives_whole_and_the_specifications_own_library_takes_it(secret: str) -> None:
    # Source: Standard Webhooks' public library, `standardwebhooks` on PyPI.
    with web_receiver() as receiver:
        assert isinstance(WebhookSender(receiver.url, secret, 5.0).send(NOTE, time.time()), Delivered)
        headers, body = receiver.requests[0]
    assert headers["webhook-id"] == NOTE.key
    assert Webhook(SECRET).verify(body, headers)["text"] == NOTE.text
    with pytest.raises(WebhookVerificationError):
        Webhook(SECRET).verify(body.replace(b"wet", b"dry"), headers)
    with pytest.raises(WebhookVerificationError):
        Webhook("whsec_" + "A" * 32).verify(body, headers)


@pytest.mark.parametrize(
    ("secret", "said"),
    [
        ("a secret that is no base64", "whsec_ and base64"),
        ("whsec_" + "c2hvcnQ=", "holds 5 bytes"),
        ("whsec_" + "A" * 88, "holds 66 bytes"),
        ("whsec_", "holds 0 bytes"),
        ("whsec_" + "é" * 32, "whsec_ and base64"),
    ],
)
def test_a_webhook_secret_that_no_receiver_could_be_given_says_how_one_is_made(
    secret: str, said: str
) -> None:
    with pytest.raises(ValueError, match=said) as caught:
        webhook_key(secret)
    assert "openssl rand -base64 32" in str(caught.value)
    assert secret.removeprefix("whsec_") not in str(caught.value) or secret == "whsec_"


@pytest.mark.parametrize(
    ("status", "outcome"),
    [
        *((code, Delivered) for code in (200, 202, 204)),
        *((code, Refused) for code in (302, 400, 404, 410)),
        *((code, Retry) for code in (408, 429, 500, 503)),
    ],
)
def test_webhook_answers_mean_what_http_says(status: int, outcome: type) -> None:
    with web_receiver() as receiver:
        receiver.status = status
        assert isinstance(WebhookSender(receiver.url, None, 5.0).send(NOTE, NOW_S), outcome)


def test_webhook_heeds_retry_after() -> None:
    with web_receiver() as receiver:
        receiver.status, receiver.headers = 503, {"retry-after": "120"}
        assert WebhookSender(receiver.url, None, 5.0).send(NOTE, NOW_S) == Retry("answered 503", 120.0)


def test_webhook_to_nobody_and_to_a_silent_receiver_is_worth_another_try() -> None:
    with socket.create_server(("127.0.0.1", 0)) as silent:
        port = silent.getsockname()[1]
        assert isinstance(WebhookSender(f"http://127.0.0.1:{port}/", None, 0.2).send(NOTE, NOW_S), Retry)
    assert isinstance(WebhookSender(f"http://127.0.0.1:{port}/", None, 0.2).send(NOTE, NOW_S), Retry)


def test_webhook_with_an_unusable_address_is_refused() -> None:
    assert isinstance(WebhookSender("not an address", None, 1.0).send(NOTE, NOW_S), Refused)


def mail_channel(url: str, *, starttls: bool) -> Channel:
    sender, to = "Dryshift <dryshift@ferrymoor.example>", ("lead@ferrymoor.example",)
    return Channel(id="mail", kind="email", url=url, sender=sender, to=to, starttls=starttls)


def mailer(url: str) -> EmailSender:
    return EmailSender(mail_channel(url, starttls=False))


def test_mail_arrives_with_title_as_subject_and_says_what_to_do() -> None:
    with mail_receiver() as (box, url):
        assert isinstance(mailer(url).send(NOTE, NOW_S), Delivered)
        assert isinstance(mailer(url).send(NOTE, NOW_S), Delivered)
        first, second = (email.message_from_bytes(m.content, policy=email.policy.default) for m in box.mails)
    assert first["Subject"] == NOTE.title
    assert first["Message-ID"] == second["Message-ID"]  # a repeat is recognised
    text = first.get_body(("plain",)).get_content()
    assert NOTE.text in " ".join(text.split())
    assert NOTE.action in text
    assert "Answer: http://127.0.0.1/a/x" in text


def test_a_message_that_comes_late_says_so_where_it_would_be_taken_for_new() -> None:
    late = replace(NOTE, data={"at": "06:12"})
    with mail_receiver() as (box, url):
        mailer(url).send(late, NOW_S + 300)
        mailer(url).send(late, NOW_S + 3000)
        subjects = [
            email.message_from_bytes(m.content, policy=email.policy.default)["Subject"] for m in box.mails
        ]
    assert subjects == [NOTE.title, f"[06:12] {NOTE.title}"]
    with web_receiver() as receiver:
        address = receiver.url.replace("http://", "json://")
        PushSender(address, 10.0).send(late, NOW_S + 3000)
        assert receiver.messages[0]["title"] == f"[06:12] {NOTE.title}"


def test_the_daily_word_asks_for_nothing_and_its_lines_are_in_the_mail() -> None:
    daily = replace(NOTE, action="", data={"why": "digest", "lines": ["Slip Bay: dry enough: 60 %RH"]})
    with mail_receiver() as (box, url):
        mailer(url).send(daily, NOW_S)
        text = email.message_from_bytes(box.mails[0].content, policy=email.policy.default).get_content()
    assert "What to do" not in text
    assert "Slip Bay: dry enough: 60 %RH" in text


@pytest.mark.parametrize(("answer", "outcome"), [("451 later", Retry), ("554 never", Refused)])
def test_mail_answers_mean_what_smtp_says(answer: str, outcome: type) -> None:
    with mail_receiver() as (box, url):
        box.refuse = answer
        assert isinstance(mailer(url).send(NOTE, NOW_S), outcome)


def test_whoever_was_missed_gets_the_mail_alone() -> None:
    everybody = ("Ann <ann@ferrymoor.example>", "bob@ferrymoor.example, cy@ferrymoor.example")
    for only, got in (
        ([], [["ann@ferrymoor.example", "bob@ferrymoor.example", "cy@ferrymoor.example"]]),
        (["cy@ferrymoor.example"], [["cy@ferrymoor.example"]]),
        (["gone@ferrymoor.example"], []),
    ):
        with mail_receiver() as (box, url):
            server = mail_channel(url, starttls=False).model_copy(update={"to": everybody})
            note = replace(NOTE, data={"to": only} if only else {})
            outcome = EmailSender(server).send(note, NOW_S)
            assert isinstance(outcome, Delivered if got else Refused)
            assert [mail.rcpt_tos for mail in box.mails] == got


def test_mail_with_no_server_is_worth_another_try() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    assert isinstance(mailer(f"smtp://127.0.0.1:{port}").send(NOTE, NOW_S), Retry)


def test_mail_without_the_tls_it_asked_for_is_refused_not_sent_in_clear() -> None:
    with mail_receiver() as (box, url):
        assert isinstance(EmailSender(mail_channel(url, starttls=True)).send(NOTE, NOW_S), Refused)
        assert box.mails == []


def test_push_service_gets_title_and_text() -> None:
    with web_receiver() as receiver:
        address = receiver.url.replace("http://", "json://")
        assert isinstance(PushSender(address, 10.0).send(NOTE, NOW_S), Delivered)
        receiver.status = 500
        assert isinstance(PushSender(address, 10.0).send(NOTE, NOW_S), Retry)
        assert receiver.messages[0]["title"] == NOTE.title
        # a phone answers from here
        assert receiver.messages[0]["message"].splitlines()[-1] == "http://127.0.0.1/a/x"


def test_push_address_of_no_known_service_is_refused() -> None:
    assert isinstance(PushSender("nosuch://thing", 10.0).send(NOTE, NOW_S), Refused)


def test_the_last_message_of_a_site_stands_beside_its_lamps() -> None:
    sent: list[tuple[str, bytes]] = []

    def publish(topic: str, body: bytes) -> str | None:
        sent.append((topic, body))
        return None if len(sent) == 1 else "the broker is away"

    sender = MqttMessageSender("dryshift/{site}/lamp", publish)
    here = replace(NOTE, data={"site": "ferrymoor"})
    assert isinstance(sender.send(here, NOW_S), Delivered)
    assert sender.send(NOTE, NOW_S) == Retry("the broker is away")
    assert [topic for topic, _ in sent] == ["dryshift/ferrymoor/lamp/_message", "dryshift/_all/lamp/_message"]
