"""Every way out meets the whole list: each cell has its outcome, a total time and a total size.

What must come of it follows RFC 9110 (status codes), RFC 5321 and 4954 (replies), RFC 8446 (TLS) and MQTT 5.
`python -m tests.misbehaviours.test_misbehaviours` prints the table.
"""

import shutil
import ssl
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

from tests.misbehaviours.channels import BY_HTTP, MAIL, MQTT_WAY, Way, by_smtp
from tests.misbehaviours.listed import HTTP, MQTT, REPLIES, TLS, TRANSPORT, VERBS, smtp
from tests.misbehaviours.servers import Misbehaviour, misbehaving

GRACE_S = 20.0  # on a busy machine; what would never end is told apart from what does all the same
IN_THE_WIRE = 16 * 1024 * 1024  # what the kernel takes of the server before anybody reads it
AT_ONCE = 24
# For the way that costs a process for each: one of every kind.
ONE_OF_EACH = {
    *("never accepts", "says nothing", "closes at once", "drips", "a line without end", "garbage"),
    *("answers 200", "answers 204", "answers 302", "answers 404", "answers 500", "redirects to loopback"),
    *("a body that drips", "a body without end", "closes within the body", "503, wishes \u00b2"),
    *("TLS: a certificate of its own", "TLS: a handshake that drips"),
}


@dataclass(frozen=True)
class Cell:
    """One way out against one misbehaviour."""

    way: Way
    how: Misbehaviour
    scheme: str
    expected: str

    @property
    def name(self) -> str:
        return f"{self.way.name}/{self.how.name}"


@dataclass(frozen=True)
class Came:
    """What came of a cell."""

    outcome: str
    took_s: float
    sent: int
    trapped: int


def cells() -> list[Cell]:
    found = []
    for way in BY_HTTP:
        for how in (*TRANSPORT, *HTTP):
            if way.every or how.name in ONE_OF_EACH:
                found.append(Cell(way, how, "http", way.expected(how)))
        nobody = Misbehaviour("", lambda link: None)
        found += [
            Cell(way, named_tls(how), "https", way.expected(nobody))
            for how in TLS
            if way.every or how.name in ONE_OF_EACH
        ]
    found += [Cell(MAIL, how, "http", "again") for how in TRANSPORT]
    found += [Cell(MQTT_WAY, how, "http", "again") for how in (*TRANSPORT, *MQTT)]
    found += [Cell(MAIL, named_tls(how), "https", "again") for how in TLS]
    found += [
        Cell(MAIL, smtp(verb, reply), "http", by_smtp(verb, reply)) for verb in VERBS for reply in REPLIES
    ]
    return found


def named_tls(how: Misbehaviour) -> Misbehaviour:
    return how if how.name.startswith("TLS") else replace(how, name=f"TLS: {how.name}")


CELLS = {cell.name: cell for cell in cells()}


def certificate(folder: Path) -> ssl.SSLContext | None:
    """One that signs itself; None where openssl is not installed."""
    program = shutil.which("openssl")
    if program is None:
        return None
    key, own = folder / "key.pem", folder / "own.pem"
    command = [
        program,
        "req",
        "-x509",
        "-newkey",
        "rsa:2048",
        "-nodes",
        "-days",
        "2",
        "-subj",
        "/CN=127.0.0.1",
    ]
    command += ["-addext", "subjectAltName=IP:127.0.0.1"]
    command += ["-keyout", str(key), "-out", str(own)]
    subprocess.run(command, check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(own, key)
    return context


def met(cell: Cell, folder: Path, context: ssl.SSLContext | None) -> Came:
    trap = Misbehaviour("trap", lambda link: link.says(b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok"))
    with misbehaving(trap) as trapping:
        how = pointing(cell.how, trapping.port)
        with misbehaving(how, context) as server, tempfile.TemporaryDirectory(dir=folder) as apart:
            start_s = time.monotonic()
            outcome = cell.way.attempt(server.port, cell.scheme, Path(apart))
            return Came(outcome, time.monotonic() - start_s, server.sent, trapping.asked)


def pointing(how: Misbehaviour, port: int) -> Misbehaviour:
    """The redirects lead to the trap."""

    def act(link: object) -> None:
        plain = link.says  # type: ignore[attr-defined]
        link.says = lambda data: plain(data.replace(b"{trap}", b"%d" % port))  # type: ignore[attr-defined]
        how.act(link)  # type: ignore[arg-type]

    return replace(how, act=act) if how.name.startswith("redirects") else how


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Came]:
    """Every cell, many at the same time: most of them wait."""
    return all_met(tmp_path_factory.mktemp("table"))


def all_met(folder: Path) -> dict[str, Came]:
    """Those that cost a process each come first, by themselves."""
    context = certificate(folder)
    found: dict[str, Came] = {}
    for every, at_once in ((False, 4), (True, AT_ONCE)):
        wanted = {name: cell for name, cell in CELLS.items() if cell.way.every is every}
        with ThreadPoolExecutor(at_once) as pool:
            came = pool.map(lambda cell: met(cell, folder, context), wanted.values())
            found |= dict(zip(wanted, came, strict=True))
    return found


@pytest.mark.parametrize("name", CELLS)
def test_it_ends_as_it_must_in_its_time_and_takes_no_more_than_its_size(
    name: str, table: dict[str, Came]
) -> None:
    cell, came = CELLS[name], table[name]
    assert came.outcome == cell.expected
    assert came.took_s <= cell.way.total_s + GRACE_S
    assert came.sent <= cell.way.most_bytes + IN_THE_WIRE
    assert came.trapped == 0  # nobody was led to another port of this machine


def test_every_misbehaviour_has_one_name() -> None:
    assert len(CELLS) == len(cells())


def main() -> None:
    """Print the table as Markdown: one line for each misbehaviour, the outcome and seconds of each way."""
    with tempfile.TemporaryDirectory() as folder:
        came = all_met(Path(folder))
    ways = [way.name for way in (*BY_HTTP, MAIL, MQTT_WAY)]
    rows = list(dict.fromkeys(cell.how.name for cell in CELLS.values()))
    out = sys.stdout
    out.write("| misbehaviour | " + " | ".join(ways) + " |\n|" + "---|" * (len(ways) + 1) + "\n")
    for row in rows:
        line = []
        for way in ways:
            one = came.get(f"{way}/{row}")
            right = one is None or one.outcome == CELLS[f"{way}/{row}"].expected
            line.append("" if one is None else f"{one.outcome} {one.took_s:.1f} s{'' if right else ' WRONG'}")
        out.write(f"| {row} | " + " | ".join(line) + " |\n")


if __name__ == "__main__":
    main()
