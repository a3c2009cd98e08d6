"""What goes out has a total time and size: wishes (RFC 9110 10.2.3), redirects (RFC 6890), processes."""

import socket
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address

import pytest

from monitor.wire.apart import ApartError, ask_apart
from monitor.wire.http import HttpLimits, HttpRequest, NoAnswerError, UnusableAddressError, exchange
from monitor.wire.ration import OutOfTimeError, Ration, TooMuchError, in_time
from monitor.wire.sockets import may_lead_to
from monitor.wire.wishes import MOST_S, wish_s

ODD = ("\u00b2", "\u0661\u0662", "-5", "+5", "NaN", "inf", "1e300", "0x10", "soon", "", None)
NOW_S = 1_788_912_000.0  # 2026-09-09 00:00 UTC


@pytest.mark.parametrize(
    ("header", "seconds"),
    [
        ("120", 120.0),
        (" 120 ", 120.0),
        ("0", 0.0),
        ("1.5", 1.5),
        ("9" * 400, MOST_S),
        ("Wed, 09 Sep 2026 00:02:00 GMT", 120.0),
        ("Fri, 31 Dec 9999 23:59:59 GMT", MOST_S),
        ("Tue, 08 Sep 2026 23:59:00 GMT", None),  # gone by
        ("Mon, 01 Jan 0001 00:00:00 +2359", None),
        *((odd, None) for odd in ODD),
    ],
)
def test_a_wish_is_read_leniently_and_never_believed_beyond_a_day(
    header: str | None, seconds: float | None
) -> None:
    assert wish_s(header, NOW_S) == seconds


@pytest.mark.parametrize(
    ("address", "from_public", "may"),
    [
        ("127.0.0.1", False, False),
        ("127.9.9.9", False, False),
        ("::1", False, False),
        ("::ffff:127.0.0.1", False, False),
        ("169.254.169.254", False, False),
        ("fe80::1", False, False),
        ("::ffff:169.254.169.254", False, False),
        ("0.0.0.0", False, False),
        ("::", False, False),
        ("224.0.0.1", False, False),
        ("192.168.1.1", False, True),  # from one of the shop's own machines to another
        ("192.168.1.1", True, False),
        ("10.0.0.1", True, False),
        ("fd00::1", True, False),
        ("9.9.9.9", True, True),
        ("2620:fe::9", True, True),
        ("9.9.9.9", False, True),
    ],
)
def test_a_redirect_leads_outwards_only(address: str, from_public: bool, may: bool) -> None:
    """The special blocks are those of RFC 6890."""
    assert may_lead_to(ip_address(address), from_public) is may


def own_address() -> str | None:
    """An address of this machine that others reach; a datagram socket says it without sending anything."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
        except OSError:
            return None
        found = str(probe.getsockname()[0])
    return None if ip_address(found).is_loopback else found


def test_a_fetch_follows_a_redirect_that_leads_nowhere_forbidden_and_counts_them() -> None:
    address = own_address()
    if address is None:
        pytest.skip("this machine has no address but loopback")
    asked: list[str] = []

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            asked.append(self.path)
            place = {"/a": "/b", "/b": f"http://{address}:{port}/c", "/round": "/round"}.get(self.path)
            self.send_response(302 if place else 200)
            if place:
                self.send_header("Location", place)
            self.send_header("Content-Length", "2")
            self.end_headers()
            self.wfile.write(b"ok")

        def log_message(self, *_: object) -> None:
            """Keep quiet."""

    server = ThreadingHTTPServer((address, 0), Handler)
    port = server.server_port
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02})
    thread.start()
    try:
        limits = HttpLimits(10.0, 1_000, redirects=3)
        assert exchange(HttpRequest("GET", f"http://{address}:{port}/a"), limits).body == b"ok"
        assert asked == ["/a", "/b", "/c"]
        round_trip = exchange(HttpRequest("GET", f"http://{address}:{port}/round"), limits)
        assert (round_trip.status, asked.count("/round")) == (302, 4)
        once = exchange(HttpRequest("GET", f"http://{address}:{port}/a"), HttpLimits(10.0, 1_000))
        assert once.status == 302
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


@pytest.mark.parametrize("address", ["", "not an address", "ftp://127.0.0.1/", "http://", "http://[::1"])
def test_an_address_nobody_can_be_asked_at_is_told_apart_from_one_that_does_not_answer(address: str) -> None:
    with pytest.raises(UnusableAddressError):
        exchange(HttpRequest("GET", address), HttpLimits(2.0))


def test_a_name_that_means_nothing_is_no_answer() -> None:
    with pytest.raises(NoAnswerError):
        exchange(HttpRequest("GET", "http://no-such-host.invalid/"), HttpLimits(20.0))


def test_a_call_that_knows_no_time_out_is_left_behind_when_the_time_is_over() -> None:
    never = threading.Event()
    with Ration(0.1, 10) as ration:
        with pytest.raises(OutOfTimeError, match=r"longer than 0\.1 s"):
            in_time(never.wait, "look-up")
        with pytest.raises(OutOfTimeError):
            ration.left_s()
    never.set()


def test_what_a_call_raises_is_raised_and_bytes_are_counted_over_all_reads() -> None:
    with Ration(10.0, 10) as ration:
        with pytest.raises(ZeroDivisionError):
            in_time(lambda: 1 / 0, "look-up")
        ration.took(6)
        with pytest.raises(TooMuchError, match="more than 10 bytes"):
            ration.took(6)


def test_a_process_apart_answers_and_is_ended_by_time_memory_and_size() -> None:
    module = "tests.wire.hungry"
    assert ask_apart(module, {"bytes": 10, "seconds": 0, "says": 1}, 30.0) == {"held": 10, "said": "x"}
    with pytest.raises(ApartError, match="longer than 1 s"):
        ask_apart(module, {"bytes": 10, "seconds": 60, "says": 1}, 1.0)
    with pytest.raises(ApartError, match="more than 512 MB"):
        ask_apart(module, {"bytes": 2**30, "seconds": 0, "says": 1}, 30.0)
    with pytest.raises(ApartError, match="bytes"):
        ask_apart(module, {"bytes": 10, "seconds": 0, "says": 9 * 2**20}, 30.0)
    with pytest.raises(ApartError):
        ask_apart("tests.wire.no_such_module", {}, 30.0)
