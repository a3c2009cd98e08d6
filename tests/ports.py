"""Ports of this machine that a test may listen on, and come back to after a restart."""

import os
import socket
from itertools import chain
from pathlib import Path

FIRST = 12_000
EACH = 300  # for one of the processes that pass the tests side by side
_EPHEMERAL = Path("/proc/sys/net/ipv4/ip_local_port_range")
_worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
_turn = os.getpid()  # another run of the suite on this machine most likely begins elsewhere


def free_port() -> int:
    """A loopback port that nobody holds now, and that nobody is given who asks the machine for any port.

    So it stays free until the test listens on it, and while a server is away that the test starts again. Each
    process has ports of its own and goes round them.
    """
    global _turn  # noqa: PLW0603  # the place in the round
    below = int(_EPHEMERAL.read_text().split()[0]) if _EPHEMERAL.exists() else 32_768
    rounds = max((below - FIRST) // EACH, 1)
    first = FIRST + _worker % rounds * EACH
    start = _turn % EACH
    for offset in chain(range(start, EACH), range(start)):
        _turn = offset + 1
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", first + offset))
            except OSError:
                continue
        return first + offset
    raise OSError(f"every port from {first} to {first + EACH - 1} is held")
