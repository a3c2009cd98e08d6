"""Runs the application in a thread: a taken port is a clear error, and stopping does not hang."""

import asyncio
import errno
import resource
import socket
import threading
from contextlib import suppress
from dataclasses import dataclass, field, replace

import uvicorn
from fastapi import FastAPI

from monitor.model.errors import Fault, InputError
from monitor.web.doors import BoundedProtocol, DoorConfig, DoorLimits, Doors, counted_apart
from monitor.web.live import Stopping

SHARE_OF_FILES = 3
ACCEPTED_AT_ONCE = 128  # before they are looked at: each takes an open file
START_S = 20.0
GRACE_S = 5
LOOK_EVERY_S = 1.0


@dataclass
class Server:
    """A running web server; `url` is where it answers."""

    host: str
    port: int
    _uvicorn: uvicorn.Server = field(repr=False)
    _thread: threading.Thread = field(repr=False)
    _loop: list[asyncio.AbstractEventLoop] = field(repr=False)
    _stopping: Stopping = field(repr=False)
    _doors: Doors = field(repr=False)

    def is_asked(self) -> bool:
        """Whether an answer is being made; for any thread."""
        return self._doors.asked()

    @property
    def url(self) -> str:
        """The address to open."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        shown = {"0.0.0.0": "127.0.0.1", "[::]": "[::1]"}.get(host, host)
        return f"http://{shown}:{self.port}"

    def stop(self) -> None:
        """End open streams, finish running requests, and wait until the thread is done."""
        if self._thread.is_alive():
            self._uvicorn.should_exit = True
            self._loop[0].call_soon_threadsafe(self._stopping.event.set)
            self._thread.join(GRACE_S + 5)


class _Calm(uvicorn.Server):
    """Looks around once a second and when it is to stop: ten times was a quarter of an idle shop's cost."""

    stopping: Stopping

    async def main_loop(self) -> None:
        """Until it is told to exit; each look dates the answers anew."""
        while not await self.on_tick(0):
            with suppress(TimeoutError):
                await asyncio.wait_for(self.stopping.event.wait(), LOOK_EVERY_S)


def door_limits() -> DoorLimits:
    """The usual limits, fewer connections where the process may open few files; most are left to the rest."""
    may_open, _ = resource.getrlimit(resource.RLIMIT_NOFILE)
    usual = DoorLimits()
    share = may_open // SHARE_OF_FILES if may_open != resource.RLIM_INFINITY else usual.connections
    return replace(usual, connections=min(usual.connections, share))


def serve(app: FastAPI, host: str, port: int, limits: DoorLimits | None = None) -> Server:
    """Start serving on host and port (0: any free one); InputError where that cannot be had."""
    listener = _bind(host, port)
    config = DoorConfig(
        app,
        http=BoundedProtocol,
        ws="none",
        forwarded_allow_ips=sorted(app.state.proxies),
        backlog=ACCEPTED_AT_ONCE,
        log_config=None,  # its lines go where ours go, and are as few
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=GRACE_S,
        server_header=False,
        date_header=True,
    )
    config.doors = Doors(limits or door_limits(), counted_apart(app.state.proxies))
    server = _Calm(config)
    server.stopping = app.state.stopping
    loop: list[asyncio.AbstractEventLoop] = []
    started = threading.Event()

    async def run() -> None:
        loop.append(asyncio.get_running_loop())
        asyncio.get_running_loop().call_soon(started.set)
        watch = asyncio.create_task(config.doors.watch())
        await server.serve(sockets=[listener])
        watch.cancel()

    thread = threading.Thread(target=lambda: asyncio.run(run()), name="web", daemon=True)
    thread.start()
    started.wait(START_S)
    return Server(
        host, int(listener.getsockname()[1]), server, thread, loop, app.state.stopping, config.doors
    )


def check_port(host: str, port: int) -> None:
    """Raise InputError where serving on host and port would fail now."""
    _bind(host, port).close()


def _bind(host: str, port: int) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    # Only where the protocol is named asyncio sets TCP_NODELAY; else a kept-open connection waits 40 ms.
    listener = socket.socket(family, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listener.bind((host, port))
        listener.listen(2048)
    except (OSError, OverflowError) as error:
        listener.close()
        raise InputError([_fault(host, port, error)]) from error
    return listener


def _fault(host: str, port: int, error: Exception) -> Fault:
    if isinstance(error, OSError) and error.errno == errno.EADDRINUSE:
        return Fault("web.port", str(port), "another program holds it; choose another, or 0 for any free one")
    if isinstance(error, OSError) and error.errno == errno.EACCES:
        return Fault("web.port", str(port), "needs more rights than this user has; choose one above 1023")
    return Fault("web.host", host, f"cannot be listened on: {error}; use 127.0.0.1 or 0.0.0.0")
