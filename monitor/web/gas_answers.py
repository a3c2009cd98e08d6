"""What the gas does: the wet tail of a cold cylinder, a sweating regulator, the purge after idle days."""

import math
from dataclasses import dataclass
from typing import Annotated, Literal

from pydantic import BaseModel, Field

from monitor.physics.cylinder_moisture import (
    CylinderFill,
    condensation_onset_c,
    dry_pressure_pa,
    leaving_ppmv,
)
from monitor.physics.gas_data import GasData
from monitor.physics.purge import HoseDuty, purge_time_s, running_ppmv
from monitor.physics.regulator import (
    RegulatorDuty,
    RegulatorState,
    icing_flow_lmin,
    regulator_state,
    wetting_flow_lmin,
)
from monitor.physics.shielding_gas import GasMixture, gas_mixture
from monitor.values import AirState

BAR = 1.0e5
ATMOSPHERE_PA = 101_325.0
RATED_C = 15.0
LOW_BAR = 10.0
MM = 1_000.0
MIXTURES = {
    "argon-co2": ("Argon with 18 % CO₂", {"argon": 0.82, "carbon_dioxide": 0.18}, "iso14175_m2"),
    "argon": ("Argon", {"argon": 1.0}, "iso14175_i"),
    "argon-oxygen": ("Argon with 2 % oxygen", {"argon": 0.98, "oxygen": 0.02}, "iso14175_m1"),
}
HOSES = ("natural_rubber", "neoprene", "pvc", "polyethylene", "ptfe")


class GasAsk(BaseModel):
    """What somebody wants to know; everything has a usual value."""

    zone: Annotated[str, Field(max_length=48)] = ""
    gas: Literal["argon-co2", "argon", "argon-oxygen"] = "argon-co2"
    filled_bar: Annotated[float, Field(ge=20, le=300)] = 200.0  # gauge, at 15 °C
    flow: Annotated[float, Field(ge=1, le=100)] = 15.0
    regulator: Literal["single_stage", "two_stage"] = "single_stage"
    hose: Literal["natural_rubber", "neoprene", "pvc", "polyethylene", "ptfe"] = "natural_rubber"
    hose_m: Annotated[float, Field(ge=0.5, le=100)] = 5.0
    bore_mm: Annotated[float, Field(ge=2, le=20)] = 6.0
    idle_h: Annotated[float, Field(ge=0, le=1_000)] = 64.0  # Friday 14:00 to Monday 06:00


@dataclass(frozen=True, slots=True)
class GasAnswer:
    """The three answers; infinity where the target is never reached."""

    limit_ppmv: float
    limit_source: str
    onset_c: float
    condenses: bool
    dry_bar: float | None  # gauge pressure down to which what leaves keeps the limit
    tail_ppmv: float
    state: RegulatorState
    sweats_from_lmin: float
    ices_from_lmin: float
    purge_s: float
    steady_ppmv: float


def mixture(name: str) -> GasMixture:
    """A gas of the list."""
    return gas_mixture(MIXTURES[name][1])


def answer(ask: GasAsk, air: AirState, cylinder_c: float, data: GasData) -> GasAnswer:
    """For a cylinder at `cylinder_c` in this air, filled with gas that just keeps its group's limit."""
    grade = data.grades[MIXTURES[ask.gas][2]]
    limit = grade.strictest_ppmv
    gas = mixture(ask.gas)
    fill = CylinderFill(gas, 0.05, ask.filled_bar * BAR + ATMOSPHERE_PA, RATED_C, limit)
    onset_c = condensation_onset_c(fill)
    duty = RegulatorDuty(
        gas, cylinder_c, 0.75 * ask.filled_bar * BAR, 2.5 * BAR, air.temperature_c, air.relative_humidity_frac
    )
    body = data.regulators[ask.regulator]
    hose = data.hoses[ask.hose].hose(ask.hose_m, ask.bore_mm / MM, 0.0025)
    hose_duty = HoseDuty(air.temperature_c, air.vapour_pressure_pa, 2.5 * BAR, ask.flow, 0.5 * limit)
    condenses = cylinder_c < onset_c
    dry_bar = (dry_pressure_pa(cylinder_c, fill) - ATMOSPHERE_PA) / BAR if condenses else None
    return GasAnswer(
        limit_ppmv=limit,
        limit_source=f"{grade.document}, group {grade.group} ({grade.status})",
        onset_c=onset_c,
        condenses=condenses,
        dry_bar=dry_bar,
        tail_ppmv=float(leaving_ppmv(LOW_BAR * BAR, cylinder_c, fill)),
        state=regulator_state(ask.flow, duty, body),
        sweats_from_lmin=wetting_flow_lmin(duty, body),
        ices_from_lmin=icing_flow_lmin(duty, body),
        purge_s=purge_time_s(limit, ask.idle_h * 3_600, hose, hose_duty),
        steady_ppmv=float(running_ppmv(ask.flow, hose, hose_duty)),
    )


def reached(seconds: float) -> bool:
    """Whether a purge ever comes to its end."""
    return math.isfinite(seconds)
