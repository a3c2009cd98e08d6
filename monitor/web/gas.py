"""The gas page: which cylinders sweat and until when, wet tail, regulator, purge; with the cautions."""

from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from monitor.errors import Fault, RangeError
from monitor.physics.gas_data import gas_data
from monitor.reference import load_toml
from monitor.snapshot import Snapshot, ZoneNow
from monitor.web.gas_answers import HOSES, LOW_BAR, MIXTURES, GasAnswer, GasAsk, answer, reached
from monitor.web.page import Web


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)
    data = gas_data(load_toml("gas_grades.toml"))

    @router.get("/gas")
    def gas(request: Request, ask: Annotated[GasAsk, Query()]) -> HTMLResponse:
        snapshot = web.deps.snapshot()
        zone = chosen_zone(snapshot, ask.zone)
        found: GasAnswer | None = None
        faults: tuple[Fault, ...] = ()
        cylinder_c = None if zone is None else coldest_c(snapshot, zone)
        if zone is not None and zone.air is not None and cylinder_c is not None:
            try:
                found = answer(ask, zone.air, cylinder_c, data)
            except RangeError as error:
                faults = (Fault(error.name, str(error.value), f"can be worked out within {error.valid}"),)
        return web.page(
            request,
            "gas.html",
            here="things",
            ask=ask,
            zone=zone,
            cylinder_c=cylinder_c,
            found=found,
            faults=faults,
            reached=reached,
            mixtures=MIXTURES,
            hoses=HOSES,
            low_bar=LOW_BAR,
        )

    return router


def chosen_zone(snapshot: Snapshot, wanted: str) -> ZoneNow | None:
    """The zone asked for, else the one with most cylinders, else the first with air."""
    by_id = {zone.id: zone for zone in snapshot.zones}
    if wanted in by_id:
        return by_id[wanted]
    homes = [body.zone for body in snapshot.bodies if body.kind == "cylinder"]
    if homes:
        return by_id.get(max(homes, key=homes.count))
    return next((zone for zone in snapshot.zones if zone.air is not None), None)


def coldest_c(snapshot: Snapshot, zone: ZoneNow) -> float | None:
    """The coldest cylinder's skin; without one, the air of the zone."""
    skins = [
        body.skin_temperature_c
        for body in snapshot.bodies
        if body.kind == "cylinder" and body.zone == zone.id and body.skin_temperature_c is not None
    ]
    return min(skins, default=None if zone.air is None else zone.air.temperature_c)
