"""A pretend phone: a small web receiver that shows what a lead's lock screen would."""

import json
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


class Phone:
    """Takes the signed messages of the webhook channel and hands each to `show`."""

    def __init__(self, show: Callable[[dict[str, object]], None]) -> None:
        seen: set[str] = set()

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("content-length", "0")))
                message = json.loads(body)
                if message["key"] not in seen:
                    seen.add(message["key"])
                    show(message)
                self.send_response(204)
                self.end_headers()

            def log_message(self, format: str, *args: object) -> None:
                """What was received is shown instead."""

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._thread = threading.Thread(target=self._server.serve_forever, name="demo-phone", daemon=True)

    @property
    def url(self) -> str:
        """Where the channel sends to."""
        return f"http://127.0.0.1:{self._server.server_port}/phone"

    def start(self) -> None:
        """Begin to listen."""
        self._thread.start()

    def stop(self) -> None:
        """Stop listening."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()
