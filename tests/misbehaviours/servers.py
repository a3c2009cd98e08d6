"""Servers on loopback that misbehave, each in one way, until nobody listens any more."""

import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

DRIP_S = 0.05  # between two bytes: no time-out for a read ever ends it
CHUNK = b"x" * 65_536


class Link:
    """One connection as the server sees it; what it could send is counted."""

    def __init__(self, server: "Server", connection: socket.socket) -> None:
        self._server = server
        self.socket = connection
        self._buffer = b""

    def says(self, data: bytes) -> None:
        """All of it, however slowly it is taken."""
        view = memoryview(data)
        while view and not self._server.over.is_set():
            with suppress(TimeoutError):
                sent = self.socket.send(view)
                self._server.sent += sent
                view = view[sent:]

    def drips(self, data: bytes = b"x") -> None:
        """A byte now and then, until the other side goes."""
        while not self._server.over.wait(DRIP_S):
            for n in range(len(data)):
                self.says(data[n : n + 1])

    def pours(self, data: bytes = CHUNK) -> None:
        """As fast as it is taken, without end."""
        while not self._server.over.is_set():
            self.says(data)

    def waits(self) -> None:
        """Nothing more, until the other side goes."""
        with suppress(OSError):
            while not self._server.over.is_set():
                with suppress(TimeoutError):
                    if not self.socket.recv(65_536):
                        return

    def line(self) -> bytes | None:
        """The next line that is sent to us; None at the end."""
        while b"\n" not in self._buffer:
            if not self._more():
                return None
        found, _, self._buffer = self._buffer.partition(b"\n")
        return found.strip()

    def request(self) -> None:
        """A whole HTTP request."""
        self.line()
        length = 0
        while head := self.line():
            name, _, value = head.partition(b":")
            if name.lower() == b"content-length":
                length = int(value)
        while len(self._buffer) < length and self._more():
            pass
        self._buffer = self._buffer[length:]

    def _more(self) -> bool:
        while not self._server.over.is_set():
            with suppress(TimeoutError):
                data = self.socket.recv(65_536)
                self._buffer += data
                return bool(data)
        return False


Act = Callable[[Link], None]


@dataclass(frozen=True)
class Misbehaviour:
    """What a server does with each connection.

    `status` is what a client has whole of an HTTP answer's head (None: no head at all), `whole` says that
    the body, too, comes to its end within any bound.
    """

    name: str
    act: Act
    status: int | None = None
    whole: bool = False
    accepts: bool = True
    certificate: bool = False  # its own, which nobody has reason to trust


@dataclass
class Server:
    """One that runs; how it misbehaves may change from one connection to the next."""

    port: int
    how: Misbehaviour
    asked: int = 0
    sent: int = 0
    over: threading.Event = field(default_factory=threading.Event)


@contextmanager
def misbehaving(how: Misbehaviour, context: ssl.SSLContext | None = None) -> Iterator[Server]:
    """Serve on a free loopback port until the block ends; nothing of it outlives the block."""
    with socket.create_server(("127.0.0.1", 0), backlog=64 if how.accepts else 0) as listening:
        server = Server(listening.getsockname()[1], how)
        threads: list[threading.Thread] = []
        fillers = [] if how.accepts else _fill(server.port)
        accepting = threading.Thread(target=_accept, args=(listening, server, context, threads))
        if how.accepts:
            accepting.start()
        try:
            yield server
        finally:
            server.over.set()
            for filler in fillers:
                filler.close()
            if how.accepts:
                accepting.join()
            for thread in threads:
                thread.join()


def _fill(port: int) -> list[socket.socket]:
    """Connections nobody accepts, so that the next one is not even begun."""
    found = []
    for _ in range(4):
        one = socket.socket()
        one.setblocking(False)
        one.connect_ex(("127.0.0.1", port))
        found.append(one)
    return found


def _accept(
    listening: socket.socket,
    server: Server,
    context: ssl.SSLContext | None,
    threads: list[threading.Thread],
) -> None:
    listening.settimeout(0.05)
    while not server.over.is_set():
        with suppress(TimeoutError):
            connection, _ = listening.accept()
            server.asked += 1
            thread = threading.Thread(target=_serve, args=(server, connection, server.how, context))
            thread.start()
            threads.append(thread)


def _serve(
    server: Server, connection: socket.socket, how: Misbehaviour, context: ssl.SSLContext | None
) -> None:
    connection.settimeout(0.2)
    with suppress(OSError), connection:
        if context is None or not how.certificate:
            how.act(Link(server, connection))
            return
        with context.wrap_socket(connection, server_side=True) as wrapped:
            how.act(Link(server, wrapped))
