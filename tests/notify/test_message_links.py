"""What goes out of a message: short enough for text messages, one link, one thread of mails, one button."""

import email
import email.policy
import math
import re
from dataclasses import replace
from pathlib import Path

import pytest

from monitor.alarms.grouping import Why
from monitor.alarms.messages import compose
from monitor.model.notification import Notification
from monitor.notify.answers import link_of, with_link
from monitor.notify.email import EmailSender
from monitor.notify.email import compose as mailed
from monitor.notify.links import GOOD_FOR_S, LinkError, opened
from monitor.notify.push import PushSender
from monitor.settings.schema import Channel
from monitor.store.ledger.sql_ledger import open_ledger
from tests.alarms.shop import wording
from tests.alarms.test_messages import GSM_7_BIT, WARNINGS
from tests.receivers import mail_receiver, web_receiver

BASE = "https://dry.example.org"
EXTENDED = set("^{}\\[~]|€")  # of 3GPP TS 23.038, 6.2.1.1: two septets each
NOTES = [with_link(compose(one, wording()), BASE) for one in WARNINGS]
WET = next(
    with_link(compose(one, wording()), BASE)
    for one in WARNINGS
    if one.cause.kind == "body_wet" and one.why is Why.RAISED
)


def septets(text: str) -> int:
    assert set(text) <= GSM_7_BIT | EXTENDED, set(text) - GSM_7_BIT - EXTENDED
    return sum(2 if sign in EXTENDED else 1 for sign in text)


def parts(text: str) -> int:
    """How many text messages it takes: 160 septets, or 153 beside a header (3GPP TS 23.040, 9.2.3.24.1)."""
    count = septets(text)
    return 1 if count <= 160 else math.ceil(count / 153)


def test_a_message_with_its_link_takes_at_most_two_text_messages_and_the_link_35_signs() -> None:
    """It was five to nine: 650 signs in the median, with two signed links of 163 and more."""
    for note in NOTES:
        assert len(link_of(note)) <= 37
        body = "\n".join(filter(None, (note.text, link_of(note))))
        assert parts(body) <= 2, body
        assert parts(f"{note.title}\r\n{body}") <= 2  # as the notification library puts a title before it


def test_what_a_push_or_text_service_is_handed_is_the_text_and_the_link_alone() -> None:
    with web_receiver() as receiver:
        PushSender(receiver.url.replace("http://", "json://"), 10.0).send(WET, WET.created_s)
        PushSender(receiver.url.replace("http://", "json://"), 10.0).send(
            replace(WET, data={}), WET.created_s
        )
        linked, bare = (one["message"] for one in receiver.messages)
    assert linked == f"{WET.text}\n{link_of(WET)}"
    assert bare == f"{WET.text}\n{WET.action}"  # nothing to open: all there is to do stands in it


def test_a_token_is_of_letters_and_digits_and_no_two_are_alike() -> None:
    tokens = [one.token for one in NOTES if one.token]
    assert all(re.fullmatch(r"[A-Za-z0-9]{11}", one) for one in tokens)
    assert len(set(tokens)) == len(tokens) > 50


def test_the_ledger_finds_the_message_by_its_token_and_nothing_by_another(tmp_path: Path) -> None:
    ledger = open_ledger(f"sqlite:///{tmp_path / 'ledger.db'}")
    personal = replace(WET, data={**WET.data, "person": "Ann"})
    ledger.commit([], entered_s=1.0, outbox=[("phone", personal), ("mail", replace(WET, key="x", token=""))])
    link = opened(ledger.message_of(WET.token), WET.created_s)
    assert (link.condition, link.who, link.action) == (WET.subject, "Ann", "")
    for token, now_s, reason in (
        ("", WET.created_s, "unknown"),
        (WET.token.swapcase(), WET.created_s, "unknown"),
        (WET.token[:-1], WET.created_s, "unknown"),
        (WET.token, WET.created_s + GOOD_FOR_S, "expired"),
    ):
        with pytest.raises(LinkError) as caught:
            opened(ledger.message_of(token), now_s)
        assert caught.value.reason == reason
    ledger.close()


def _channel(url: str = "smtp://127.0.0.1:25") -> Channel:
    sender, to = "Dryshift <dryshift@ferrymoor.example>", ("lead@ferrymoor.example",)
    return Channel(id="mail", kind="email", url=url, sender=sender, to=to, starttls=False)


def test_a_mails_subject_says_what_and_where() -> None:
    said = {one.data["headline"] for one in NOTES}
    assert "Wet: Argon 3, Gas Cage" in said
    assert "All clear: Argon 3, Gas Cage" in said
    assert "Worse: Wet: Argon 3, Gas Cage" in said
    for note in NOTES:
        subject = str(mailed(note, _channel(), note.created_s)["Subject"])
        assert subject == note.data["headline"]
        assert len(subject) <= 120


def test_the_mails_of_one_warning_are_one_thread_and_those_of_another_are_not() -> None:
    # RFC 5322, 3.6.4: In-Reply-To and References name the message that is answered
    first, second = NOTES[0], replace(NOTES[0], key="another message")
    other = replace(NOTES[0], subject="warning:yard.stores@2", key="of another warning")
    mails = [mailed(one, _channel(), one.created_s) for one in (first, second, other)]
    assert mails[0]["References"] == mails[1]["References"] == mails[1]["In-Reply-To"]
    assert mails[0]["Message-ID"] != mails[1]["Message-ID"]
    assert mails[2]["References"] != mails[0]["References"]
    digest = replace(NOTES[0], subject="digest:yard", token="", data={})
    assert mailed(digest, _channel(), digest.created_s)["References"] is None


def test_a_mail_has_the_words_as_text_and_beside_it_a_button_that_fetches_nothing() -> None:
    hostile = replace(WET, text='<img src="https://elsewhere.example/x"> & wet')
    with mail_receiver() as (box, url):
        EmailSender(_channel(url)).send(hostile, hostile.created_s)
        (mail,) = (email.message_from_bytes(m.content, policy=email.policy.default) for m in box.mails)
    assert mail.get_content_type() == "multipart/alternative"  # RFC 2046, 5.1.4: the fullest form comes last
    text, html = mail.iter_parts()
    assert (text.get_content_type(), html.get_content_type()) == ("text/plain", "text/html")
    assert hostile.text in text.get_content()
    assert link_of(hostile) in text.get_content()
    page = html.get_content()
    assert f'<a href="{link_of(hostile)}"' in page
    assert "<img" not in page
    assert "src=" not in page.replace("src=&quot;", "")
    assert WET.action.split("\n")[0][:30] in page


def test_a_mail_without_a_link_is_plain_text() -> None:
    mail = mailed(compose(WARNINGS[0], wording()), _channel(), 0.0)
    assert mail.get_content_type() == "text/plain"


def table() -> str:
    """Every message with its length and text messages: `python -m tests.notify.test_message_links`."""
    lines = ["| message | text | with link | SMS parts |", "|---|---|---|---|"]
    seen: dict[str, Notification] = {str(one.data["headline"]): one for one in NOTES}
    for headline, note in seen.items():
        body = "\n".join(filter(None, (note.text, link_of(note))))
        lines.append(f"| {headline} | {len(note.text)} | {len(body)} | {parts(body)} |")
    return "\n".join(lines)


if __name__ == "__main__":
    print(table())  # noqa: T201
