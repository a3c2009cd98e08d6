"""Sends a message by e-mail over SMTP, with TLS unless the settings say otherwise."""

import hashlib
import smtplib
import socket
from collections.abc import Mapping, Sequence
from contextlib import closing
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime, formataddr, getaddresses
from html import escape
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from monitor.alarms.grouping import GROUP_SIGN
from monitor.model.notification import Notification
from monitor.notify.answers import ANSWER, link_of
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Partly, Refused, Retry, said_of
from monitor.settings.schema import Channel
from monitor.wire.ration import Ration
from monitor.wire.sockets import connect, tls_context

MOST_ATTACHED_BYTES = 8 * 1024 * 1024
MOST_BYTES = 64 * 1024  # of a mail server's answers, together


def compose(notification: Notification, server: Channel, now_s: float) -> EmailMessage:
    """The mail: its subject says what and where, and the mails of one warning hang together."""
    mail = EmailMessage()
    # a line of a mail's head is one line
    headline = " ".join(str(notification.data.get("headline") or "").split())
    mail["Subject"] = titled(notification, now_s, headline)
    mail["From"] = server.sender
    mail["To"] = ", ".join(recipients(notification, server))
    mail["Date"] = format_datetime(datetime.fromtimestamp(notification.created_s, UTC))
    # The same message has the same id, so that a mail system drops a repeat.
    mail["Message-ID"] = _message_id(notification.key, server)
    if notification.subject.startswith(GROUP_SIGN):
        # RFC 5322 3.6.4: all of a warning's mails answer one id of its own, which never was sent
        mail["In-Reply-To"] = mail["References"] = _message_id(notification.subject, server)
    mail["Auto-Submitted"] = "auto-generated"
    if notification.priority == "high":
        mail["Importance"] = "high"
    lines = [notification.text]
    if notification.action:
        lines += ["", f"What to do: {notification.action}"]
    more = notification.data.get("lines")
    if isinstance(more, list):
        lines += ["", *(str(line) for line in more)]
    attached = notification.data.get("attachment")
    content = None if attached is None else _attachment(Path(str(attached)))
    if attached is not None and content is None:
        lines += ["", f"The file cannot be attached: {attached} is not there, or is too large to mail."]
    link = link_of(notification)
    mail.set_content("\n".join([*lines, *(["", f"{ANSWER}: {link}"] if link else [])]) + "\n")
    if link:
        mail.add_alternative(_as_html(lines, link), subtype="html")
    if content is not None:
        mail.add_attachment(content, "application", "pdf", filename=Path(str(attached)).name)
    return mail


def _message_id(of: str, server: Channel) -> str:
    domain = str(server.sender).rpartition("@")[2].strip("> ") or "localhost"
    return f"<{hashlib.sha256(of.encode()).hexdigest()[:32]}@{domain}>"


def _as_html(lines: Sequence[str], link: str) -> str:
    """The same words, with a button to press; nothing in it is fetched from anywhere."""
    first, *rest = (escape(line) for line in lines)
    button = (
        "display:inline-block;padding:16px 32px;border-radius:8px;background:#12324a;color:#ffffff;"
        "font-weight:bold;text-decoration:none"
    )
    return (
        '<!doctype html>\n<html><body style="font:18px/1.4 sans-serif">\n'
        f"<p><b>{first}</b></p>\n"
        f'<p><a href="{escape(link)}" style="{button}">{ANSWER}</a></p>\n'
        f"<p>{'<br>'.join(rest)}</p>\n"
        f"<p>{escape(link)}</p>\n</body></html>\n"
    )


def _attachment(file: Path) -> bytes | None:
    """A file of ours; None where it is gone or larger than mail servers take."""
    try:
        return file.read_bytes() if file.stat().st_size <= MOST_ATTACHED_BYTES else None
    except OSError:
        return None


def recipients(notification: Notification, server: Channel) -> tuple[str, ...]:
    """Whom it goes to: everybody of the channel, or those who were missed before."""
    only = notification.data.get("to")
    if not isinstance(only, list):
        return server.to
    return tuple(formataddr(one) for one in getaddresses(server.to) if one[1] in only)


