"""Real receivers on loopback for what the service sends: a web server and a mail server."""

import json
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session

from tests.ports import free_port


class WebReceiver:
    """Keeps every request; answers with `status`, or with the next of `script` while it lasts."""

    def __init__(self, port: int = 0) -> None:
        self.requests: list[tuple[dict[str, str], bytes]] = []
        self.came_s: list[float] = []  # when each of them came
        self.status = 200
        self.script: list[int] = []
        self.headers: dict[str, str] = {}
        self.delay = threading.Event()
        self.delay.set()
        self.arrived = threading.Condition()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["content-length"]))
                receiver.delay.wait(120)
                with receiver.arrived:
                    status = receiver.script.pop(0) if receiver.script else receiver.status
                    receiver.requests.append(({k.lower(): v for k, v in self.headers.items()}, body))
                    receiver.came_s.append(time.time())
                    receiver.arrived.notify_all()
                self.send_response(status)
                for name, value in receiver.headers.items():
                    self.send_header(name, value)
                self.send_header("content-length", "0")
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """The test reads `requests` instead."""

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_port}/phone"

    @property
    def messages(self) -> list[dict[str, Any]]:
        return [json.loads(body) for _, body in self.requests]

    def wait_for(self, count: int, timeout_s: float = 60.0) -> None:
        """Until `count` requests have come."""
        with self.arrived:
            done = self.arrived.wait_for(lambda: len(self.requests) >= count, timeout_s)
        assert done, f"{len(self.requests)} of {count} requests came in {timeout_s} s"

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()


@contextmanager
def web_receiver(port: int = 0) -> Iterator[WebReceiver]:
    receiver = WebReceiver(port)
    try:
        yield receiver
    finally:
        receiver.close()


class MailBox:
    """Keeps every mail, or refuses with `refuse` (a whole SMTP answer line)."""

    def __init__(self) -> None:
        self.mails: list[Envelope] = []
        self.refuse: str | None = None

    async def handle_DATA(  # noqa: N802 (the mail server's own name for it)
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        if self.refuse is not None:
            return self.refuse
        self.mails.append(envelope)
        return "250 OK"


@contextmanager
def mail_receiver(**options: Any) -> Iterator[tuple[MailBox, str]]:
    """A mail server on a free port; yields the box and the server's address."""
    box = MailBox()
    port = free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port, **options)
    controller.start()
    try:
        yield box, f"smtp://127.0.0.1:{port}"
    finally:
        controller.stop()
