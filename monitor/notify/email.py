"""Sends a message by e-mail over SMTP, with TLS unless the settings say otherwise."""

import hashlib
import smtplib
import ssl
from contextlib import closing
from datetime import UTC, datetime
from email.message import EmailMessage
from email.utils import format_datetime
from urllib.parse import urlsplit

from monitor.model.notification import Notification
from monitor.notify.lateness import titled
from monitor.notify.outcome import Delivered, Outcome, Refused, Retry
from monitor.settings.schema import Channel


def compose(notification: Notification, server: Channel, now_s: float) -> EmailMessage:
    """The mail: the subject is what a phone's lock screen shows."""
    mail = EmailMessage()
    mail["Subject"] = titled(notification, now_s)
    mail["From"] = server.sender
    mail["To"] = ", ".join(server.to)
    mail["Date"] = format_datetime(datetime.fromtimestamp(notification.created_s, UTC))
    domain = str(server.sender).rpartition("@")[2].strip("> ") or "localhost"
    # The same message has the same id, so that a mail system drops a repeat.
    mail["Message-ID"] = f"<{hashlib.sha256(notification.key.encode()).hexdigest()[:32]}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    if notification.priority == "high":
        mail["Importance"] = "high"
    lines = [notification.text]
    if notification.action:
        lines += ["", f"What to do: {notification.action}"]
    more = notification.data.get("lines")
    if isinstance(more, list):
        lines += ["", *(str(line) for line in more)]
    links = notification.data.get("links")
    if isinstance(links, dict):
        lines += ["", *(f"{name}: {url}" for name, url in links.items())]
    mail.set_content("\n".join(lines) + "\n")
    return mail


class EmailSender:
    """Hands mail to the server of one channel of kind e-mail: smtp://host:port or smtps://host:port."""

    def __init__(self, server: Channel) -> None:
        self._server = server

    def send(self, notification: Notification, now_s: float) -> Outcome:
        """Try once."""
        mail = compose(notification, self._server, now_s)
        try:
            with closing(self._connect()) as link:
                self._secure(link)
                refused = link.send_message(mail)
        except smtplib.SMTPRecipientsRefused as error:
            return Refused(f"every recipient was refused: {_reasons(error.recipients)}")
        except (smtplib.SMTPAuthenticationError, smtplib.SMTPNotSupportedError) as error:
            return Refused(f"log-in or TLS failed: {error}")
        except smtplib.SMTPResponseException as error:
            cause = f"answered {error.smtp_code}"
            return Refused(cause) if error.smtp_code >= 500 else Retry(cause)
        except (smtplib.SMTPException, OSError) as error:
            return Retry(f"{type(error).__name__}: {error}")
        return Delivered(f"refused for {_reasons(refused)}" if refused else "handed to the mail server")

    def _context(self) -> ssl.SSLContext:
        return ssl.create_default_context(cafile=self._server.ca_file)

    def _connect(self) -> smtplib.SMTP:
        parts = urlsplit(str(self._server.url))
        host, timeout = parts.hostname or "localhost", self._server.timeout_s
        if parts.scheme == "smtps":
            return smtplib.SMTP_SSL(host, parts.port or 465, timeout=timeout, context=self._context())
        return smtplib.SMTP(host, parts.port or 587, timeout=timeout)

    def _secure(self, link: smtplib.SMTP) -> None:
        if self._server.starttls and not isinstance(link, smtplib.SMTP_SSL):
            link.starttls(context=self._context())
        if self._server.username is not None:
            password = self._server.password
            link.login(self._server.username, "" if password is None else password.get_secret_value())


def _reasons(refused: dict[str, tuple[int, bytes]]) -> str:
    return ", ".join(f"{who} ({code})" for who, (code, _) in refused.items())
