"""The cautions: compressed gas, hot ovens, fumes; whom to ask, and what no message of ours will say."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.web.frame.page import Web


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/safety")
    def safety(request: Request) -> HTMLResponse:
        return web.page(request, "safety.html", here="more")

    return router
