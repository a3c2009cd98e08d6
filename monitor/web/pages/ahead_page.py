"""The shift outlook: odds of each coming shift, what crosses, what to do, and what if."""

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field, ValidationError

from monitor.model.errors import Fault, InputError
from monitor.model.shop_units import celsius
from monitor.outlook.whatif import Control
from monitor.web.frame.deps import SiteAhead
from monitor.web.frame.page import Web
from monitor.web.frame.problems import faults_of
from monitor.web.frame.show import Show
from monitor.web.pages import ahead_view as view
from monitor.web.pages.ahead_chart import ahead_chart, places_ahead
from monitor.web.pages.thing_chart import axis_names, hours_axis

OF_PAGE = ("site", "place")  # what is shown; the rest of the address asks a what-if
PIECES = {"todo": "piece/todo_ahead.html"}
Moment = Annotated[float, Field(ge=0, le=4e9)]


class Asked(BaseModel):
    """One what-if, in the shop's units; times in epoch seconds as the page's own choices give them."""

    zone: Annotated[str, Field(max_length=48)] = ""
    door: Annotated[str, Field(pattern="^(usual|shut|open)$")] = "usual"
    from_s: Moment | None = None
    until_s: Moment | None = None
    heat: Annotated[float, Field(ge=-20, le=120)] | None = None
    dry: Annotated[float, Field(gt=0, le=100)] | None = None

    @property
    def something(self) -> bool:
        """Whether anything is asked at all."""
        return self.door != "usual" or self.heat is not None or self.dry is not None


def routes(web: Web) -> APIRouter:
    """The page; a what-if is an address, so it can be sent to somebody."""
    router = APIRouter(include_in_schema=False)

    @router.get("/ahead")
    def ahead(
        request: Request,
        site: Annotated[str, Query(max_length=48)] = "",
        place: Annotated[str, Query(max_length=48)] = "",
    ) -> HTMLResponse:
        given = {name: value for name, value in request.query_params.items() if value and name not in OF_PAGE}
        sites = list(web.deps.ahead())
        chosen = next((one for one in sites if one.site == site), sites[0] if sites else None)
        faults: tuple[Fault, ...] = ()
        told: dict[str, Any] = {"asked": Asked()}
        try:
            told = _what_if(web.show, chosen, _asked(given), web.deps.clock())
        except InputError as refusal:
            faults = refusal.faults
        return web.page(
            request,
            "ahead.html",
            422 if faults else 200,
            here="now",
            sites=sites,
            chosen=chosen,
            **_drawn(web, chosen, place),
            rows=lambda outlook: view.rows(outlook, _scene(chosen), web.show),
            faults=faults,
            hours=view.hours_ahead(web.deps.clock()),
            **{"result": None, "zone": None, "presets": [], "cautions": [], "assumed": "", **told},
        )

    return router


def _drawn(web: Web, chosen: SiteAhead | None, place: str) -> dict[str, Any]:
    """The chart, of the whole site where the place asked for cannot be foretold."""
    if chosen is None:
        return {"chart": None}
    places = places_ahead(web, chosen)
    one = next((zone for zone in places if zone.id == place), None)
    return {
        "chart": ahead_chart(web, chosen, one),
        "chart_zone": web.show.zone_of(site=chosen.site),
        "places": places,
        "place": one,
        "hours_axis": hours_axis,
        "axis_names": axis_names,
    }


def _scene(chosen: SiteAhead | None) -> Any:
    return None if chosen is None or chosen.questions is None else chosen.questions.scene


def _asked(given: dict[str, str]) -> Asked:
    try:
        return Asked.model_validate(given)
    except ValidationError as error:
        raise InputError(faults_of(error.errors(include_url=False))) from error


def _what_if(show: Show, chosen: SiteAhead | None, asked: Asked, now_s: float) -> dict[str, Any]:
    """What the page shows of the question; InputError where it cannot be answered."""
    if chosen is None or chosen.questions is None:
        return {"asked": asked}
    questions = chosen.questions
    presets = view.presets(questions, chosen.outlooks, show)
    zone_id = asked.zone or (presets[0].query["zone"] if presets else next(iter(questions.ahead.air), ""))
    if not zone_id:
        return {"asked": asked}
    if zone_id not in questions.ahead.air:
        known = ", ".join(questions.scene.zones[one].name for one in questions.ahead.air) or "none yet"
        raise InputError([Fault("zone", zone_id, f"has no forecast; use one of: {known}")])
    zone, control = questions.scene.zones[zone_id], control_of(asked, show, now_s)
    result = None
    if asked.something:
        result = view.what_if(questions, chosen.outlooks, zone_id, control, show)
    return {
        "asked": asked,
        "zone": zone,
        "presets": presets,
        "result": result,
        "cautions": view.cautions(zone, control),
        "assumed": view.assumed(questions, zone, control),
    }


def control_of(asked: Asked, show: Show, now_s: float) -> Control:
    """The question in inside units; InputError where the door has no end or ends before it begins."""
    from_s = now_s if asked.from_s is None else asked.from_s
    if asked.door != "usual" and (asked.until_s is None or asked.until_s <= from_s):
        raise InputError([Fault("door", asked.door, "choose until when, later than it begins")])
    heat_c = asked.heat
    if heat_c is not None:
        heat_c = celsius(heat_c, fahrenheit=show.fahrenheit)
    shut, opened = asked.door == "shut", asked.door == "open"
    return Control(
        shut_from_s=from_s if shut else None,
        shut_until_s=asked.until_s if shut else None,
        open_from_s=from_s if opened else None,
        open_until_s=asked.until_s if opened else None,
        heat_to_c=heat_c,
        heat_from_s=from_s,
        dry_to_frac=None if asked.dry is None else asked.dry / 100.0,
        dry_from_s=from_s,
    )