class _PlainSmtp(smtplib.SMTP):
    """On sockets that draw on the ration: the library's time-out is one for each line."""

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        del timeout
        return connect(host, port)


class _TlsSmtp(smtplib.SMTP_SSL):
    def _get_socket(self, host: str, port: int, timeout: float) -> Any:
        del timeout
        return self.context.wrap_socket(connect(host, port), server_hostname=host)


class EmailSender:
    """Hands mail to the server of one channel of kind e-mail: smtp://host:port or smtps://host:port."""

    def __init__(self, server: Channel) -> None:
        self._server = server

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once, within the channel's time for all of it."""
        if not recipients(notification, self._server):
            return Refused("the settings no longer name this recipient")
        with Ration(self._server.timeout_s, MOST_BYTES) as ration:
            try:
                missed = self._hand_over(compose(notification, self._server, now_s))
            except smtplib.SMTPRecipientsRefused as error:
                return _nobody(error.recipients)
            except smtplib.SMTPNotSupportedError as error:
                return Refused(f"log-in or TLS failed: {error}")
            except smtplib.SMTPResponseException as error:
                return _judged(error)
            except (smtplib.SMTPException, OSError, ValueError) as error:
                return Retry(ration.spent or f"{type(error).__name__}: {str(error)[:200]}")
        return self._handed(recipients(notification, self._server), missed)

    def _hand_over(self, mail: EmailMessage) -> dict[str, tuple[int, bytes]]:
        with closing(self._connect()) as link:
            self._secure(link)
            return link.send_message(mail)

    @staticmethod
    def _handed(everybody: tuple[str, ...], missed: Mapping[str, tuple[int, bytes]]) -> Outcome:
        if not missed:
            return Delivered("handed to the mail server")
        reached = tuple(address for _, address in getaddresses(everybody) if address not in missed)
        return Partly(reached, _reasons(missed))

    def _connect(self) -> smtplib.SMTP:
        parts = urlsplit(str(self._server.url))
        host, own = parts.hostname or "localhost", _own_name()
        if parts.scheme == "smtps":
            context = tls_context(self._server.ca_file)
            return _TlsSmtp(host, parts.port or 465, own, context=context)
        return _PlainSmtp(host, parts.port or 587, own)

    def _secure(self, link: smtplib.SMTP) -> None:
        if self._server.starttls and not isinstance(link, smtplib.SMTP_SSL):
            link.starttls(context=tls_context(self._server.ca_file))
        if self._server.username is not None:
            password = self._server.password
            link.login(self._server.username, "" if password is None else password.get_secret_value())


def _own_name() -> str:
    """How we greet; no name server is asked, for that takes as long as it likes (RFC 5321 4.1.3)."""
    name = socket.gethostname()
    return name if "." in name else "[127.0.0.1]"


def _nobody(refused: Mapping[str, tuple[int, bytes]]) -> Outcome:
    """Nobody has it: worth another try as soon as that holds for one of them."""
    cause = f"every recipient was refused: {said_of(_reasons(refused))}"
    never = all(500 <= _code(code) < 600 for code, _ in refused.values())
    return Refused(cause) if never else Retry(cause)


def _judged(error: smtplib.SMTPResponseException) -> Outcome:
    """By the first digit (RFC 5321 4.2.1): 5yz never, anything else that is no yes is tried again."""
    cause = f"answered {_said(error.smtp_code, error.smtp_error)}"
    # Words as text are the library's own, on an answer that was none.
    own = isinstance(error.smtp_error, str)
    return Refused(cause) if not own and 500 <= _code(error.smtp_code) < 600 else Retry(cause)


def _code(said: object) -> int:
    return said if isinstance(said, int) else 0


def _reasons(refused: Mapping[str, tuple[int, bytes]]) -> dict[str, str]:
    return {who: _said(code, words) for who, (code, words) in refused.items()}


def _said(code: object, words: bytes | str) -> str:
    text = words.decode("utf-8", "replace") if isinstance(words, bytes) else str(words)
    return " ".join(f"{code} {text}".split())[:120]
