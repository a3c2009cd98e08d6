"""The names that the pages answer to, so that no other site can point a name of its own at them."""

from dataclasses import dataclass
from ipaddress import ip_address
from urllib.parse import urlsplit

from monitor.settings.schema import WebSection

ALWAYS = "localhost"
ANY_BELOW = "*."  # a setting "*.example.org" stands for every name below it


@dataclass(frozen=True, slots=True)
class OwnNames:
    """Names in small letters; addresses written as numbers are always ours, for no site can own one."""

    names: frozenset[str]

    def hold(self, host: str) -> bool:
        """Whether a `Host` header names this service; `host` may end in a port."""
        name = name_in(host)
        if name is None:
            return False
        endings = (one[1:] for one in self.names if one.startswith(ANY_BELOW))
        return _is_address(name) or name in self.names or any(name.endswith(one) for one in endings)

    def said(self) -> str:
        """For people: what a browser may be given."""
        return ", ".join(["IP addresses", *sorted(self.names)])


def own_names(web: WebSection) -> OwnNames:
    """Localhost, the public address, the address listened on and what `web.hosts` names."""
    named = [ALWAYS, web.host, *web.hosts]
    if web.public_url is not None:
        named.append(urlsplit(web.public_url).netloc.rpartition("@")[2])
    found = (name_in(one) for one in named)
    return OwnNames(frozenset(one for one in found if one and not _is_address(one)))


def name_in(host: str) -> str | None:
    """The name in a `Host` header (RFC 9110, 7.2), small and without port; None where there is none."""
    name, _, port = host.strip().lower().rpartition(":")
    if not name or (host.startswith("[") and port.endswith("]")):
        name, port = host.strip().lower(), ""
    if port and not (port.isascii() and port.isdigit()):
        return None
    name = name.removesuffix(".")
    return name if name and not set(name) & set("/?#@\\ ,") else None


def _is_address(name: str) -> bool:
    bare = name[1:-1] if name.startswith("[") and name.endswith("]") else name
    try:
        version = ip_address(bare).version
    except ValueError:
        return False
    return version == (6 if bare != name else 4)


def unreachable(address: str) -> str:
    """Why a phone cannot open what begins with this; empty where nothing speaks against it."""
    try:
        parts = urlsplit(address)
        host = parts.hostname or ""
    except ValueError:
        return "begin with no address"
    if parts.scheme not in ("http", "https") or not host:
        return "begin with no address"
    try:
        inside = ip_address(host).is_loopback
    except ValueError:
        inside = host == "localhost" or host.endswith(".localhost")
    return "lead to this machine alone" if inside else ""
