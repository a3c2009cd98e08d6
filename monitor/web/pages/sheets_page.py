"""Records to print or take away: the history of a package, lot, job or week: page, CSV files and PDF."""

from datetime import timedelta
from enum import StrEnum
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse, Response

from monitor.report.bead_plane import packages_of, plane_of
from monitor.report.csv_text import csv_archive
from monitor.report.paper import PaperSize
from monitor.report.sheet import Sheet
from monitor.web.frame.csv_files import attachment, csv_asked, csv_file
from monitor.web.frame.page import Web


class SheetKind(StrEnum):
    """What a sheet is about."""

    PACKAGE = "package"
    LOT = "lot"
    JOB = "job"
    WEEK = "week"


Of = Annotated[str, Query(max_length=80)]
OfSite = Annotated[str, Query(max_length=48)]


def routes(web: Web) -> APIRouter:
    """Each sheet three times; the CSV files hold the same tables, the PDF is for signing."""
    router = APIRouter(include_in_schema=False)

    @router.get("/sheets")
    def choose(request: Request) -> HTMLResponse:
        packages = web.deps.snapshot().packages
        return web.page(
            request,
            "sheets.html",
            here="more",
            lots=sorted({one.lot for one in packages if one.lot}),
            jobs=sorted({one.job for one in packages if one.job}),
            packages=sorted(packages, key=lambda one: one.name),
            weeks=_weeks(web),
        )

    @router.get("/sheet/{kind}.csv")
    def table(request: Request, kind: SheetKind, of: Of, table: Of, site: OfSite = "") -> Response:
        section = _sheet(web, kind, of, site).section(table)
        return csv_file(web, request, f"{_file(kind, of)}-{section.id}.csv", section.columns, section.rows)

    @router.get("/sheet/{kind}.zip")
    def tables(request: Request, kind: SheetKind, of: Of, site: OfSite = "") -> Response:
        made = csv_archive(_sheet(web, kind, of, site), **csv_asked(web, request))
        return attachment(made, f"{_file(kind, of)}.zip", "application/zip")

    @router.get("/sheet/{kind}.pdf")
    def paper(kind: SheetKind, of: Of, site: OfSite = "", size: PaperSize | None = None) -> Response:
        chosen = size or PaperSize(web.deps.settings.record.paper)
        printed = web.deps.paper(kind, of, site or web.deps.settings.sites[0].id, chosen)
        return attachment(printed, f"{_file(kind, of)}.pdf", "application/pdf")

    @router.get("/sheet/{kind}")
    def page(request: Request, kind: SheetKind, of: Of, site: OfSite = "") -> HTMLResponse:
        sheet = _sheet(web, kind, of, site)
        plane = None
        if kind is not SheetKind.WEEK:
            plane = plane_of(web.deps.ledger, packages_of(sheet), web.show.writing())
        return web.page(
            request, "sheet.html", here="more", sheet=sheet, kind=kind, of=of, site=site, plane=plane
        )

    return router


def _sheet(web: Web, kind: SheetKind, of: str, site: str) -> Sheet:
    return web.deps.sheet(kind, of, site or web.deps.settings.sites[0].id)


def _file(kind: SheetKind, of: str) -> str:
    return "-".join(part for part in ("dryshift", kind, _plain(of)) if part)


def _plain(text: str) -> str:
    """As a file's name may have it."""
    return "".join(letter if letter.isascii() and letter.isalnum() else "-" for letter in text)


def _weeks(web: Web, count: int = 8) -> list[str]:
    """This ISO week and those before it."""
    today = web.show.local(web.deps.clock()).date()
    found = [(today - timedelta(days=7 * n)).isocalendar() for n in range(count)]
    return [f"{one.year}-W{one.week:02d}" for one in found]
