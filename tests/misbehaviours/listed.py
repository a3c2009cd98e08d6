"""The one list: what any server may do to a connection, what it may do over HTTP, what over SMTP."""

import gzip
import socket
import struct
from functools import partial

from tests.misbehaviours.servers import CHUNK, Act, Link, Misbehaviour

OK = b"HTTP/1.1 200 OK\r\n"
CHUNKED = OK + b"Transfer-Encoding: chunked\r\n\r\n"
A_CHUNK = b"10000\r\n" + CHUNK + b"\r\n"
PACKED = OK + b"Content-Encoding: gzip\r\n"
BOMB = gzip.compress(bytes(10_000_000))
RECORD = b"\x16\x03\x03\x40\x00"  # the head of a TLS record of a handshake


def _half_closes(link: Link) -> None:
    link.socket.shutdown(socket.SHUT_WR)
    link.waits()


def _resets(link: Link) -> None:
    link.socket.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def _garbage(link: Link) -> None:
    link.says(bytes(range(256)) * 64 + b"\r\n\r\n")


# Of any protocol, before a word of it was said.
TRANSPORT = (
    Misbehaviour("never accepts", Link.waits, accepts=False),
    Misbehaviour("says nothing", Link.waits),
    Misbehaviour("closes at once", lambda link: None),
    Misbehaviour("resets", _resets),
    Misbehaviour("half-closes", _half_closes),
    Misbehaviour("drips", Link.drips),
    Misbehaviour("drips lines", lambda link: link.drips(b"x\r\n")),
    Misbehaviour("a line without end", Link.pours),
    Misbehaviour("lines without end", lambda link: link.pours(b"250-x\r\n" * 9_000)),
    Misbehaviour("zeros without end", lambda link: link.pours(bytes(65_536))),
    Misbehaviour("garbage", _garbage),
)


def _after_request(link: Link, *parts: bytes, then: Act = lambda link: None) -> None:
    link.request()
    for part in parts:
        link.says(part)
    then(link)


def _http(
    name: str,
    *parts: bytes,
    then: Act = lambda link: None,
    status: int | None = None,
    whole: bool = False,
) -> Misbehaviour:
    act = partial(_after_request, then=then)
    return Misbehaviour(name, lambda link: act(link, *parts), status, whole)


def _with(name: str, headers: bytes) -> Misbehaviour:
    return _http(name, OK + headers + b"Content-Length: 2\r\n\r\nok", status=200, whole=True)


def _short(status: int, *headers: bytes) -> bytes:
    body = b"" if status < 200 or status in (204, 205, 304) else b"ok"
    lines = [b"HTTP/1.1 %d Said" % status, *headers, b"Connection: close"]
    if status >= 200 and status not in (204, 304):
        lines.append(b"Content-Length: %d" % len(body))
    return b"\r\n".join(lines) + b"\r\n\r\n" + body


def answers(status: int, *headers: bytes, name: str = "") -> Misbehaviour:
    """A short whole answer."""
    return _http(name or f"answers {status}", _short(status, *headers), status=status, whole=True)


