"""Says where the pages can be opened, first where a phone on the shop's network can."""

import io
import sys
from typing import Any

import click
import segno

from monitor.settings.schema import WebSection
from monitor.web.frame.own_names import own_names, unreachable
from monitor.wire.own_addresses import own_addresses, own_name

EVERYWHERE = frozenset({"0.0.0.0", "::"})


def addresses_of(host: str, port: int) -> list[str]:
    """What a phone can open, best first; empty where the pages are served to this machine alone."""
    if host not in EVERYWHERE:
        return [] if unreachable(_served(host, port)) else [_served(host, port)]
    return [_served(one, port) for one in own_addresses()]


def pages_at(host: str, port: int, web: WebSection) -> list[str]:
    """Where the pages can be opened, what a phone can open first; at least one address.

    The machine's own name is among them where something serves it and the pages answer to it.
    """
    public = [web.public_url.rstrip("/")] if web.public_url and not unreachable(web.public_url) else []
    name = own_name() if host in EVERYWHERE else None
    named = [_served(name, port)] if name is not None and own_names(web).hold(name) else []
    here = _served("127.0.0.1" if host in EVERYWHERE else host, port)
    return list(dict.fromkeys([*public, *addresses_of(host, port), *named, here]))


def say_pages(host: str, port: int, web: WebSection) -> None:
    """Print the addresses, and a QR code of the best one where somebody looks."""
    found = pages_at(host, port, web)
    if unreachable(found[0]):
        click.echo(f'Pages: {found[0]}   (this machine alone; a phone needs host = "0.0.0.0")')
        return
    click.echo(f"Pages: {'   or '.join(one for one in found if not unreachable(one))}")
    if sys.stdout.isatty():
        click.echo(as_code(found[0]))


def as_code(text: str) -> str:
    """A QR code (ISO/IEC 18004) in a terminal's letters."""
    drawn = io.StringIO()
    code: Any = segno.make_qr(text, error="l")
    code.terminal(out=drawn, compact=True, border=2)
    return drawn.getvalue()


def _served(host: str, port: int) -> str:
    return f"http://[{host}]:{port}" if ":" in host else f"http://{host}:{port}"
