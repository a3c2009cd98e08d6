"""Sheets of QR labels: scanning one opens the thing's page."""

from dataclasses import dataclass
from typing import Annotated

import segno
from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse
from markupsafe import Markup

from monitor.history.rack import Thing
from monitor.web.frame.page import Web
from monitor.web.pages.deeds import FIRST
from monitor.web.pages.things_page import IDENTIFIER, new_name

MOST = 200
KINDS = (*FIRST, "store")


@dataclass(frozen=True, slots=True)
class Label:
    """One label: what is printed and what its code says."""

    id: str
    name: str
    what: str
    address: str
    code: Markup


def routes(web: Web) -> APIRouter:
    """The sheet."""
    router = APIRouter(include_in_schema=False)

    @router.get("/labels")
    def labels(
        request: Request,
        ids: Annotated[str, Query(max_length=10_000, description="Ids with commas between")] = "",
        kind: Annotated[str, Query(max_length=20)] = "",
        new: Annotated[int, Query(ge=0, le=MOST)] = 0,
    ) -> HTMLResponse:
        deps = web.deps
        known = deps.rack()
        chosen = wanted(known, ids, kind, new)
        base = deps.settings.web.public_url or str(request.base_url)
        made = [label(base, name, known.get(name)) for name in chosen]
        return web.page(request, "labels.html", here="things", labels=made, kinds=FIRST, base=base)

    return router


def wanted(known: dict[str, Thing], ids: str, kind: str, new: int) -> list[str]:
    """The ids asked for: named ones, unused numbers of a kind, else everything in use of a kind."""
    if ids:
        names = [name.strip() for name in ids.split(",") if name.strip()][:MOST]
        for name in names:
            if not IDENTIFIER.fullmatch(name):
                raise HTTPException(422, f"{name!r} is no label: small letters, digits and hyphens only.")
        return names
    if new and kind in FIRST:
        found = dict(known)
        fresh = []
        for _ in range(new):
            name = new_name(kind, found)
            found[name] = Thing(name, kind, name, "", "")
            fresh.append(name)
        return fresh
    return sorted(thing.id for thing in known.values() if not thing.ended and kind in ("", thing.kind))[:MOST]


def label(base: str, name: str, thing: Thing | None) -> Label:
    """One label with its code."""
    address = f"{base.rstrip('/')}/thing/{name}"
    shown = name.replace("-", " ").capitalize() if thing is None else thing.name
    return Label(name, shown, "" if thing is None else thing.what, address, qr_code(address))


def qr_code(address: str) -> Markup:
    """A code to scan (error correction M: a scratch or a smear of grease does no harm)."""
    code = segno.make_qr(address, error="m").svg_inline(
        omitsize=True, border=2, svgclass=None, lineclass=None
    )
    return Markup(code)
