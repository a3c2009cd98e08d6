"""Says where the pages can be opened, first where a phone on the shop's network can."""

import io
import sys
from typing import Any

import click
import segno

from monitor.web.frame.own_names import unreachable
from monitor.wire.own_addresses import own_addresses, own_name

EVERYWHERE = frozenset({"0.0.0.0", "::"})


def addresses_of(host: str, port: int) -> list[str]:
    """What a phone can open, best first; empty where the pages are served to this machine alone."""
    if host not in EVERYWHERE:
        return [] if unreachable(_served(host, port)) else [_served(host, port)]
    name = own_name()
    return [f"http://{one}:{port}" for one in (*own_addresses(), *([name] if name else []))]


def pages_at(host: str, port: int, public_url: str | None = None) -> list[str]:
    """Where the pages can be opened, what a phone can open first; at least one address."""
    public = [public_url.rstrip("/")] if public_url is not None and not unreachable(public_url) else []
    return list(dict.fromkeys([*public, *addresses_of(host, port), _here(host, port)]))


def say_pages(host: str, port: int, public_url: str | None = None) -> None:
    """Print the addresses, and a QR code of the best one where somebody looks."""
    *others, here = pages_at(host, port, public_url)
    if not others:
        alone = '   (this machine alone; a phone needs host = "0.0.0.0")' if unreachable(here) else ""
        click.echo(f"Pages: {here}{alone}")
        return
    click.echo(f"Pages: {'   or '.join(others)}")
    click.echo(f"  on this machine: {here}")
    if sys.stdout.isatty():
        click.echo(as_code(others[0]))


def as_code(text: str) -> str:
    """A QR code (ISO/IEC 18004) in a terminal's letters."""
    drawn = io.StringIO()
    code: Any = segno.make_qr(text, error="l")
    code.terminal(out=drawn, compact=True, border=2)
    return drawn.getvalue()


def _here(host: str, port: int) -> str:
    return _served("127.0.0.1" if host in EVERYWHERE else host, port)


def _served(host: str, port: int) -> str:
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
