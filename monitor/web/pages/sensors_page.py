"""The pages about the instruments: each sensor's health and last numbers, and messages nobody could read."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from monitor.model.reading import Point, SeriesKey
from monitor.web.frame.page import Web

PIECES = {
    "sensors": "piece/sensors.html",
}
SET_ASIDE_SHOWN = 200
_HEX_PREVIEW = 400


def routes(web: Web) -> APIRouter:
    """Sensors and set-aside messages."""
    router = APIRouter(include_in_schema=False)
    web.env.globals["last_points"] = lambda: last_points(web)

    @router.get("/sensors")
    def sensors(request: Request) -> HTMLResponse:
        return web.page(request, "sensors.html", here="more")

    @router.get("/set-aside")
    def set_aside(request: Request) -> HTMLResponse:
        rows = [(item, preview(item.payload)) for item in web.deps.series.set_aside(SET_ASIDE_SHOWN)]
        return web.page(request, "set_aside.html", here="more", rows=rows, counts=web.deps.series.counts())

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
    """A payload as text where it is text, else its bytes in hexadecimal."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        return payload[:_HEX_PREVIEW].hex(" ")
    return "".join(c if c.isprintable() or c in "\n\t" else "\N{REPLACEMENT CHARACTER}" for c in text)
