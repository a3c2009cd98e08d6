"""The small picture on a place's card: how far its coldest steel was above the dew point over the last day.

It is a picture of its own, so that the first page never waits for the store.
"""

from fastapi import APIRouter, HTTPException
from fastapi.responses import Response

from monitor.report.chart import Window
from monitor.report.zone_series import WIDTH_S, lowest, read_margins
from monitor.web.frame.page import Web
from monitor.web.pages.week_panels import View, margin_panel

DAY_S = 86_400.0
KEPT_S = 900  # its address changes as often


def routes(web: Web) -> APIRouter:
    """The pictures."""
    router = APIRouter(include_in_schema=False)

    @router.get("/spark/{zone_id}.svg")
    def spark(zone_id: str) -> Response:
        zone = next((one for one in web.deps.settings.zones if one.id == zone_id), None)
        if zone is None:
            raise HTTPException(404, "There is no such place in the settings.")
        end_s = web.deps.clock() // WIDTH_S * WIDTH_S
        window = Window(end_s - DAY_S, end_s, WIDTH_S)
        view = View(window, WIDTH_S, {}, {})
        line = lowest(read_margins(web.deps.series, zone, window))
        panel = margin_panel(web, zone.name, view, [view.trace(zone.name, 0, line, web.show.spread)])
        svg = web.env.get_template("piece/spark.svg").render(panel=panel, known=bool(line))
        kept = f"private, max-age={KEPT_S}"
        return Response(svg, media_type="image/svg+xml", headers={"cache-control": kept})

    return router
