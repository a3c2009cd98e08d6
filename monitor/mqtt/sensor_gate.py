"""The gate before the embedded broker: log-ins, topics, and how many connections may be held for how long.

The broker itself knows one log-in, no access list, and waits for whoever connects and says nothing. It
listens on this machine alone, with a password of the moment; what comes from elsewhere passes here.
"""

import asyncio
import contextlib
import logging
import socket
import ssl
import threading
from collections import Counter
from collections.abc import Mapping

from monitor.clock import monotonic_s
from monitor.model.payload import PASSED_ON_BYTES
from monitor.mqtt.admission import Admission
from monitor.mqtt.packets import (
    AUTH,
    CONNECT,
    PUBLISH,
    SUBSCRIBE,
    Cursor,
    Login,
    PacketError,
    Publication,
    asked_filters,
    number,
    refused_filters,
    refused_login,
    refused_message,
)

MOST_CONNECTIONS = 400
MOST_BY_ADDRESS = 100  # a gateway, or many sensors behind one
MOST_CONNECT_BYTES = 16_384
MOST_PACKET_BYTES = PASSED_ON_BYTES + 65_600  # with the longest topic there can be
HEAD_S = 10.0  # from the connection to a whole CONNECT, encryption included
PACKET_S = 30.0  # from a packet's first byte to its last, and until somebody takes what is sent
IDLE_S = 3_600.0  # of a client that asks for no keep-alive
LOOK_EVERY_S = 2.0  # how soon a revoked log-in is cut off
START_S = 10.0
PART_BYTES = 65_536

log = logging.getLogger(__name__)


class Passage:
    """One connection: who it is, since when it waits, and both its ends."""

    def __init__(self, address: str, near: asyncio.StreamWriter) -> None:
        self.address = address
        self.near = near
        self.since_s = monotonic_s()
        self.login: str | None = None
        self.let_in = False
        self.level = 0
        self.aliases: dict[int, str] = {}

    def end(self) -> None:
        """Close it at once."""
        self.near.transport.abort()


