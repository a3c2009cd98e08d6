"""The client's connection, read in large pieces: what is published is taken out, the rest is the client's.

The client library asks the network three times for each packet, and once more to acknowledge it. A message
of QoS 0 or 1 has no more to it than a topic, an identifier and a payload, so those are read here and
acknowledged many at once; the session, the log-in, keeping alive and publishing stay with the library.
"""

import ssl
import struct
from collections.abc import Sequence
from typing import Any

import paho.mqtt.client as mqtt

PIECE_BYTES = 65_536
MAX_PACKET_BYTES = 1_048_576  # asked of a broker of MQTT 5; what any sends beyond it is let go by unread
_PUBLISH_MASK, _PUBLISH_QOS_0, _PUBLISH_QOS_1 = (
    0xF6,
    0x30,
    0x32,
)  # kind and QoS, without "again" and "retained"
_RETAINED = 0x01
_WAIT = (BlockingIOError, ssl.SSLWantReadError, ssl.SSLWantWriteError)

Published = tuple[bytes, bytes, int, bool]  # topic, payload, identifier (0: QoS 0), retained


class PacketSocket:
    """Stands for the socket in a client of one network thread; order is kept, in and out."""

    def __init__(self, sock: Any, *, is_5: bool) -> None:
        self._sock = sock
        self._is_5 = is_5
        self._pieces: list[bytes] = []  # of a packet that is not whole yet, after `_data`
        self._data, self._at = b"", 0
        self._missing = 1  # bytes until the next packet may be whole
        self._room = self._beyond = 0  # of those, how many more are kept first, and then let go by
        self._others = bytearray()  # packets that are the client's
        self._out = bytearray()
        self._failed: OSError | None = None
        self._ended = False

    # --- what the client asks of a socket ---

    def recv(self, size: int) -> bytes:
        """What is the client's; BlockingIOError where nothing waits, as a socket says it."""
        if self._others:
            part = bytes(self._others[:size])
            del self._others[:size]
            return part
        if self._failed is not None:
            raise self._failed
        if self._ended:
            return b""
        raise BlockingIOError

    def send(self, data: bytes | bytearray) -> int:
        """Take all of it; what the network does not take now goes out by `write`."""
        self._out += data
        self.write()
        if self._failed is not None:
            raise self._failed
        return len(data)

    def fileno(self) -> int:
        """The socket's number, for a selector."""
        return int(self._sock.fileno())

    def setblocking(self, flag: bool) -> None:
        """As the socket's."""
        self._sock.setblocking(flag)

    def close(self) -> None:
        """As the socket's."""
        self._sock.close()

    def pending(self) -> int:
        """Whether bytes wait here that no selector will tell of."""
        held = self._sock.pending() if hasattr(self._sock, "pending") else 0
        return int(held) + (self._missing == 0)

    # --- what the link does ---

    def fill(self) -> bool:
        """Read what the network has; False where there was nothing more."""
        if self._failed is not None or self._ended:
            return False
        try:
            piece = self._sock.recv(PIECE_BYTES)
        except _WAIT:
            return False
        except OSError as error:
            self._failed = error
            return False
        self._ended = not piece
        self._missing -= len(piece)
        self._pieces.append(self._kept(piece) if self._beyond else piece)
        if self._missing <= 0:
            self._data, self._at = b"".join((self._data[self._at :], *self._pieces)), 0
            self._pieces.clear()
            self._missing = 0
        return not self._ended

    def _kept(self, piece: bytes) -> bytes:
        """What is kept of a piece while a packet that is too long comes in."""
        begin = min(self._room, len(piece))
        end = min(begin + self._beyond, len(piece))
        self._room -= begin
        self._beyond -= end - begin
        return piece[:begin] + piece[end:]

    @property
    def is_for_client(self) -> bool:
        """Whether the client is to read: a packet of another kind, or the end of the connection."""
        return bool(self._others) or ((self._failed is not None or self._ended) and self._missing > 0)

    def published(self) -> Published | None:
        """The next message; None where none is whole, or the client has to read what came before it."""
        if self._others or self._missing:
            return None
        data, at = self._data, self._at
        body, length = _length(data, at + 1)
        end = body + length if body >= 0 else len(data)
        beyond = max(end - at - MAX_PACKET_BYTES, 0)
        end -= beyond
        if not body or end > len(data):
            self._room, self._beyond = max(end - len(data), 1), beyond
            self._missing = self._room + beyond
            return None
        self._at = end
        message = self._message(data[at], data, body, end)
        if message is None and beyond:
            self._failed, self._missing = OSError(f"a packet of {end - at + beyond} bytes"), 1
        elif message is None:
            self._others += data[at:end]  # of another kind, or broken, which the client says to the broker
        return message

    def _message(self, head: int, data: bytes, body: int, end: int) -> Published | None:
        """The message of QoS 0 or 1 that a packet holds; None where it holds none, or a broken one."""
        protected = 2 if head & _PUBLISH_MASK == _PUBLISH_QOS_1 else 0
        if not 0 < body <= end - 2 or not (protected or head & _PUBLISH_MASK == _PUBLISH_QOS_0):
            return None
        topic_end = body + 2 + (data[body] << 8 | data[body + 1])
        start = topic_end + protected
        if self._is_5:
            after, size = _length(data, start)
            start = after + size if after > 0 else end + 1
        if start > end or (topic_end == body + 2 and not self._is_5):
            return None
        mid = data[topic_end] << 8 | data[topic_end + 1] if protected else 0
        return data[body + 2 : topic_end], data[start:end], mid, bool(head & _RETAINED)

    def acknowledge(self, mids: Sequence[int]) -> None:
        """Tell the broker of messages of QoS 1, in one go (MQTT 5, 3.4; without a reason it is success)."""
        if mids:
            self._out += b"".join([_ACKNOWLEDGED(0x40, 2, mid) for mid in mids])
            self.write()

    def write(self) -> None:
        """Send what waits, as far as the network takes it; what fails, the client hears as it reads."""
        if self._failed is not None:
            self._out.clear()
        while self._out:
            try:
                sent = self._sock.send(self._out)
            except _WAIT:
                return
            except OSError as error:
                self._failed = error
                return
            del self._out[:sent]

    @property
    def unsent(self) -> bool:
        """Whether something waits for the network."""
        return bool(self._out)


_ACKNOWLEDGED = struct.Struct("!BBH").pack


def _length(data: bytes, at: int) -> tuple[int, int]:
    """Where what follows a variable byte integer begins, and the integer.

    Where it is not whole yet the first is 0, and where it has more than four bytes, which none has, -1.
    """
    value = shift = 0
    for n, byte in enumerate(data[at : at + 4], start=at + 1):
        value |= (byte & 0x7F) << shift
        if byte < 0x80:
            return n, value
        shift += 7
    return (-1, 0) if len(data) >= at + 4 else (0, 0)


class LinkClient(mqtt.Client):
    """The client library's client on such connections."""

    def _create_socket(self) -> Any:
        return PacketSocket(super()._create_socket(), is_5=self.protocol == mqtt.MQTTv5)
