"""A local server that plays back composed answers of the forecast services, faults included."""

import json
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

RECORDINGS = Path(__file__).parent / "recordings"


@dataclass
class Answer:
    """One answer: status, headers, body."""

    status: int = 200
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""


@dataclass
class Station:
    """The running server: what it was asked, and what it answers by path."""

    base_url: str
    answer: Callable[[str, dict[str, str]], Answer]
    asked: list[tuple[str, dict[str, str]]] = field(default_factory=list)


def recording(name: str, base_url: str = "") -> bytes:
    """A composed answer with the server's own address in it."""
    return (RECORDINGS / name).read_text(encoding="utf-8").replace("{base}", base_url).encode()


def changed(body: bytes, change: Callable[[dict[str, object]], None]) -> bytes:
    """The same answer with one thing wrong."""
    content = json.loads(body)
    change(content)
    return json.dumps(content).encode()


@contextmanager
def running(answer: Callable[[str, dict[str, str]], Answer]) -> Iterator[Station]:
    """Serve on a free loopback port until the block ends."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            headers = dict(self.headers.items())
            station.asked.append((self.path, headers))
            made = station.answer(self.path, headers)
            self.send_response(made.status)
            for name, value in {"Content-Length": str(len(made.body)), **made.headers}.items():
                self.send_header(name, value)
            self.end_headers()
            self.wfile.write(made.body)

        def log_message(self, *_: object) -> None:
            """Keep quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    station = Station(f"http://127.0.0.1:{server.server_port}", answer)
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        yield station
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
