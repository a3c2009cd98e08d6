"""Lets others notice when the service falls silent: the init system's watchdog and a heartbeat address."""

import os
import socket

import requests

from monitor.model.errors import DryshiftError


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
    """Ask the heartbeat address once; whoever runs it raises the alarm when this stops."""
    try:
        answer = requests.get(url, timeout=timeout_s)
    except requests.RequestException as error:
        raise HeartbeatError(f"heartbeat_url: found {url}; no answer: {type(error).__name__}") from error
    if not answer.ok:
        raise HeartbeatError(f"heartbeat_url: found {url}; it answered {answer.status_code}")
