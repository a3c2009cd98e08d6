"""Sockets that draw on the ration of the exchange they serve, plain and with TLS."""

import ipaddress
import socket
import ssl
from pathlib import Path
from typing import Any

from monitor.wire.ration import Ration, current, in_time

IpAddress = ipaddress.IPv4Address | ipaddress.IPv6Address


class ForbiddenAddressError(OSError):
    """A redirect leads to an address that it must not lead to."""


class BoundedSocket(socket.socket):
    """A socket whose every call has what is left of the ration."""

    def recv_into(self, *args: Any, **kwargs: Any) -> int:
        """As in the standard library."""
        return _counted(self, super().recv_into, args, kwargs)

    def recv(self, *args: Any, **kwargs: Any) -> bytes:
        """As in the standard library."""
        self.settimeout(current().left_s())
        data = super().recv(*args, **kwargs)
        current().took(len(data))
        return data

    def send(self, *args: Any, **kwargs: Any) -> int:
        """As in the standard library."""
        self.settimeout(current().left_s())
        return super().send(*args, **kwargs)

    def sendall(self, *args: Any, **kwargs: Any) -> None:
        """As in the standard library, which counts its time-out for the whole of it."""
        self.settimeout(current().left_s())
        super().sendall(*args, **kwargs)


class BoundedTlsSocket(ssl.SSLSocket):
    """The same with TLS; the handshake counts too."""

    def do_handshake(self, block: bool = False) -> None:
        """As in the standard library."""
        self.settimeout(current().left_s())
        super().do_handshake(block)

    def read(self, *args: Any, **kwargs: Any) -> Any:
        """As in the standard library; `recv` and `recv_into` come here."""
        self.settimeout(current().left_s())
        got = super().read(*args, **kwargs)
        current().took(got if isinstance(got, int) else len(got))
        return got

    def send(self, *args: Any, **kwargs: Any) -> int:
        """As in the standard library; `sendall` comes here."""
        self.settimeout(current().left_s())
        return super().send(*args, **kwargs)


def _counted(link: socket.socket, read: Any, args: Any, kwargs: Any) -> int:
    link.settimeout(current().left_s())
    count = int(read(*args, **kwargs))
    current().took(count)
    return count


def connect(host: str, port: int) -> BoundedSocket:
    """A connection to the first address of `host` that takes one, all within the ration of the block.

    The address that is checked is the one that is used, so a name cannot mean something else in between.
    """
    ration = current()
    found = in_time(lambda: socket.getaddrinfo(host, port, type=socket.SOCK_STREAM), "look-up")
    failed: OSError = OSError(f"the name {host} has no address")
    for place, (family, kind, protocol, _, address) in enumerate(found):
        try:
            return _connected(ration, (family, kind, protocol), address, len(found) - place)
        except ForbiddenAddressError:
            raise
        except OSError as error:
            failed = error
    raise failed


def _connected(ration: Ration, sort: tuple[int, int, int], address: Any, places: int) -> BoundedSocket:
    ip = ipaddress.ip_address(str(address[0]).partition("%")[0])
    if ration.outwards_only and not may_lead_to(ip, ration.came_from_public):
        raise ForbiddenAddressError(f"points to {ip}, where a redirect is not followed")
    link = BoundedSocket(*sort)
    try:
        # An address that swallows everything must leave time for the next one.
        link.settimeout(ration.left_s() / places)
        link.connect(address)
    except TimeoutError as error:
        link.close()
        if places == 1:
            raise ration.out_of_time() from error
        raise
    except OSError:
        link.close()
        raise
    ration.came_from_public = ip.is_global
    return link


def may_lead_to(ip: IpAddress, came_from_public: bool) -> bool:
    """Whether a redirect may lead there: never to this machine or its link, nor from outside to inside."""
    ip = getattr(ip, "ipv4_mapped", None) or ip
    if ip.is_loopback or ip.is_link_local or ip.is_unspecified or ip.is_multicast:
        return False
    return ip.is_global or not came_from_public


def tls_context(ca_file: Path | str | None) -> ssl.SSLContext:
    """The usual checks of certificate and name, on bounded sockets."""
    return bounded(ssl.create_default_context(cafile=ca_file))


def bounded(context: ssl.SSLContext) -> ssl.SSLContext:
    """The same context, making bounded sockets."""
    context.sslsocket_class = BoundedTlsSocket
    return context
