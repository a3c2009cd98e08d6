"""What a cylinder's gas does: the wet tail, the regulator that sweats or ices, the purge after idle time.

Nothing here ever advises to heat a cylinder: it is moved in earlier, wiped dry, and waited for.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.gas.usual_practice import GasUse, Mixture
from monitor.model.air import AirState
from monitor.model.errors import InputError, RangeError
from monitor.physics.cylinder_moisture import (
    LIQUEFIED_RANGE_C,
    CylinderFill,
    condensation_onset_c,
    condensed_water_g,
    dry_pressure_pa,
    full_pressure_pa,
    leaving_ppmv,
    liquefied_leaving_ppmv,
)
from monitor.physics.gas_moisture import frost_point_from_ppmv_c
from monitor.physics.gas_state import carbon_dioxide_saturation_pa
from monitor.physics.purge import Hose, HoseDuty, purge_time_s, running_ppmv
from monitor.physics.regulator import (
    RegulatorDuty,
    RegulatorState,
    icing_flow_lmin,
    regulator_body_c,
    regulator_state,
    wetting_flow_lmin,
)

ATMOSPHERE_PA = 101_325.0
GAUGES_PA = (2.0e7, 1.5e7, 1.0e7, 7.5e6, 5.0e6, 3.0e6, 2.0e6, 1.0e6, 5.0e5)
LIQUID_LEFT = (1.0, 0.75, 0.5, 0.25, 0.1, 0.05)
FLOWS_LMIN = (8.0, 12.0, 15.0, 20.0, 25.0)
IDLE_H = (8.0, 16.0, 64.0, 24.0 * 7, 24.0 * 21)  # a night, a day off, the weekend, a week, a season's pause
_JUST_UNDER = 0.995  # of the vapour pressure of liquid carbon dioxide


@dataclass(frozen=True, slots=True)
class GasCylinder:
    """One cylinder now: its gas, how cold it is, its gauge (None: taken as three quarters full)."""

    gas: str
    temperature_c: float
    gauge_pa: float | None = None


@dataclass(frozen=True, slots=True)
class TailRow:
    """What leaves at one gauge pressure (or share of liquid left), and whether it keeps the limit."""

    gauge_pa: float | None
    liquid_left_frac: float | None
    ppmv: float
    frost_point_c: float  # at atmospheric pressure, as limits are quoted
    within: bool


@dataclass(frozen=True, slots=True)
class WetTail:
    """How wet what leaves the cylinder is on the way down, for gas that just keeps its limit when filled."""

    rows: tuple[TailRow, ...]
    limit_ppmv: float
    limit_source: str
    onset_c: float | None  # below it water condenses inside the full cylinder; None: liquefied
    condensed_g: float | None
    dry_gauge_pa: float | None  # down to it water stands inside; None: none does
    text: str


@dataclass(frozen=True, slots=True)
class RegulatorRow:
    """The regulator's body at one flow."""

    flow_lmin: float
    body_c: float
    state: RegulatorState


@dataclass(frozen=True, slots=True)
class RegulatorAnswer:
    """Whether it sweats or ices; no rows where that cannot be worked out, and why."""

    rows: tuple[RegulatorRow, ...]
    sweats_from_lmin: float | None  # None: stays dry up to the end of the range
    ices_from_lmin: float | None
    text: str


@dataclass(frozen=True, slots=True)
class PurgeRow:
    """How long gas has to run after a stretch of idle time; None: the limit is never reached at this flow."""

    idle_h: float
    seconds: float | None


@dataclass(frozen=True, slots=True)
class PurgeAnswer:
    """The purge after idle time, and the moisture that the hose lets in for good."""

    rows: tuple[PurgeRow, ...]
    steady_ppmv: float
    limit_ppmv: float
    text: str


@dataclass(frozen=True, slots=True)
class HoseAsk:
    """A hose and the flow through it."""

    material: str
    length_m: float
    bore_m: float
    wall_m: float
    flow_lmin: float


def usual_hose(use: GasUse) -> HoseAsk:
    """What is taken where nobody says otherwise."""
    usual = use.usual
    return HoseAsk(
        usual.hose,
        usual.hose_length_m.value,
        usual.hose_bore_m.value,
        usual.hose_wall_m.value,
        usual.flow_lmin.value,
    )