STATUSES = (
    *(101, 199, 200, 201, 202, 203, 204, 205, 206, 226),
    *(300, 301, 302, 303, 304, 307, 308),
    *(400, 401, 402, 403, 404, 405, 406, 407, 408, 409, 410, 411, 412, 413, 414, 415, 418, 421, 422, 425),
    *(428, 429, 431, 451, 499, 500, 501, 502, 503, 504, 507, 508, 511, 599, 600, 999),
)
WISHES = {
    "\u00b2": "\u00b2".encode("latin-1"),
    "400 digits": b"9" * 400,
    "a day": b"86400",
    "less than nothing": b"-5",
    "no number": b"NaN",
    "a power": b"1e300",
    "the last year": b"Fri, 31 Dec 9999 23:59:59 GMT",
    "the first year": b"Mon, 01 Jan 0001 00:00:00 +2359",
    "bytes": b"\xff\xfe\x00",
    "nothing": b"",
}
PLACES = {
    "itself": b"/",
    "loopback": b"http://127.0.0.1:{trap}/",
    "loopback by name": b"http://localhost:{trap}/",
    "loopback as a number": b"http://2130706433:{trap}/",
    "loopback in six": b"http://[::ffff:127.0.0.1]:{trap}/",
    "any address": b"http://0.0.0.0:{trap}/",
    "link-local": b"http://169.254.169.254/latest/",
    "a file": b"file:///etc/hostname",
    "another protocol": b"gopher://127.0.0.1:{trap}/",
    "no place": b"http://[::1",
    "bytes": b"http://\xff\xfe/",
    "a long place": b"http://127.0.0.1:{trap}/" + b"a" * 40_000,
}
HTTP = (
    *(answers(status) for status in STATUSES),
    *(answers(503, b"Retry-After: " + wish, name=f"503, wishes {name}") for name, wish in WISHES.items()),
    answers(429, b"Retry-After: 86400", name="429, wishes a day"),
    *(answers(302, b"Location: " + place, name=f"redirects to {name}") for name, place in PLACES.items()),
    *(answers(status, b"Location: /", name=f"{status} to itself") for status in (301, 303, 307, 308)),
    _http("a status of no number", b"HTTP/1.1 two OK\r\n\r\n"),
    _http("a status below 100", b"HTTP/1.1 42 OK\r\n\r\n"),
    _http("a version that is not", b"HTTP/9.9 200 OK\r\n\r\n"),
    _http("no head", b"ok\n"),
    _http("a head without end", OK, then=lambda link: link.pours(b"X-A: " + b"b" * 500 + b"\r\n")),
    _http("a line of a head without end", OK + b"X-A: ", then=Link.pours),
    _http("a thousand headers", OK + b"X-A: b\r\n" * 1_000 + b"\r\n"),
    _with("a header of 60 000", b"X-A: " + b"b" * 60_000 + b"\r\n"),
    _http("a header of 200 000", OK + b"X-A: " + b"b" * 200_000 + b"\r\n\r\n"),
    _with("headers of odd bytes", b"\xff\xfe: \x00\x01\r\n: b\r\n"),
    _with("80 cookies", b"Set-Cookie: a=b\r\n" * 80),
    _http("a head that drips", OK, then=lambda link: link.drips(b"X-A: b\r\n")),
    _http("goes on for ever", then=lambda link: link.pours(b"HTTP/1.1 100 Go on\r\n\r\n" * 500)),
    _http("closes within the head", OK[:9]),
    _http("closes within the headers", OK + b"Content-Le"),
    _http("two lengths", OK + b"Content-Length: 2\r\nContent-Length: 9\r\n\r\nok"),
    _http("closes within the body", OK + b"Content-Length: 100\r\n\r\nok", status=200),
    _http("a length beyond all", OK + b"Content-Length: 1" + b"0" * 30 + b"\r\n\r\nok", status=200),
    _http("a body that drips", OK + b"\r\n", then=Link.drips, status=200),
    _http("a body without end", OK + b"\r\n", then=Link.pours, status=200),
    _http("chunks that drip", CHUNKED, then=lambda link: link.drips(b"1\r\nx\r\n"), status=200),
    _http("chunks without end", CHUNKED, then=lambda link: link.pours(A_CHUNK), status=200),
    _http("chunks of no size", CHUNKED + b"zz\r\nok\r\n", status=200),
    _http("a body packed without end", PACKED + b"\r\n", then=lambda link: link.pours(BOMB), status=200),
    _http("a body not packed as it says", PACKED + b"Content-Length: 2\r\n\r\nok", status=200),
    _http("an error without end", b"HTTP/1.1 500 No\r\n\r\n", then=Link.pours, status=500),
    _http("a refusal without end", b"HTTP/1.1 404 No\r\n\r\n", then=Link.pours, status=404),
    _http("a redirect without end", b"HTTP/1.1 302 Go\r\nLocation: /\r\n\r\n", then=Link.pours, status=302),
)  # fmt: skip