class SensorGate:
    """Runs on a thread of its own. `inside` says by protocol level where the broker listens."""

    def __init__(
        self,
        admission: Admission,
        inside: Mapping[int, tuple[str, int]],
        inner_login: tuple[str, str],
        tls: ssl.SSLContext | None,
    ) -> None:
        self._admission = admission
        self._inside = inside
        self._inner_login = inner_login
        self._tls = tls
        self._open: dict[Passage, None] = {}
        self._by_address: Counter[str] = Counter()
        self._tasks: set[asyncio.Task[None]] = set()
        self._loop = asyncio.new_event_loop()
        self._thread: threading.Thread | None = None
        self.counts: Counter[str] = Counter()  # refused, by why

    def start(self, sockets: list[socket.socket]) -> None:
        """Listen on these."""
        ready = threading.Event()
        self._thread = threading.Thread(
            target=self._run, args=(sockets, ready), name="broker-gate", daemon=True
        )
        self._thread.start()
        ready.wait(START_S)

    def stop(self) -> None:
        """End every connection and the thread."""
        if self._thread is not None and self._thread.is_alive():
            self._loop.call_soon_threadsafe(self._stop.set)
            self._thread.join(START_S)
        self._thread = None

    @property
    def is_alive(self) -> bool:
        """Whether it still listens."""
        return self._thread is not None and self._thread.is_alive()

    def _run(self, sockets: list[socket.socket], ready: threading.Event) -> None:
        self._stop = asyncio.Event()
        try:
            self._loop.run_until_complete(self._serve(sockets, ready))
        finally:
            self._loop.close()

    async def _serve(self, sockets: list[socket.socket], ready: threading.Event) -> None:
        tls, head_s = self._tls, None if self._tls is None else HEAD_S
        servers = [
            await asyncio.start_server(
                self._take, sock=one, limit=PART_BYTES, ssl=tls, ssl_handshake_timeout=head_s
            )
            for one in sockets
        ]
        ready.set()
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._stop.wait(), LOOK_EVERY_S)
            cut_off = self._admission.look()
            for one in [one for one in self._open if one.login in cut_off]:
                one.end()
        for server in servers:
            server.close()
        await asyncio.sleep(0)  # who was just taken is among those that there are
        for one in list(self._open):
            one.end()
        for task in list(self._tasks):
            task.cancel()
        await asyncio.gather(*self._tasks, return_exceptions=True)

    def _take(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Not a coroutine: one that is cancelled before it began would leave its connection open."""
        passage = Passage(str((writer.get_extra_info("peername") or ("",))[0]), writer)
        if not self._has_room(passage):
            self.counts["no room"] += 1
            passage.end()
            return
        self._open[passage] = None
        self._by_address[passage.address] += 1
        task = asyncio.create_task(self._hold(passage, reader))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _hold(self, passage: Passage, reader: asyncio.StreamReader) -> None:
        try:
            await self._pass(passage, reader)
        except (PacketError, OSError, EOFError, TimeoutError) as error:
            self.counts[type(error).__name__] += 1
        except Exception:  # loop border: one connection must not end the others
            log.exception("the broker's gate met a defect")
        finally:
            self._open.pop(passage, None)
            self._by_address[passage.address] -= 1
            if not self._by_address[passage.address]:
                del self._by_address[passage.address]
            passage.end()

    def _has_room(self, one: Passage) -> bool:
        """Room, if need be that of whoever has waited longest without a log-in."""
        crowded = self._by_address[one.address] >= MOST_BY_ADDRESS
        if not crowded and len(self._open) < MOST_CONNECTIONS:
            return True
        waiting = [
            held for held in self._open if not held.let_in and (not crowded or held.address == one.address)
        ]
        if not waiting:
            return False
        oldest = min(waiting, key=lambda held: held.since_s)
        self._open.pop(oldest)
        oldest.end()
        return True

    async def _pass(self, passage: Passage, reader: asyncio.StreamReader) -> None:
        async with asyncio.timeout(HEAD_S):
            first = await reader.readexactly(1)
            if first[0] >> 4 != CONNECT:
                raise PacketError("it begins with no CONNECT")
            login = Login((await _packet(reader, MOST_CONNECT_BYTES, first))[1])
            if not self._admits(login):
                self.counts["log-in"] += 1
                passage.near.write(refused_login(login.level))
                await passage.near.drain()
                return
            far_reader, far = await asyncio.open_connection(*self._inside[login.level], limit=PART_BYTES)
        passage.login, passage.level, passage.let_in = login.username, login.level, True
        client_id = login.username if self._admission.enrolled else None
        far.write(login.written(*self._inner_login, client_id))
        idle_s = 1.5 * login.keepalive_s or IDLE_S
        back = asyncio.create_task(self._answers(far_reader, passage.near))
        there = asyncio.create_task(self._messages(passage, reader, far, idle_s))
        try:
            done, _ = await asyncio.wait({back, there}, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            far.transport.abort()  # before anything is waited for: a wait may be ended itself
            for task in (back, there):
                task.cancel()
            await asyncio.gather(back, there, return_exceptions=True)

    def _admits(self, login: Login) -> bool:
        if not self._admission.admits(login.username, login.password):
            return False
        return login.will_topic is None or self._admission.may_write(login.username, login.will_topic)

    async def _answers(self, far_reader: asyncio.StreamReader, near: asyncio.StreamWriter) -> None:
        """What the broker says goes out as it is; who takes none of it is not waited for."""
        while data := await far_reader.read(PART_BYTES):
            near.write(data)
            async with asyncio.timeout(PACKET_S):
                await near.drain()

    async def _messages(
        self, passage: Passage, reader: asyncio.StreamReader, far: asyncio.StreamWriter, idle_s: float
    ) -> None:
        while True:
            async with asyncio.timeout(idle_s):
                first = await reader.readexactly(1)
            async with asyncio.timeout(PACKET_S):
                head, body = await _packet(reader, MOST_PACKET_BYTES, first)
                answer = self._refusal(passage, head, body)
                if answer is None:
                    far.write(bytes((head,)) + number(len(body)) + body)
                    await far.drain()
                elif answer:
                    passage.near.write(answer)
                    await passage.near.drain()

    def _refusal(self, passage: Passage, head: int, body: bytes) -> bytes | None:
        """What is answered in the broker's place; None: it may have it."""
        kind, login, level = head >> 4, passage.login, passage.level
        if kind in (CONNECT, AUTH):
            raise PacketError("a second log-in")
        if kind == PUBLISH:
            message = Publication(head, body, level, passage.aliases)
            if self._admission.may_write(login, message.topic):
                return None
            self._say(f"{login} may not write to {message.topic}")
            answer = refused_message(message, level)
            if answer is None:
                raise PacketError("a message that may not go there")
            return answer
        if kind == SUBSCRIBE:
            mid, asked = asked_filters(body, level)
            if all(self._admission.may_read(login, one) for one in asked):
                return None
            self._say(f"{login} may not read {', '.join(asked)}")
            return refused_filters(mid, len(asked), level)
        return None

    def _say(self, what: str) -> None:
        self.counts["topic"] += 1
        log.warning("the broker's access list: %s", what)


async def _packet(reader: asyncio.StreamReader, most: int, first: bytes) -> tuple[int, bytes]:
    """The packet that begins with this byte, and its body; PacketError where it is longer than `most`."""
    length = b""
    while not length or length[-1] & 0x80:
        length += await reader.readexactly(1)
        if len(length) > 4:
            raise PacketError("a length of more than four bytes")
    size = Cursor(length).number()
    if size > most:
        raise PacketError(f"a packet of {size} bytes")
    return first[0], await reader.readexactly(size)
