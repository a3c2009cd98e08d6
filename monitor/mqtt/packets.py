"""As much of MQTT's packets as a gate reads (MQTT 3.1.1 and 5): log-ins, topics, and how to refuse."""

import struct
from collections.abc import Iterator

CONNECT, PUBLISH, SUBSCRIBE = 1, 3, 8
AUTH = 15
V3, V5 = 4, 5
NOT_AUTHORISED = 0x87  # MQTT 5, 2.4
REFUSED_V3 = 5  # of a CONNECT: not authorized (MQTT 3.1.1, 3.2.2.3)
FAILURE_V3 = 0x80  # of a SUBSCRIBE
_TOPIC_ALIAS = 0x23
# By property of a PUBLISH, how long it is; 0: it says itself how long (MQTT 5, 2.2.2.2).
_SIZES = {0x01: 1, 0x02: 4, 0x03: 0, 0x08: 0, 0x09: 0, 0x23: 2}
_USER_PROPERTY = 0x26


class PacketError(ValueError):
    """Bytes that are not what the protocol says."""


def string(data: bytes) -> bytes:
    """A string or binary data with its length before it."""
    return struct.pack(">H", len(data)) + data


def number(value: int) -> bytes:
    """A variable byte integer."""
    out = bytearray()
    while True:
        value, low = value >> 7, value & 0x7F
        out.append(low | 0x80 if value else low)
        if not value:
            return bytes(out)


def packet(head: int, body: bytes) -> bytes:
    """A whole packet; `head` is its first byte."""
    return bytes((head,)) + number(len(body)) + body


class Cursor:
    """Reads a packet's body from its beginning; PacketError where it ends too early."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.at = 0

    def take(self, count: int) -> bytes:
        """The next so many bytes."""
        end = self.at + count
        if end > len(self._data):
            raise PacketError("it ends too early")
        part, self.at = self._data[self.at : end], end
        return part

    def whole(self, size: int) -> int:
        """The next number of so many bytes."""
        return int.from_bytes(self.take(size), "big")

    def string(self) -> bytes:
        """The next string or binary data."""
        return self.take(self.whole(2))

    def number(self) -> int:
        """The next variable byte integer."""
        value = 0
        for shift in (0, 7, 14, 21):
            byte = self.take(1)[0]
            value |= (byte & 0x7F) << shift
            if not byte & 0x80:
                return value
        raise PacketError("a length of more than four bytes")

    def properties(self) -> bytes:
        """The next properties, with their length left off."""
        return self.take(self.number())

    @property
    def left(self) -> bool:
        """Whether more follows."""
        return self.at < len(self._data)


class Login:
    """What a CONNECT says; `written` writes it anew, for whoever is to stand in it."""

    def __init__(self, body: bytes) -> None:
        read = Cursor(body)
        if read.string() != b"MQTT":
            raise PacketError("it is no MQTT")
        self.level = read.whole(1)
        if self.level not in (V3, V5):
            raise PacketError(f"it speaks version {self.level}")
        self._flags = read.whole(1)
        self.keepalive_s = read.whole(2)
        self._properties = read.properties() if self.level == V5 else b""
        self.client_id = _text(read.string())
        self._will_properties = self._will = b""
        self.will_topic: str | None = None
        if self._flags & 0x04:
            self._will_properties = read.properties() if self.level == V5 else b""
            self.will_topic = _text(read.string())
            self._will = read.string()
        self.username = _text(read.string()) if self._flags & 0x80 else None
        self.password = _text(read.string()) if self._flags & 0x40 else None

    def written(self, username: str, password: str, client_id: str | None) -> bytes:
        """The packet with this log-in; with its own client id where none is given."""
        body = string(b"MQTT") + bytes((self.level, self._flags | 0xC0)) + struct.pack(">H", self.keepalive_s)
        if self.level == V5:
            body += number(len(self._properties)) + self._properties
        body += string((self.client_id if client_id is None else client_id).encode())
        if self.will_topic is not None:
            if self.level == V5:
                body += number(len(self._will_properties)) + self._will_properties
            body += string(self.will_topic.encode()) + string(self._will)
        return packet(CONNECT << 4, body + string(username.encode()) + string(password.encode()))


def _text(data: bytes) -> str:
    try:
        return data.decode()
    except UnicodeDecodeError as error:
        raise PacketError("a name that is not UTF-8") from error


class Publication:
    """Where a PUBLISH goes. `aliases` are the connection's own, by number, and are kept up."""

    def __init__(self, head: int, body: bytes, level: int, aliases: dict[int, str]) -> None:
        read = Cursor(body)
        self.qos = head >> 1 & 3
        self.topic = _text(read.string())
        self.mid = read.take(2) if self.qos else b""
        alias = _alias(read.properties()) if level == V5 else 0
        if alias and self.topic:
            aliases[alias] = self.topic
        elif alias:
            self.topic = aliases.get(alias, "")
        if not self.topic or self.qos > 2:
            raise PacketError("a message without a topic")


def _alias(properties: bytes) -> int:
    """The topic alias among the properties of a message; 0 where there is none."""
    read, alias = Cursor(properties), 0
    while read.left:
        kind = read.whole(1)
        if kind == _TOPIC_ALIAS:
            alias = read.whole(2)
        elif kind == _USER_PROPERTY:
            read.string()
            read.string()
        elif kind in _SIZES:
            read.take(_SIZES[kind] or read.whole(2))
        else:
            raise PacketError(f"a property 0x{kind:02x} of a message")
    return alias


def asked_filters(body: bytes, level: int) -> tuple[bytes, tuple[str, ...]]:
    """The packet identifier and the topic filters of a SUBSCRIBE."""
    read = Cursor(body)
    mid = read.take(2)
    if level == V5:
        read.properties()
    return mid, tuple(_filters(read))


def _filters(read: Cursor) -> Iterator[str]:
    while read.left:
        yield _text(read.string())
        read.take(1)


def refused_login(level: int) -> bytes:
    """A CONNACK that lets nobody in."""
    return packet(0x20, bytes((0, NOT_AUTHORISED, 0)) if level == V5 else bytes((0, REFUSED_V3)))


def refused_message(message: Publication, level: int) -> bytes | None:
    """What is answered to a message that may not go there; None: MQTT 3.1.1 has no such word at QoS 2."""
    if message.qos == 0:
        return b""
    if level == V5:
        return packet(0x40 if message.qos == 1 else 0x50, message.mid + bytes((NOT_AUTHORISED,)))
    return packet(0x40, message.mid) if message.qos == 1 else None


def refused_filters(mid: bytes, count: int, level: int) -> bytes:
    """A SUBACK that grants nothing."""
    codes = bytes((NOT_AUTHORISED if level == V5 else FAILURE_V3,)) * count
    return packet(0x90, mid + (b"\x00" if level == V5 else b"") + codes)