WITH_TLS_TOO = {"says nothing", "half-closes", "closes at once", "never accepts"}
# Where TLS is asked for.
TLS = (
    Misbehaviour("TLS: answers in clear", lambda link: _after_request(link, _short(200))),
    Misbehaviour("TLS: greets in clear", lambda link: (link.says(b"220 mail\r\n"), link.waits())[1]),
    Misbehaviour("TLS: a certificate of its own", lambda link: link.says(_short(200)), certificate=True),
    Misbehaviour("TLS: an alert", lambda link: link.says(b"\x15\x03\x03\x00\x02\x02\x28")),
    Misbehaviour("TLS: a handshake that drips", lambda link: link.drips(RECORD)),
    Misbehaviour("TLS: a handshake without end", lambda link: link.pours(RECORD + CHUNK[:0x4000])),
    *(how for how in TRANSPORT if how.name in WITH_TLS_TOO),
)  # fmt: skip

WELCOME = b"\x20\x03\x00\x00\x00"  # MQTT 5 CONNACK: accepted


def _broker(name: str, *, then: Act) -> Misbehaviour:
    def act(link: Link) -> None:
        link.says(WELCOME)
        then(link)

    return Misbehaviour(name, act)


# A broker that lets us in (MQTT 5, 3.2) and then does this.
MQTT = (
    _broker("welcomes and says nothing", then=Link.waits),
    _broker("welcomes and drips", then=Link.drips),
    _broker("welcomes and pours answers to no ping", then=lambda link: link.pours(b"\xd0\x00" * 9_000)),
    _broker("welcomes and pours garbage", then=Link.pours),
    _broker("welcomes and closes", then=lambda link: None),
    Misbehaviour("turns us away", lambda link: link.says(b"\x20\x03\x00\x87\x00")),
)

VERBS = ("greeting", "EHLO", "AUTH", "MAIL", "RCPT", "RCPT2", "DATA", "body")
REPLIES: dict[str, Act] = {
    **{
        str(code): partial(Link.says, data=b"%d said\r\n" % code)
        for code in (
            *(199, 200, 211, 299, 300, 399, 421, 431, 432, 450, 451, 452, 454, 455, 499),
            *(500, 501, 502, 503, 504, 521, 530, 534, 535, 538, 550, 551, 552, 553, 554, 555, 556, 599, 600),
        )
    },
    "no code": partial(Link.says, data=b"what?\r\n"),
    "odd bytes": partial(Link.says, data=b"\xb2\xb3\xb9 \xff\r\n"),
    "drips": Link.drips,
    "without end": Link.pours,
    "goes on for ever": lambda link: link.pours(b"250-x\r\n" * 9_000),
    "nothing": Link.waits,
    "closes": lambda link: link.socket.shutdown(socket.SHUT_RDWR),
    "half-closes": _half_closes,
}


def smtp(verb: str, reply: str) -> Misbehaviour:
    """A mail server that is well-behaved but for its answer to one verb."""

    def act(link: Link) -> None:
        odd = REPLIES[reply]
        if verb == "greeting":
            odd(link)
        else:
            link.says(b"220 mail\r\n")
        recipients = 0
        while (said := link.line()) is not None:
            word = said[:4].strip().upper().decode("ascii", "replace")
            name = "EHLO" if word == "HELO" else word
            if name == "RCPT":
                recipients += 1
                name = "RCPT" if recipients == 1 else "RCPT2"
            if name == verb:
                odd(link)
            elif name == "EHLO":
                link.says(b"250-mail\r\n250 AUTH PLAIN\r\n")
            elif name == "AUTH":
                link.says(b"235 welcome\r\n")
            elif name == "DATA":
                link.says(b"354 go on\r\n")
                while link.line() not in (b".", None):
                    pass
                odd(link) if verb == "body" else link.says(b"250 taken\r\n")
            else:
                link.says(b"250 good\r\n")

    return Misbehaviour(f"{verb}: {reply}", act)
