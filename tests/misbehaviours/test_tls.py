"""With TLS a message goes to whom the settings trust by certificate and name, nobody else (RFC 6125)."""

import shutil
import ssl
import subprocess
from pathlib import Path

import pytest

from monitor.notify.email import EmailSender
from monitor.notify.outcome import Delivered, Outcome, Retry
from monitor.notify.webhook import WebhookSender
from monitor.wire.http import HttpLimits, HttpRequest, exchange
from tests.misbehaviours.channels import ANN
from tests.misbehaviours.listed import answers
from tests.misbehaviours.servers import Misbehaviour, misbehaving
from tests.notify.test_senders import NOTE, NOW_S, mail_channel
from tests.receivers import mail_receiver

pytestmark = pytest.mark.skipif(shutil.which("openssl") is None, reason="openssl is not installed")
OURS, OTHERS = "IP:127.0.0.1", "DNS:other.example"


def certificate(folder: Path, name: str) -> tuple[Path, ssl.SSLContext]:
    """One that signs itself, for a name; its file, and a server's context."""
    key, own = folder / "key.pem", folder / "own.pem"
    command = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=x"]
    command += ["-addext", f"subjectAltName={name}", "-keyout", str(key), "-out", str(own)]
    subprocess.run(command, check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own, key)
    return own, context


def served(context: ssl.SSLContext, ca_file: str | None) -> Outcome:
    good = Misbehaviour("good", answers(200).act, certificate=True)
    with misbehaving(good, context) as server:
        return WebhookSender(f"https://127.0.0.1:{server.port}/", None, 20.0, ca_file).send(NOTE, NOW_S)


def test_a_webhook_goes_to_a_trusted_certificate_of_the_right_name_only(tmp_path: Path) -> None:
    own, context = certificate(tmp_path, OURS)
    assert isinstance(served(context, str(own)), Delivered)
    assert isinstance(served(context, None), Retry)
    own, context = certificate(tmp_path, OTHERS)
    assert isinstance(served(context, str(own)), Retry)


def test_a_document_comes_whole_over_tls(tmp_path: Path) -> None:
    own, context = certificate(tmp_path, OURS)
    head = b"HTTP/1.1 200 OK\r\nConnection: close\r\n\r\n"
    long = Misbehaviour(
        "long", lambda link: (link.request(), link.says(head + b"y" * 900_000))[1], certificate=True
    )
    with misbehaving(long, context) as server:
        request = HttpRequest("GET", f"https://127.0.0.1:{server.port}/", ca_file=own)
        assert exchange(request, HttpLimits(20.0, 1_000_000)).body == b"y" * 900_000


@pytest.mark.parametrize("scheme", ["smtp", "smtps"])
@pytest.mark.parametrize(("name", "outcome"), [(OURS, Delivered), (OTHERS, Retry)])
def test_mail_goes_to_a_trusted_certificate_of_the_right_name_only(
    tmp_path: Path, scheme: str, name: str, outcome: type
) -> None:
    own, context = certificate(tmp_path, name)
    options = (
        {"tls_context": context, "require_starttls": True} if scheme == "smtp" else {"ssl_context": context}
    )
    with mail_receiver(**options) as (box, url):
        server = mail_channel(url.replace("smtp", scheme), starttls=scheme == "smtp")
        server = server.model_copy(update={"ca_file": own, "timeout_s": 20.0, "to": (ANN,)})
        assert isinstance(EmailSender(server).send(NOTE, NOW_S), outcome)
        assert len(box.mails) == (outcome is Delivered)
