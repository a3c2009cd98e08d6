"""The whole outlook of one site in one pure step: forecasts, shifts, plan, and what goes to the phone."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from monitor.outlook.action import Action, PlanInputs
from monitor.outlook.forecast import ZoneForecast
from monitor.outlook.hourly import AHEAD_H, AirHistory, FloatArray, OutdoorAir
from monitor.outlook.inputs import LEAST_PRESSURE_PA
from monitor.outlook.plan import plan
from monitor.outlook.response import ZoneModel, explain, forecast
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import Ahead, ShiftOutlook, look_ahead, shift_outlooks
from monitor.outlook.shifts import ShiftPlan, upcoming
from monitor.outlook.warning import WarningDecision, WarningMemory, WarningRules, decide
from monitor.outlook.whatif import Control, Practice, ZoneAnswer, ahead_under, zone_answer
from monitor.physics.saturation import dew_point_c


@dataclass(frozen=True, slots=True)
class SiteInputs:
    """What is known of a site: models fitted this morning, and every zone's last hours on the same rows.

    `outdoor` stands on those rows and runs on as far as a forecast was had.
    """

    scene: Scene
    models: Mapping[str, ZoneModel]
    recent: Mapping[str, AirHistory]
    outdoor: OutdoorAir | None
    shifts: ShiftPlan
    practice: Practice


@dataclass(frozen=True, slots=True)
class SiteOutlook:
    """The outlook of a site as of one hour."""

    now_s: float
    forecasts: Mapping[str, ZoneForecast]
    shifts: tuple[ShiftOutlook, ...]
    actions: tuple[Action, ...]
    explanations: Mapping[str, str]
    questions: PlanInputs  # what a what-if is asked of


def site_outlook(inputs: SiteInputs, now_s: float) -> SiteOutlook:
    """Forecast every zone, judge the shifts of the next 48 hours, and plan for them."""
    made = {
        zone: forecast(model, inputs.recent[zone], inputs.outdoor)
        for zone, model in inputs.models.items()
        if zone in inputs.recent
    }
    outdoor_pa = _outdoor_pa(inputs)
    outdoor_dew = dew_point_c(np.maximum(outdoor_pa[1:], LEAST_PRESSURE_PA))
    scene = replace(inputs.scene, outdoor_dew_point_c=tuple(outdoor_dew.tolist()))
    ahead = look_ahead(scene, made, now_s)
    spans = tuple(
        span for span in upcoming(inputs.shifts, now_s, AHEAD_H * 3600.0) if span.site == scene.site
    )
    outlooks = shift_outlooks(scene, ahead, spans)
    questions = PlanInputs(scene, ahead, spans, _answers(inputs), outdoor_pa, inputs.practice)
    told = {zone: said.text for zone, model in inputs.models.items() if (said := explain(model))}
    return SiteOutlook(now_s, made, outlooks, plan(questions, outlooks), told, questions)


def what_if(outlook: SiteOutlook, controls: Mapping[str, Control]) -> tuple[ShiftOutlook, ...]:
    """The shifts again, with doors, heaters and dryers handled otherwise (by zone)."""
    asked = outlook.questions
    ahead: Ahead = ahead_under(
        asked.scene, asked.ahead, controls, asked.answers, asked.outdoor_pa, asked.practice
    )
    return shift_outlooks(asked.scene, ahead, asked.shifts)


def warnings(
    outlook: SiteOutlook, memory: WarningMemory, rules: WarningRules
) -> tuple[WarningMemory, tuple[WarningDecision, ...]]:
    """What goes to the phone now, early enough for the plan's first deadline."""
    first: dict[str, float] = {}
    for action in outlook.actions:
        first[action.shift_id] = min(action.by_s, first.get(action.shift_id, action.by_s))
    return decide(outlook.shifts, memory, outlook.now_s, rules, first)


def _answers(inputs: SiteInputs) -> dict[str, ZoneAnswer]:
    found = {}
    for zone, model in inputs.models.items():
        if zone not in inputs.recent:
            continue
        answer = zone_answer(model, inputs.practice, inputs.recent[zone], inputs.outdoor)
        if answer is not None:
            found[zone] = answer
    return found


def _outdoor_pa(inputs: SiteInputs) -> FloatArray:
    """Outdoor vapour pressure now and for 48 hours; NaN where it is not known."""
    known = np.full(AHEAD_H + 1, np.nan)
    if inputs.outdoor is not None and inputs.recent:
        rows = next(iter(inputs.recent.values())).temperature_c.size
        coming = inputs.outdoor.vapour_pressure_pa[rows - 1 : rows + AHEAD_H]
        known[: coming.size] = coming
    return known
