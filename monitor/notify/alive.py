"""Lets others notice when the service falls silent: the init system's watchdog and a heartbeat address."""

import os
import socket

from monitor.model.errors import DryshiftError
from monitor.wire.http import HttpLimits, HttpRequest, NoAnswerError, UnusableAddressError, exchange


class HeartbeatError(DryshiftError):
    """The heartbeat address did not answer as it should."""


def tell_init(message: str) -> bool:
    """Send a state line (`READY=1`, `WATCHDOG=1`, `STOPPING=1`) to the init system, if it listens.

    The protocol of sd_notify(3): one datagram to the socket named in NOTIFY_SOCKET.
    """
    address = os.environ.get("NOTIFY_SOCKET", "")
    if not address:
        return False
    if address.startswith("@"):
        address = "\0" + address[1:]
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as link:
        link.connect(address)
        link.sendall(message.encode())
    return True


def beat(url: str, timeout_s: float = 10.0) -> None:
    """Ask the heartbeat address once; whoever runs it raises the alarm when this stops.

    A redirect is no heartbeat: a log-in page would take it without a word.
    """
    try:
        answer = exchange(HttpRequest("GET", url), HttpLimits(timeout_s))
    except (NoAnswerError, UnusableAddressError) as error:
        raise HeartbeatError(f"heartbeat_url: found {url}; no answer: {error}") from error
    if not 200 <= answer.status < 300:
        raise HeartbeatError(f"heartbeat_url: found {url}; it answered {answer.status}")
