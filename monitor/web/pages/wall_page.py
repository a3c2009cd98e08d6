"""The wall screen: one picture, nothing to touch; what does not fit takes turns."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.web.frame.page import Web

PIECES = {
    "wall-answer": "piece/wall_answer.html",
    "wall-zones": "piece/wall_zones.html",
    "wall-turns": "piece/wall_turns.html",
}


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)

    @router.get("/wall")
    def wall(request: Request) -> HTMLResponse:
        return web.page(request, "wall.html", here="wall")

    return router