def _limit_source(mixture: Mixture) -> str:
    grade = mixture.grades[0]
    return f"{grade.document}, group {grade.group} ({grade.status})"


def _fill(mixture: Mixture, use: GasUse) -> CylinderFill:
    filled = mixture.filled_pa.value + ATMOSPHERE_PA
    return CylinderFill(
        mixture.gas, use.usual.volume_m3.value, filled, use.usual.rated_c.value, mixture.limit_ppmv
    )


def wet_tail(cylinder: GasCylinder, use: GasUse) -> WetTail:
    """What leaves a cylinder as its pressure falls; RangeError where it is too cold or hot to work out."""
    mixture = use.mixture(cylinder.gas)
    return _liquefied_tail(cylinder, mixture) if mixture.liquefied else _tail(cylinder, mixture, use)


def _tail(cylinder: GasCylinder, mixture: Mixture, use: GasUse) -> WetTail:
    fill, cold_c, limit = _fill(mixture, use), cylinder.temperature_c, mixture.limit_ppmv
    full_gauge = full_pressure_pa(cold_c, fill) - ATMOSPHERE_PA
    gauges = sorted({full_gauge, *(gauge for gauge in GAUGES_PA if gauge < full_gauge)}, reverse=True)
    leaving = leaving_ppmv(np.array(gauges) + ATMOSPHERE_PA, cold_c, fill).tolist()
    rows = tuple(_row(mixture, ppmv, gauge_pa=gauge) for gauge, ppmv in zip(gauges, leaving, strict=True))
    onset_c, water_g = condensation_onset_c(fill), condensed_water_g(cold_c, fill)
    dry_gauge = dry_pressure_pa(cold_c, fill) - ATMOSPHERE_PA if water_g > 0.0 else None
    return WetTail(
        rows, limit, _limit_source(mixture), onset_c, water_g, dry_gauge, _tail_text(rows, onset_c, water_g)
    )


def _tail_text(rows: Sequence[TailRow], onset_c: float, water_g: float) -> str:
    if water_g <= 0.0:
        return f"No water condenses inside down to {onset_c:.0f} °C: the gas leaves as dry as it was filled."
    over = next((row for row in rows if not row.within), None)
    wettest = max(row.ppmv for row in rows)
    start = (
        ""
        if over is None or over.gauge_pa is None
        else f", past its limit from {over.gauge_pa / 1e5:.0f} bar"
    )
    return (
        "As cold as this, water condenses inside; what leaves grows wetter as the pressure falls"
        f"{start}, up to {wettest:.0f} ppmv. Bring it indoors earlier and wait; change it early."
    )


def _liquefied_tail(cylinder: GasCylinder, mixture: Mixture) -> WetTail:
    cold_c = min(max(cylinder.temperature_c, LIQUEFIED_RANGE_C[0]), LIQUEFIED_RANGE_C[1])
    leaving = liquefied_leaving_ppmv(np.array(LIQUID_LEFT), cold_c, mixture.limit_ppmv).tolist()
    pairs = zip(LIQUID_LEFT, leaving, strict=True)
    rows = tuple(_row(mixture, ppmv, liquid_left_frac=left) for left, ppmv in pairs)
    text = (
        "The gauge shows the vapour pressure, not what is left: weigh it. The liquid left grows wetter: "
        f"the gas drawn holds {rows[0].ppmv:.0f} ppmv when full, {rows[-1].ppmv:.0f} ppmv at the last of it."
    )
    return WetTail(rows, mixture.limit_ppmv, _limit_source(mixture), None, None, None, text)


def _row(
    mixture: Mixture, ppmv: float, *, gauge_pa: float | None = None, liquid_left_frac: float | None = None
) -> TailRow:
    frost_c = frost_point_from_ppmv_c(ppmv, ATMOSPHERE_PA, mixture.gas)
    within = ppmv <= mixture.limit_ppmv * (1.0 + 1e-9)
    return TailRow(gauge_pa, liquid_left_frac, ppmv, frost_c, within)


