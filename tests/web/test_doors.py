"""Half-open, slow and hoarded connections, over real sockets: the pages go on answering."""

import os
import resource
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import requests

from monitor.model.picture import Picture
from monitor.web.app import create_app
from monitor.web.doors import DoorLimits, address_of
from monitor.web.live import MOST_OF_ONE, Followers
from monitor.web.server import Server, serve
from tests.web import sample

HEAD = b"GET /healthz HTTP/1.1\r\nHost: localhost\r\n"
WHOLE = HEAD + b"\r\n"
HALF_A_FORM = b"Content-Type: application/x-www-form-urlencoded\r\nContent-Length: 50\r\n\r\nwho="
PATIENCE_S = 60.0
FLOOD = 1_300
HOARD = """
import resource, socket, sys
_, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
resource.setrlimit(resource.RLIMIT_NOFILE, (min(hard, 4096), hard))
held = []
for number in range(int(sys.argv[2])):
    one = socket.create_connection(("127.0.0.1", int(sys.argv[1])), 60)
    if number % 2:
        one.sendall(b"GET / HTTP/1.1\\r\\nHost: loc")
    held.append(one)
print("held", flush=True)
sys.stdin.read()
"""


@contextmanager
def served(shop: sample.Shop, limits: DoorLimits) -> Iterator[Server]:
    site = serve(create_app(shop.deps), "127.0.0.1", 0, limits)
    try:
        yield site
    finally:
        site.stop()


def connect(site: Server, source: str = "127.0.0.1") -> socket.socket:
    return socket.create_connection(("127.0.0.1", site.port), PATIENCE_S, (source, 0))


def ended(one: socket.socket) -> bool:
    """Wait until the server has ended a connection; what it still says is passed over."""
    one.settimeout(PATIENCE_S)
    try:
        while one.recv(65_536):
            pass
    except TimeoutError:
        return False
    except ConnectionError:
        pass
    return True


def answers(one: socket.socket) -> bool:
    one.sendall(WHOLE)
    one.settimeout(PATIENCE_S)
    said = b""
    try:
        while not said.endswith(b"}"):
            part = one.recv(65_536)
            if not part:
                return False
            said += part
    except OSError:
        return False
    return said.startswith(b"HTTP/1.1 200")


def test_a_flood_of_open_sockets_stops_nothing_and_fills_no_log(tmp_path: Path) -> None:
    """As many open files as Linux gives a program by itself, and more sockets than that."""
    _, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard < FLOOD + 100:
        pytest.skip(f"this machine lets a program open {hard} files only")
    log = tmp_path / "log"
    start = f"ulimit -Sn 1024; exec {sys.executable} -m tests.web.sample {tmp_path / 'shop'} 0"
    with log.open("wb") as said, ExitStack() as stack:
        site = stack.enter_context(
            subprocess.Popen(["sh", "-c", start], stdout=subprocess.PIPE, stderr=said, text=True)
        )
        stack.callback(site.kill)
        assert site.stdout is not None
        url = site.stdout.readline().strip()
        command = [sys.executable, "-c", HOARD, url.rpartition(":")[2], str(FLOOD)]
        hoarder = stack.enter_context(
            subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        )
        stack.callback(hoarder.kill)
        assert hoarder.stdout is not None
        assert hoarder.stdout.readline() == "held\n"
        for _ in range(20):
            assert requests.get(url + "/healthz", timeout=PATIENCE_S).status_code == 200
        assert len(os.listdir(f"/proc/{site.pid}/fd")) < 700
    assert log.stat().st_size < 10_000


def test_a_head_or_body_that_never_ends_is_ended(shop: sample.Shop) -> None:
    body = b"POST /alarms HTTP/1.1\r\nHost: localhost\r\nContent-Length: 50\r\n\r\nwho="
    with served(shop, DoorLimits(head_s=0.5, body_s=0.5)) as site:
        for sent in (b"", b"G", HEAD, body):
            with connect(site) as one:
                one.sendall(sent)
                assert ended(one)


def test_dripping_letters_gain_no_time(shop: sample.Shop) -> None:
    with served(shop, DoorLimits(head_s=1.0)) as site, connect(site) as one:
        assert sends_until_ended(one, [bytes([letter]) for letter in HEAD * 30], 0.05)


def test_an_answer_that_nobody_takes_is_ended(shop: sample.Shop) -> None:
    many = b"GET /static/site.css HTTP/1.1\r\nHost: localhost\r\n\r\n" * 200
    with served(shop, DoorLimits(untaken_s=0.5)) as site, socket.socket() as one:
        one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4_096)
        one.settimeout(PATIENCE_S)
        one.connect(("127.0.0.1", site.port))
        assert sends_until_ended(one, [many] * 100, 0.1)


def sends_until_ended(one: socket.socket, parts: list[bytes], every_s: float) -> bool:
    """Send as slowly as that and take nothing; whether the server ended it."""
    try:
        for part in parts:
            one.sendall(part)
            time.sleep(every_s)
    except (ConnectionResetError, BrokenPipeError):
        return True
    return False


