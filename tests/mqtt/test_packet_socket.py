"""What is read in large pieces is what the client library reads packet by packet, in any pieces."""

import socket
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import client as paho
from paho.mqtt._packet import decode_publish
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.model.payload import MAX_PAYLOAD_BYTES
from monitor.mqtt.packet_socket import MAX_PACKET_BYTES, PIECE_BYTES, PacketSocket, Published
from monitor.mqtt.packets import number, packet, string

PROTOCOLS = {True: paho.MQTTv5, False: paho.MQTTv311}
OTHERS = st.sampled_from(
    [
        packet(0x20, b"\x01\x00\x00"),  # CONNACK
        packet(0x40, b"\x00\x07"),  # PUBACK
        packet(0x90, b"\x00\x01\x00\x01"),  # SUBACK
        packet(0xD0, b""),  # PINGRESP
        packet(0x34, string(b"yard/x") + b"\x00\x09" + b"\x00" + b"7"),  # a PUBLISH of QoS 2
    ]
)


def properties(expiry_s: int, text: str) -> bytes:
    """A message's properties as the client library writes them."""
    found = Properties(PacketTypes.PUBLISH)
    found.MessageExpiryInterval = expiry_s
    found.UserProperty = ("where", text)
    return bytes(found.pack())


@st.composite
def publications(draw: st.DrawFn, is_5: bool) -> bytes:
    """A PUBLISH of QoS 0 or 1."""
    protected = draw(st.booleans())
    head = 0x30 | protected << 1 | draw(st.booleans()) | (draw(st.booleans()) & protected) << 3
    body = string(draw(st.text(min_size=1, max_size=20)).encode("utf-8", "ignore") or b"yard")
    if protected:
        body += draw(st.integers(1, 65_535)).to_bytes(2, "big")
    if is_5:
        given = draw(st.none() | st.tuples(st.integers(0, 2**32 - 1), st.text("abc", max_size=200)))
        body += b"\x00" if given is None else properties(*given)
    return packet(head, body + draw(st.binary(max_size=300)))


def as_the_library(data: bytes, is_5: bool) -> Published:
    """The library's own reading of a whole PUBLISH."""
    body = data[2:] if data[1] < 0x80 else data[3:]
    found = decode_publish(data[0], body, PROTOCOLS[is_5])
    return found.topic, found.payload, found.mid, found.retain


@contextmanager
def connected(*, is_5: bool) -> Iterator[tuple[socket.socket, PacketSocket]]:
    """A broker's end and ours of one real connection."""
    broker, ours = socket.socketpair()
    with broker, ours:
        ours.setblocking(False)
        yield broker, PacketSocket(ours, is_5=is_5)


def read_out(wire: PacketSocket, seen: list[Published | bytes]) -> None:
    """All that can be read now, the client's packets in their place among the messages."""
    while True:
        message = wire.published()
        if message is not None:
            seen.append(message)
        elif wire.is_for_client:
            seen.append(wire.recv(1_000_000))
        elif not wire.fill():
            return


@st.composite
def streams(draw: st.DrawFn) -> tuple[bool, list[bytes], list[int]]:
    """A version, packets, and where their bytes are cut."""
    is_5 = draw(st.booleans())
    packets = draw(st.lists(OTHERS | publications(is_5), max_size=12))
    cuts = draw(st.lists(st.integers(0, sum(map(len, packets))), max_size=12))
    return is_5, packets, sorted(cuts)


@given(streams())
def test_in_any_pieces_every_packet_is_read_as_the_library_reads_it_and_in_order(
    given_: tuple[bool, list[bytes], list[int]],
) -> None:
    is_5, packets, cuts = given_
    whole = b"".join(packets)
    seen: list[Published | bytes] = []
    with connected(is_5=is_5) as (broker, wire):
        for begin, end in zip([0, *cuts], [*cuts, len(whole)], strict=True):
            broker.sendall(whole[begin:end])
            read_out(wire, seen)
    wanted = [as_the_library(one, is_5) if one[0] & 0xF6 in (0x30, 0x32) else one for one in packets]
    assert seen == wanted


BROKEN = {
    "a topic longer than its packet": packet(0x32, b"\x00\x40yard\x00\x01"),
    "no room for an identifier": packet(0x32, string(b"yard") + b"\x01"),
    "no topic at all": packet(0x30, b"\x00"),
    "properties longer than their packet": packet(0x32, string(b"yard") + b"\x00\x01" + number(90) + b"\x01"),
    "no properties": packet(0x30, string(b"yard")),
    "a length of five bytes": b"\x30\x80\x80\x80\x80\x01",
}


@pytest.mark.parametrize("name", BROKEN)
def test_a_broken_message_is_given_to_the_client_which_ends_the_connection(name: str) -> None:
    seen: list[Published | bytes] = []
    after = packet(0xD0, b"")
    with connected(is_5=True) as (broker, wire):
        broker.sendall(BROKEN[name] + after)
        read_out(wire, seen)
    assert b"".join(one for one in seen if isinstance(one, bytes)) == BROKEN[name] + after


