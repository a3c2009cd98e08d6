"""The pages about the instruments: each sensor's health and last numbers, and messages nobody could read."""

from collections.abc import Mapping
from typing import Annotated

from fastapi import APIRouter, HTTPException, Query, Request
from fastapi.responses import HTMLResponse

from monitor.model.device import Sensor
from monitor.model.event import EventKind
from monitor.model.reading import Point, SeriesKey
from monitor.web.frame.page import Web
from monitor.web.pages.thing_chart import sensor_chart

PIECES = {
    "sensors": "piece/sensors.html",
}
SET_ASIDE_SHOWN = 50
_PREVIEW_BYTES = 1_000
SAID_FOR_S = 7 * 86_400.0  # of a session that was lost


def routes(web: Web) -> APIRouter:
    """Sensors and set-aside messages."""
    router = APIRouter(include_in_schema=False)
    web.env.globals["last_points"] = lambda: last_points(web)
    web.env.globals["without_time"] = {one.id for one in web.deps.settings.sensors if sends_no_time(one)}
    web.env.globals["lost_session"] = lambda: lost_session(web)

    @router.get("/sensors")
    def sensors(request: Request) -> HTMLResponse:
        return web.page(request, "sensors.html", here="more")

    @router.get("/sensor/{name}")
    def sensor(request: Request, name: str) -> HTMLResponse:
        found = next((one for one in web.deps.settings.sensors if one.id == name), None)
        if found is None:
            raise HTTPException(404, "There is no such sensor in the settings.")
        return web.page(
            request,
            "sensor.html",
            here="more",
            sensor=found,
            chart=sensor_chart(web, found),
            chart_title="The last day, with its neighbours",
            chart_zone=web.show.zone_of(found.zone),
        )

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


def sends_no_time(sensor: Sensor) -> bool:
    """Whether by its format a sensor's messages carry neither time nor sequence: a repeat looks new."""
    return sensor.format == "number" or (sensor.format == "json" and sensor.time_pointer is None)


def lost_session(web: Web) -> Mapping[str, float] | None:
    """From when to when readings may be missing because the broker forgot the session, lately."""
    start_s = web.deps.clock() - SAID_FOR_S
    found = web.deps.ledger.newest(1, kinds=[EventKind.BROKER_SESSION], start_s=start_s).events
    return {name: float(str(found[0].body[name])) for name in ("from_s", "to_s")} if found else None


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
