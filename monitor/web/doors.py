"""Bounds what strangers can hold: connections in all and by address, slow requests, answers nobody takes.

Where all places are taken, a newcomer takes that of the connection that has waited longest without a whole
request, so that hoarded connections hold up nobody.
"""

import asyncio
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from ipaddress import ip_address, ip_network

from uvicorn import Config
from uvicorn.protocols.http.h11_impl import H11Protocol

LOOK_EVERY_S = 1.0
V6_OF_ONE = 64  # bits that one IPv6 network of a shop shares (RFC 6177): its addresses count as one


@dataclass(frozen=True, slots=True)
class DoorLimits:
    """How many at once, and how long each may take."""

    connections: int = 300
    by_address: int = 40
    head_s: float = 10.0  # until a whole request head is there, also on a connection kept open
    body_s: float = 30.0  # and then its body
    untaken_s: float = 30.0  # what was sent is taken by nobody


def plain_address(client: tuple[str, int] | None) -> str:
    """The address of a peer; an IPv4 address that comes by an IPv6 socket is written as IPv4."""
    if client is None:
        return ""
    try:
        found = ip_address(client[0].partition("%")[0])
    except ValueError:
        return client[0]
    return str(getattr(found, "ipv4_mapped", None) or found)


def address_of(client: tuple[str, int] | None) -> str:
    """What is counted as one sender."""
    address = plain_address(client)
    return str(ip_network((address, V6_OF_ONE), strict=False)) if ":" in address else address


def counted_apart(proxies: Iterable[object]) -> frozenset[str]:
    """Reverse proxies bring everybody's connections: their addresses have no bound of their own."""
    return frozenset(address_of((str(one), 0)) for one in proxies)


class Doors:
    """Every open connection of one server, in the order in which they came."""

    def __init__(self, limits: DoorLimits, proxies: frozenset[str]) -> None:
        self.limits = limits
        self._proxies = proxies
        self._open: dict[BoundedProtocol, None] = {}
        self._by_address: Counter[str] = Counter()

    def enter(self, one: "BoundedProtocol") -> bool:
        """Let a connection in, in the place of an idle one if need be; False: there is no room."""
        crowded = one.address not in self._proxies and self._by_address[one.address] >= self.limits.by_address
        full = len(self._open) >= self.limits.connections
        if crowded or full:
            near = (held for held in self._open if not crowded or held.address == one.address)
            oldest = min(
                (held for held in near if held.asks_nothing_yet), key=lambda held: held.since_s, default=None
            )
            if oldest is None:
                return False
            self.leave(oldest)
            oldest.transport.abort()
        self._open[one] = None
        self._by_address[one.address] += 1
        return True

    def leave(self, one: "BoundedProtocol") -> None:
        """A connection is over; that it was let in is not needed."""
        if one in self._open:
            del self._open[one]
            self._by_address[one.address] -= 1
            if not self._by_address[one.address]:
                del self._by_address[one.address]

    def asked(self) -> bool:
        """Whether an answer is being made that has not begun to go out; for any thread."""
        return any(held.is_asked for held in list(self._open))

    async def watch(self) -> None:
        """End what takes too long, until cancelled."""
        while True:
            await asyncio.sleep(LOOK_EVERY_S)
            for one in [held for held in self._open if held.overdue(self.limits)]:
                self.leave(one)
                one.transport.abort()


class DoorConfig(Config):
    """The server's configuration together with its doors."""

    doors: Doors


class BoundedProtocol(H11Protocol):
    """HTTP/1.1 on one connection that is let in, looked at and ended by the doors."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A connection came."""
        super().connection_made(transport)
        assert isinstance(self.config, DoorConfig)
        self.doors = self.config.doors
        self.address = address_of(self.client)
        # Who really speaks: a proxy's word on addresses is put into the request before the pages see it.
        self.app_state = {**self.app_state, "peer": plain_address(self.client)}
        self._turn(waits=True)
        self._untaken_since_s: float | None = None
        if not self.doors.enter(self):
            transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """It is over."""
        self.doors.leave(self)
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        """Answered; the next request may come."""
        self._turn(waits=True)
        super().on_response_complete()

    def _turn(self, *, waits: bool) -> None:
        self.waits, self.since_s = waits, self.loop.time()

    def handle_events(self) -> None:
        """Read on; a whole head ends the waiting."""
        before = self.cycle
        super().handle_events()
        if self.cycle is not before and not self.cycle.response_complete:
            self._turn(waits=False)

    @property
    def asks_nothing_yet(self) -> bool:
        """Whether no whole request is here: nobody is kept from an answer by ending it."""
        return self.waits or bool(self.cycle.more_body)

    @property
    def is_asked(self) -> bool:
        """Whether a whole request waits for its answer to begin; what is followed for long has begun."""
        return not self.asks_nothing_yet and not self.cycle.response_started

    def overdue(self, limits: DoorLimits) -> bool:
        """Whether head, body, or the taking of the answer has lasted too long."""
        now_s = self.loop.time()
        if not self.transport.get_write_buffer_size():
            self._untaken_since_s = None
        elif self._untaken_since_s is None:
            self._untaken_since_s = now_s
        elif now_s - self._untaken_since_s > limits.untaken_s:
            return True
        if self.waits:
            return now_s - self.since_s > limits.head_s
        return bool(self.cycle.more_body) and now_s - self.since_s > limits.body_s