def test_a_message_without_a_topic_is_broken_in_mqtt_3_and_an_alias_in_mqtt_5() -> None:
    """MQTT 5 (OASIS, 2019), 3.3.2.1; this client allows no aliases, so none is known."""
    empty = packet(0x30, string(b"") + b"\x00")
    for is_5 in (False, True):
        seen: list[Published | bytes] = []
        with connected(is_5=is_5) as (broker, wire):
            broker.sendall(empty)
            read_out(wire, seen)
        assert seen == ([(b"", b"", 0, False)] if is_5 else [empty])


def test_the_end_of_the_connection_is_heard_after_what_came_before_it() -> None:
    seen: list[Published | bytes] = []
    with connected(is_5=False) as (broker, wire):
        broker.sendall(packet(0x30, string(b"yard") + b"7") + b"\x30\x10cut off")
        broker.close()
        while not seen or seen[-1] != b"":
            read_one(wire, seen)
        assert seen == [(b"yard", b"7", 0, False), b""]


@contextmanager
def traced() -> Iterator[Callable[[], int]]:
    """Tells the most memory that was held since it began, in bytes."""
    tracemalloc.start()
    try:
        yield lambda: tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def read_one(wire: PacketSocket, seen: list[Published | bytes]) -> None:
    message = wire.published()
    if message is not None:
        seen.append(message)
    elif wire.is_for_client:
        seen.append(wire.recv(100))
    else:
        wire.fill()


def test_acknowledgements_wait_for_a_network_that_takes_nothing_and_cut_no_packet_in_two() -> None:
    with connected(is_5=True) as (broker, wire):
        mids = [n % 65_535 + 1 for n in range(300_000)]
        for n in range(0, len(mids), 1_000):
            wire.acknowledge(mids[n : n + 1_000])
        assert wire.unsent
        wire.send(b"\xc0\x00")  # the client's ping comes after them, whole
        got = bytearray()
        while len(got) < 4 * len(mids) + 2:
            got += broker.recv(1_000_000)
            wire.write()
        assert not wire.unsent
    assert got == b"".join(b"\x40\x02" + mid.to_bytes(2, "big") for mid in mids) + b"\xc0\x00"


def test_a_connection_that_breaks_while_it_is_written_to_is_heard_as_it_is_read() -> None:
    with connected(is_5=True) as (broker, wire):
        broker.close()
        wire.acknowledge([1])
        while not wire.is_for_client:
            wire.fill()
        with pytest.raises(OSError, match=r"pipe|reset"):
            wire.recv(1)


def test_a_message_of_many_pieces_is_put_together_once() -> None:
    payload = bytes(range(256)) * 4_000
    with connected(is_5=False) as (broker, wire):
        whole = packet(0x30, string(b"yard") + payload)
        seen: list[Published | bytes] = []
        for begin in range(0, len(whole), 50_000):
            broker.sendall(whole[begin : begin + 50_000])
            read_out(wire, seen)
    assert seen == [(b"yard", payload, 0, False)]


@pytest.mark.parametrize("is_5", [True, False])
def test_of_a_message_that_is_too_long_only_the_beginning_is_held_and_what_follows_is_read(
    is_5: bool,
) -> None:
    """MQTT 3.1.1 knows no limit below 256 MB, and whoever may publish decides how much of it comes."""
    none = b"\x00" * is_5
    long = packet(0x32, string(b"yard") + b"\x00\x09" + none + b"7" * (9 * MAX_PACKET_BYTES))
    short = packet(0x32, string(b"yard") + b"\x00\x0a" + none + b"8")
    whole, at = short + long + short + packet(0xD0, b"") + long + short, 0
    seen: list[Published | bytes] = []
    with connected(is_5=is_5) as (broker, wire), traced() as most_bytes:
        broker.setblocking(False)
        while len(seen) < 6:
            if at < len(whole):
                with suppress(BlockingIOError):
                    at += broker.send(whole[at : at + PIECE_BYTES])
            read_out(wire, seen)
        held = most_bytes()
    sizes = [len(one[1]) if isinstance(one, tuple) else one for one in seen]
    cut = sizes[1]
    assert sizes == [1, cut, 1, packet(0xD0, b""), cut, 1]
    assert isinstance(cut, int)
    assert MAX_PAYLOAD_BYTES < cut < MAX_PACKET_BYTES
    assert held < 6 * MAX_PACKET_BYTES  # with the two that `seen` holds


def test_a_packet_of_another_kind_that_is_too_long_ends_the_connection() -> None:
    with connected(is_5=True) as (broker, wire):
        broker.setblocking(False)
        long, at = packet(0x90, b"\x00" * (2 * MAX_PACKET_BYTES)), 0
        while not wire.is_for_client:
            if at < len(long):
                with suppress(BlockingIOError):
                    at += broker.send(long[at : at + PIECE_BYTES])
            assert wire.published() is None
            wire.fill()
        with pytest.raises(OSError, match="a packet of 2097157 bytes"):
            wire.recv(1)
