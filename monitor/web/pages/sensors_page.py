"""The pages about the instruments: each sensor's health and last numbers, and messages nobody could read."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.model.reading import Point, SeriesKey
from monitor.web.frame.page import Web

PIECES = {
    "sensors": "piece/sensors.html",
}
SET_ASIDE_SHOWN = 50
_PREVIEW_BYTES = 1_000


def routes(web: Web) -> APIRouter:
    """Sensors and set-aside messages."""
    router = APIRouter(include_in_schema=False)
    web.env.globals["last_points"] = lambda: last_points(web)

    @router.get("/sensors")
    def sensors(request: Request) -> HTMLResponse:
        return web.page(request, "sensors.html", here="more")

    @router.get("/set-aside")
    def set_aside(request: Request, skip: Annotated[int, Query(ge=0, le=10**9)] = 0) -> HTMLResponse:
        found = web.deps.series.set_aside(SET_ASIDE_SHOWN + 1, skip)
        rows = [(item, preview(item.payload)) for item in found[:SET_ASIDE_SHOWN]]
        return web.page(
            request,
            "set_aside.html",
            here="more",
            rows=rows,
            skip=skip,
            older=skip + SET_ASIDE_SHOWN if len(found) > SET_ASIDE_SHOWN else None,
            newer=max(skip - SET_ASIDE_SHOWN, 0) if skip else None,
            counts=web.deps.series.counts(),
        )

    return router


def last_points(web: Web) -> dict[str, list[Point]]:
    """The newest believed number of each measured quantity, by sensor."""
    found: dict[str, list[Point]] = {}
    for sensor in web.deps.settings.sensors:
        for measure in sensor.measures:
            point = web.deps.series.latest(SeriesKey(sensor.zone, sensor.id, measure.quantity))
            if point is not None:
                found.setdefault(sensor.id, []).append(point)
    return found


def preview(payload: bytes) -> str:
    """The beginning of a payload, as text where it is text, else its bytes in hexadecimal."""
    start, left = payload[:_PREVIEW_BYTES], len(payload) - _PREVIEW_BYTES
    more = f"\n… and {left} bytes more that are kept" if left > 0 else ""
    try:
        payload.decode("utf-8")
    except UnicodeDecodeError:
        return start.hex(" ") + more
    text = start.decode("utf-8", "ignore")  # a sign that was cut in two is left out
    return "".join(c if c.isprintable() or c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text) + more
