"""Where this machine can be reached on the networks that it is part of."""

import fcntl
import socket
import struct
from ipaddress import IPv4Address
from pathlib import Path

_INTERFACES = Path("/sys/class/net")
_ASK = 0x8915  # SIOCGIFADDR of netdevice(7): an interface's address, without netlink, which the unit forbids
_INSIDE = ("docker", "veth", "br-", "virbr", "podman", "cni")  # of containers: no phone is there
_ELSEWHERE = ("192.0.2.1", 9)  # RFC 5737: nothing is sent there, only the way there is looked up
NAMES_SERVED = Path(
    "/run/avahi-daemon/socket"
)  # whoever serves this machine's name by multicast DNS (RFC 6762)


def own_addresses() -> list[str]:
    """IPv4 addresses that others on the network can open; first the one that this machine goes out by."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        names = sorted(one.name for one in _INTERFACES.iterdir()) if _INTERFACES.is_dir() else []
        given = [_address(asking, name) for name in names if not name.startswith(_INSIDE)]
        try:
            asking.connect(_ELSEWHERE)
            first = str(asking.getsockname()[0])
        except OSError:  # no way out: a network of the shop's own
            first = ""
    found = [str(one) for one in given if one and not (one.is_loopback or one.is_link_local)]
    return sorted(dict.fromkeys(found), key=lambda one: one != first)


def own_name() -> str | None:
    """The name under which phones find this machine without a name server, where something serves it."""
    name = socket.gethostname().partition(".")[0].lower()
    return f"{name}.local" if name and NAMES_SERVED.exists() else None


def _address(asking: socket.socket, interface: str) -> IPv4Address | None:
    try:
        answer = fcntl.ioctl(asking.fileno(), _ASK, struct.pack("40s", interface[:15].encode()))
    except OSError:  # it has none
        return None
    return IPv4Address(answer[20:24])