def test_a_newcomer_takes_the_place_of_the_longest_idle_and_never_of_one_who_is_served(
    shop: sample.Shop,
) -> None:
    with served(shop, DoorLimits(connections=6)) as site, ExitStack() as stack:
        follows = stack.enter_context(connect(site))
        follows.sendall(b"GET /live/now HTTP/1.1\r\nHost: localhost\r\n\r\n")
        assert follows.recv(100).startswith(b"HTTP/1.1 200")
        idle = [stack.enter_context(connect(site)) for _ in range(5)]
        idle[0].sendall(b"POST /alarms HTTP/1.1\r\nHost: localhost\r\n" + HALF_A_FORM)
        assert answers(idle[-1])
        late = stack.enter_context(connect(site))
        assert answers(late)
        assert answers(idle[-1])
        more = [stack.enter_context(connect(site)) for _ in range(3)]
        assert all(answers(one) for one in more)
        assert all(ended(one) for one in idle[:4])
        assert answers(idle[-1])
        follows.settimeout(PATIENCE_S)
        assert follows.recv(65_536)


def test_only_a_page_that_is_being_made_counts_as_asked(shop: sample.Shop) -> None:
    """What is idle, half sent or followed for hours must not hold up what stands back for pages."""
    inside, go_on, now = threading.Event(), threading.Event(), shop.deps.snapshot

    def slow() -> Picture:
        inside.set()
        go_on.wait(PATIENCE_S)
        return now()

    with ExitStack() as stack:
        site = serve(create_app(replace(shop.deps, snapshot=slow)), "127.0.0.1", 0)
        stack.callback(site.stop)
        stack.callback(go_on.set)
        half, asks = (stack.enter_context(connect(site)) for _ in range(2))
        half.sendall(b"POST /alarms HTTP/1.1\r\nHost: localhost\r\n" + HALF_A_FORM)
        assert not site.is_asked()
        asks.sendall(b"GET /api/now HTTP/1.1\r\nHost: localhost\r\n\r\n")
        inside.wait(PATIENCE_S)
        assert site.is_asked()
        go_on.set()
        asks.settimeout(PATIENCE_S)
        assert asks.recv(65_536).startswith(b"HTTP/1.1 200")
        follows = stack.enter_context(connect(site))
        follows.sendall(b"GET /live/now HTTP/1.1\r\nHost: localhost\r\n\r\n")
        follows.settimeout(PATIENCE_S)
        assert follows.recv(100).startswith(b"HTTP/1.1 200")
        assert not site.is_asked()


def test_one_address_takes_its_own_places_only(shop: sample.Shop) -> None:
    with served(shop, DoorLimits(by_address=3)) as site, ExitStack() as stack:
        others = stack.enter_context(connect(site, "127.0.0.3"))
        assert answers(others)
        idle = [stack.enter_context(connect(site, "127.0.0.2")) for _ in range(3)]
        assert all(answers(one) for one in idle)
        assert answers(stack.enter_context(connect(site, "127.0.0.2")))
        assert ended(idle[0])
        assert answers(others)


def test_who_follows_too_many_pages_ends_their_own_first(server: Server) -> None:
    ask = b"GET /live/other HTTP/1.1\r\nHost: localhost\r\n\r\n"
    with ExitStack() as stack:
        streams = []
        for _ in range(MOST_OF_ONE + 1):
            one = stack.enter_context(connect(server, "127.0.0.4"))
            one.sendall(ask)
            assert one.recv(100).startswith(b"HTTP/1.1 200")
            streams.append(one)
        streams[0].settimeout(PATIENCE_S)
        said = b""
        while not said.endswith(b"0\r\n\r\n"):  # a whole answer: the browser asks again by itself
            said += streams[0].recv(65_536)
        streams[-1].settimeout(PATIENCE_S)
        assert streams[-1].recv(65_536)


def test_places_to_follow_are_given_back_and_the_oldest_makes_room() -> None:
    followers = Followers(frozenset({"127.0.0.1"}), most=3, by_address=2)
    first, second = followers.enter("a"), followers.enter("a")
    third = followers.enter("a")
    assert (first.ended, second.ended, third.ended) == (True, False, False)
    own = [followers.enter("127.0.0.1") for _ in range(2)]  # a proxy of this machine: only the whole counts
    assert (second.ended, third.ended, own[0].ended) == (True, False, False)
    followers.leave(third)
    followers.leave(third)
    followers.enter("b")
    assert not own[0].ended


@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("192.0.2.1", "192.0.2.1", True),
        ("192.0.2.1", "192.0.2.2", False),
        ("192.0.2.1", "::ffff:192.0.2.1", True),
        ("2001:db8::1", "2001:db8::ffff:2", True),
        ("2001:db8::1", "2001:db8:0:1::1", False),
        ("fe80::1%eth0", "fe80::2", True),
    ],
)
def test_addresses_of_one_sender_are_counted_together(one: str, other: str, same: bool) -> None:
    assert (address_of((one, 1)) == address_of((other, 2))) is same
