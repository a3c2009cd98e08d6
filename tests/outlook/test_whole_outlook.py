"""The whole outlook of a small invented yard, from hourly records to the phone."""

from dataclasses import dataclass
from datetime import time

import numpy as np
import pytest

from monitor.model.level import Level
from monitor.outlook.action import Action, PlanInputs
from monitor.outlook.hourly import AirHistory, OutdoorAir
from monitor.outlook.plan import plan
from monitor.outlook.response import RECENT_H, explain, fit, forecast
from monitor.outlook.scene import PlanPhrases, Scene, ZoneAhead
from monitor.outlook.shift_outlook import ShiftOutlook, look_ahead, shift_outlooks
from monitor.outlook.shifts import ShiftPlan, WeeklyShift, upcoming
from monitor.outlook.warning import Decision, WarningMemory, WarningRules, decide
from monitor.outlook.whatif import Control, ahead_under, zone_answer
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa
from tests.outlook.ahead import LONDON, TELLING, plate, practice, thing
from tests.outlook.air import START_S, room, weather

ROWS = 24 * 40 + 18  # the newest hour ends at 18:00 UTC
NOW_S = START_S + (ROWS - 1) * 3600.0
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
EARLY = ShiftPlan(
    (WeeklyShift(site="ferrymoor", name="Early", days=DAYS, start=time(7), end=time(15), zone=LONDON),)
)
RULES = WarningRules(min_lead_s=8 * 3600.0, probability=0.2, zone=LONDON, telling=TELLING)


@dataclass(frozen=True)
class Looked:
    """One look at the yard."""

    shifts: tuple[ShiftOutlook, ...]
    actions: tuple[Action, ...]
    inputs: PlanInputs
    explanations: dict[str, str]


def sea_air(outdoor: OutdoorAir) -> OutdoorAir:
    """The invented weather, with warm sea air from the tenth hour ahead."""
    air, pressure = outdoor.temperature_c.copy(), outdoor.vapour_pressure_pa.copy()
    warm = max(float(np.nanmax(air[ROWS - 240 : ROWS])), 14.0)
    air[ROWS + 9 :] = warm + 3.0
    pressure[ROWS + 9 :] = saturation_pressure_water_pa(warm + 2.5)
    return OutdoorAir(air, pressure)


def part(history: AirHistory) -> AirHistory:
    first = ROWS - RECENT_H
    return AirHistory(
        history.zone,
        history.start_s + first * 3600.0,
        history.temperature_c[first:],
        history.vapour_pressure_pa[first:],
    )


@pytest.fixture(scope="module")
def outlook() -> Looked:
    outdoor = sea_air(weather(ROWS + 48))
    past = OutdoorAir(outdoor.temperature_c[:ROWS], outdoor.vapour_pressure_pa[:ROWS])
    bay = room(past, ROWS, exchange_h=0.7, lag_h=14.0, zone="bay")
    store = room(past, ROWS, exchange_h=0.1, lag_h=40.0, heat_to_c=18.0, dry_to_frac=0.45, zone="store")
    zones = {
        "bay": ZoneAhead("bay", "Slip Bay", "ferrymoor", "bay", has_door=True, dry_down_to_frac=0.5),
        "store": ZoneAhead("store", "Wire Store", "ferrymoor", "store", limit_humidity_frac=0.6),
    }
    keel, state = thing("Plate keel", plate(0.04), "bay", float(bay.temperature_c[-1]))
    coming = dew_point_c(outdoor.vapour_pressure_pa[ROWS:])
    scene = Scene(
        "ferrymoor",
        PlanPhrases(LONDON),
        zones,
        TELLING,
        bodies=(keel,),
        margin_k=3.0,
        states={keel.id: state},
        warn_frac=0.2,
        outdoor_dew_point_c=tuple(coming.tolist()),
    )
    models = {zone.zone: fit(zone, past) for zone in (bay, store)}
    recent = {"bay": part(bay), "store": part(store)}
    first = ROWS - RECENT_H
    near = OutdoorAir(outdoor.temperature_c[first:], outdoor.vapour_pressure_pa[first:])
    ahead = look_ahead(scene, {z: forecast(m, recent[z], near) for z, m in models.items()}, NOW_S)
    spans = upcoming(EARLY, NOW_S, 48 * 3600.0)
    outlooks = shift_outlooks(scene, ahead, spans)
    answers = {z: zone_answer(m, practice(), recent[z], near) for z, m in models.items()}
    known = {z: answer for z, answer in answers.items() if answer is not None}
    outdoor_pa = near.vapour_pressure_pa[RECENT_H - 1 :][:49]
    inputs = PlanInputs(scene, ahead, spans, known, outdoor_pa, practice())
    said = {z: text for z, m in models.items() if (text := explain(m))}
    return Looked(outlooks, plan(inputs, outlooks), inputs, said)


def test_the_shift_under_the_sea_air_is_told_of_and_why(outlook: Looked) -> None:
    first = outlook.shifts[0]
    assert first.level in (Level.CAUTION, Level.DANGER)
    assert first.probability_frac is not None
    assert first.probability_frac > 0.8
    assert first.reason.startswith("wet air from outside from ")
    assert ": Plate keel at " in first.reason


def test_the_dehumidified_store_is_not_what_makes_it_humid(outlook: Looked) -> None:
    store = next(c for c in outlook.shifts[0].crossings if c.subject == "store")
    assert store.probability_frac < 0.1


def test_a_warning_goes_out_that_evening_and_once(outlook: Looked) -> None:
    memory, decisions = decide(outlook.shifts, WarningMemory(), NOW_S, RULES)
    assert [d.kind for d in decisions] == [Decision.WARN, Decision.WARN]  # both mornings of the sea air
    assert decisions[0].shift == outlook.shifts[0].shift
    assert decide(outlook.shifts, memory, NOW_S, RULES)[1] == ()


def what_if(outlook: Looked, controls: dict[str, Control]) -> tuple[ShiftOutlook, ...]:
    asked = outlook.inputs
    ahead = ahead_under(asked.scene, asked.ahead, controls, asked.answers, asked.outdoor_pa, asked.practice)
    return shift_outlooks(asked.scene, ahead, asked.shifts)


def test_a_what_if_answers_with_the_same_shifts_and_other_odds(outlook: Looked) -> None:
    shift = outlook.shifts[0].shift
    control = Control(dry_to_frac=0.5, dry_from_s=NOW_S, shut_from_s=NOW_S, shut_until_s=shift.end_s)
    answered = what_if(outlook, {"bay": control})
    assert [a.shift for a in answered] == [s.shift for s in outlook.shifts]
    assert (answered[0].probability_frac or 0.0) < (outlook.shifts[0].probability_frac or 0.0)
    assert what_if(outlook, {})[0].probability_frac == outlook.shifts[0].probability_frac


def test_what_is_planned_belongs_to_the_shifts_ahead(outlook: Looked) -> None:
    assert outlook.actions
    known = {s.shift.id for s in outlook.shifts}
    assert {a.shift_id for a in outlook.actions} <= known
    assert all(a.by_s >= NOW_S for a in outlook.actions)


def test_each_zone_is_explained(outlook: Looked) -> None:
    assert set(outlook.explanations) == {"bay", "store"}
