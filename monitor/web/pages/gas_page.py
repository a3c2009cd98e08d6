"""The gas page: which cylinders sweat and until when, wet tail, regulator, purge; with the cautions."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse
from pydantic import BaseModel, Field

from monitor.gas.questions import (
    FLOWS_LMIN,
    GasCylinder,
    HoseAsk,
    PurgeAnswer,
    RegulatorAnswer,
    RegulatorRow,
    WetTail,
    purge_answer,
    regulator_answer,
    wet_tail,
)
from monitor.gas.usual_practice import GasUse, gas_use
from monitor.model.air import AirState
from monitor.model.errors import Fault, InputError, RangeError
from monitor.model.picture import Picture, ZoneNow
from monitor.model.shop_units import FT3H_PER_LMIN, FT_PER_M, IN_PER_MM, PSI_PER_BAR
from monitor.physics.gas_data import gas_data
from monitor.settings.reference import load_toml
from monitor.web.frame.page import Web

BAR = 1.0e5
MM = 1_000.0


class GasAsk(BaseModel):
    """What somebody wants to know; what is left out is as usual."""

    zone: Annotated[str, Field(max_length=48)] = ""
    gas: Annotated[str, Field(max_length=48)] = "argon-co2"
    gauge_bar: Annotated[float, Field(ge=0, le=400)] | None = None  # None: three quarters full
    flow: Annotated[float, Field(ge=1, le=100)] | None = None
    regulator: Annotated[str, Field(max_length=48)] = ""
    hose: Annotated[str, Field(max_length=48)] = ""
    hose_m: Annotated[float, Field(ge=0.5, le=100)] | None = None
    bore_mm: Annotated[float, Field(ge=2, le=20)] | None = None
    idle_h: Annotated[float, Field(ge=0, le=1_000)] | None = None
    gauge_psi: Annotated[float, Field(ge=0, le=5_802)] | None = None  # these stand for the metric ones
    flow_ft3h: Annotated[float, Field(ge=2, le=212)] | None = None
    hose_ft: Annotated[float, Field(ge=1.6, le=328.1)] | None = None
    bore_in: Annotated[float, Field(ge=0.078, le=0.788)] | None = None


@dataclass(frozen=True, slots=True)
class GasAnswer:
    """The three answers, and the regulator at the flow that was asked about (None: not worked out)."""

    tail: WetTail
    regulator: RegulatorAnswer
    at_flow: RegulatorRow | None
    purge: PurgeAnswer


def routes(web: Web) -> APIRouter:
    """The page."""
    router = APIRouter(include_in_schema=False)
    use = gas_use(load_toml("gas_use.toml"), gas_data(load_toml("gas_grades.toml")))

    @router.get("/gas")
    def gas(request: Request, ask: Annotated[GasAsk, Query()]) -> HTMLResponse:
        snapshot = web.deps.snapshot()
        zone = chosen_zone(snapshot, ask.zone)
        found: GasAnswer | None = None
        faults: tuple[Fault, ...] = ()
        cylinder_c = None if zone is None else coldest_c(snapshot, zone)
        ask = as_usual(ask, use)
        try:
            if zone is not None and zone.air is not None and cylinder_c is not None:
                found = answer(ask, zone.air, cylinder_c, use)
        except RangeError as error:
            faults = (Fault(error.name, str(error.value), f"can be worked out within {error.valid}"),)
        except InputError as error:
            faults = error.faults
        return web.page(
            request,
            "gas.html",
            422 if faults else 200,
            here="things",
            ask=ask,
            zone=zone,
            cylinder_c=cylinder_c,
            found=found,
            faults=faults,
            use=use,
            PSI_PER_BAR=PSI_PER_BAR,
            FT3H_PER_LMIN=FT3H_PER_LMIN,
            FT_PER_M=FT_PER_M,
            IN_PER_MM=IN_PER_MM,
        )

    return router


def as_usual(ask: GasAsk, use: GasUse) -> GasAsk:
    """The question with what was left out filled in."""
    usual = use.usual
    return ask.model_copy(
        update={
            "gauge_bar": _metric(ask.gauge_bar, ask.gauge_psi, PSI_PER_BAR),
            "flow": _metric(ask.flow, ask.flow_ft3h, FT3H_PER_LMIN) or usual.flow_lmin.value,
            "regulator": ask.regulator or usual.regulator,
            "hose": ask.hose or usual.hose,
            "hose_m": _metric(ask.hose_m, ask.hose_ft, FT_PER_M) or usual.hose_length_m.value,
            "idle_h": usual.idle_h.value if ask.idle_h is None else ask.idle_h,
            "bore_mm": _metric(ask.bore_mm, ask.bore_in, IN_PER_MM) or usual.hose_bore_m.value * MM,
        }
    )


def _metric(metric: float | None, us: float | None, factor: float) -> float | None:
    """What was asked in US units, else in metric ones."""
    return metric if us is None else us / factor


def answer(ask: GasAsk, air: AirState, cylinder_c: float, use: GasUse) -> GasAnswer:
    """For a cylinder at `cylinder_c` in this air; InputError or RangeError where it cannot be worked out."""
    ask = as_usual(ask, use)
    assert ask.flow is not None
    assert ask.hose_m is not None
    assert ask.bore_mm is not None
    assert ask.idle_h is not None
    for name, found, known in (
        ("regulator", ask.regulator, use.data.regulators),
        ("hose", ask.hose, use.data.hoses),
    ):
        if found not in known:
            raise InputError([Fault(name, found, f"use one of: {', '.join(known)}")])
    cylinder = GasCylinder(ask.gas, cylinder_c, None if ask.gauge_bar is None else ask.gauge_bar * BAR)
    hose = HoseAsk(ask.hose, ask.hose_m, ask.bore_mm / MM, use.usual.hose_wall_m.value, ask.flow)
    flows = sorted({ask.flow, *FLOWS_LMIN})
    regulator = regulator_answer(cylinder, air, use, ask.regulator, flows)
    return GasAnswer(
        tail=wet_tail(cylinder, use),
        regulator=regulator,
        at_flow=next((row for row in regulator.rows if row.flow_lmin == ask.flow), None),
        purge=purge_answer(ask.gas, air, use, hose, [ask.idle_h]),
    )


def chosen_zone(snapshot: Picture, wanted: str) -> ZoneNow | None:
    """The zone asked for, else the one with most cylinders, else the first with air."""
    by_id = {zone.id: zone for zone in snapshot.zones}
    if wanted in by_id:
        return by_id[wanted]
    homes = [body.zone for body in snapshot.bodies if body.kind == "cylinder"]
    if homes:
        return by_id.get(max(homes, key=homes.count))
    return next((zone for zone in snapshot.zones if zone.air is not None), None)


def coldest_c(snapshot: Picture, zone: ZoneNow) -> float | None:
    """The coldest cylinder's skin; without one, the air of the zone."""
    skins = [
        body.skin_temperature_c
        for body in snapshot.bodies
        if body.kind == "cylinder" and body.zone == zone.id and body.skin_temperature_c is not None
    ]
    return min(skins, default=None if zone.air is None else zone.air.temperature_c)
