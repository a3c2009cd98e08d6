"""The first page."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.web.frame.page import Web
from monitor.web.pages import sparks

PIECES = {
    "answer": "piece/answer.html",
    "warnings": "piece/warnings.html",
    "zones": "piece/zones.html",
    "shifts": "piece/shifts.html",
    "packages": "piece/packages.html",
    "bodies": "piece/bodies.html",
    "health": "piece/health.html",
}


def routes(web: Web) -> APIRouter:
    """The page at the root."""
    router = APIRouter(include_in_schema=False)
    router.include_router(sparks.routes(web))

    @router.get("/")
    def now(request: Request) -> HTMLResponse:
        return web.page(request, "now.html", here="now")

    @router.get("/more")
    def more(request: Request) -> HTMLResponse:
        return web.page(request, "more.html", here="more")

    return router