def regulator_answer(
    cylinder: GasCylinder,
    air: AirState,
    use: GasUse,
    kind: str = "",
    flows_lmin: Sequence[float] = FLOWS_LMIN,
) -> RegulatorAnswer:
    """Whether the regulator sweats or ices at these flows in this air."""
    mixture, body = use.mixture(cylinder.gas), use.data.regulators[kind or use.usual.regulator]
    duty = RegulatorDuty(
        mixture.gas,
        cylinder.temperature_c,
        _inlet_pa(cylinder, mixture),
        use.usual.hose_pressure_pa.value + ATMOSPHERE_PA,
        air.temperature_c,
        air.relative_humidity_frac,
        ATMOSPHERE_PA,
    )
    try:
        rows = tuple(
            RegulatorRow(flow, regulator_body_c(flow, duty, body), regulator_state(flow, duty, body))
            for flow in flows_lmin
        )
        wets, ices = wetting_flow_lmin(duty, body), icing_flow_lmin(duty, body)
    except InputError:
        why = f"Not worked out for {mixture.title.lower()}; look at the outlet all the same."
        return RegulatorAnswer((), None, None, why)
    except RangeError as error:
        why = f"Not worked out: {error.name} is {error.value}, valid is {error.valid}."
        return RegulatorAnswer((), None, None, why)
    most = use.usual.most_flow_lmin.value
    wets_from, ices_from = None if wets >= most else wets, None if ices >= most else ices
    return RegulatorAnswer(rows, wets_from, ices_from, _regulator_text(wets_from, ices_from))


def _inlet_pa(cylinder: GasCylinder, mixture: Mixture) -> float:
    if mixture.liquefied:
        vapour = carbon_dioxide_saturation_pa(min(cylinder.temperature_c, 30.0)) * _JUST_UNDER
        return vapour if cylinder.gauge_pa is None else min(vapour, cylinder.gauge_pa + ATMOSPHERE_PA)
    gauge = 0.75 * mixture.filled_pa.value if cylinder.gauge_pa is None else cylinder.gauge_pa
    return gauge + ATMOSPHERE_PA


def _regulator_text(wets_lmin: float | None, ices_lmin: float | None) -> str:
    if wets_lmin is None:
        return "Stays dry in this air at any flow worked out here."
    ice = "" if ices_lmin is None else f" and ices from about {ices_lmin:.0f} L/min"
    start = "Sweats at any flow" if wets_lmin < 1.0 else f"Sweats from about {wets_lmin:.0f} L/min"
    return f"{start}{ice}, in this air at a steady flow. Keep outlet, seat and gloves dry."


def purge_answer(
    gas: str, air: AirState, use: GasUse, ask: HoseAsk | None = None, idle_h: Sequence[float] = IDLE_H
) -> PurgeAnswer:
    """How long gas has to run through a hose that stood idle, until what arrives keeps the gas's limit."""
    mixture, ask = use.mixture(gas), ask or usual_hose(use)
    hose: Hose = use.data.hoses[ask.material].hose(ask.length_m, ask.bore_m, ask.wall_m)
    limit = mixture.limit_ppmv
    duty = HoseDuty(
        air.temperature_c,
        air.vapour_pressure_pa,
        use.usual.hose_pressure_pa.value + ATMOSPHERE_PA,
        ask.flow_lmin,
        use.usual.supply_share.value * limit,
    )
    times = [purge_time_s(limit, hours * 3600.0, hose, duty) for hours in idle_h]
    rows = tuple(
        PurgeRow(hours, time_s if math.isfinite(time_s) else None)
        for hours, time_s in zip(idle_h, times, strict=True)
    )
    steady = running_ppmv(ask.flow_lmin, hose, duty)
    return PurgeAnswer(rows, steady, limit, _purge_text(rows, ask, steady, limit))


def _purge_text(rows: Sequence[PurgeRow], ask: HoseAsk, steady_ppmv: float, limit_ppmv: float) -> str:
    if steady_ppmv >= limit_ppmv:
        return (
            f"This hose lets in more than the limit for good: about {steady_ppmv:.0f} ppmv at "
            f"{ask.flow_lmin:g} L/min, limit {limit_ppmv:.0f}. A shorter or denser hose helps; no purge does."
        )
    longest = rows[-1]
    if longest.seconds is None:
        return "Not reached within days at this flow."
    minutes = max(longest.seconds / 60.0, 1.0)
    return (
        f"Estimate, within a factor of 2: about {minutes:.0f} min at {ask.flow_lmin:g} L/min after "
        f"{longest.idle_h:.0f} h idle (habit: 30 to 60 s). Trigger held, rolls released, room ventilated."
    )
