"""What the sample yard's look ahead gave: a humid day shift, and a dry late one, from invented courses."""

from datetime import datetime
from functools import cache

import numpy as np

from monitor.consumables.classes import Place, consumable_classes
from monitor.consumables.exposure_clock import start_clock
from monitor.consumables.exposure_limits import clock_rules
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.stays import Stay
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.action import PlanInputs
from monitor.outlook.courses import ZoneCourse
from monitor.outlook.plan import plan
from monitor.outlook.scene import PlanPhrases, Scene, ZoneAhead
from monitor.outlook.shift_outlook import Ahead, shift_outlooks, with_bodies
from monitor.outlook.shifts import upcoming
from monitor.outlook.telling import telling_from
from monitor.outlook.warning import Score, WarningOutcome
from monitor.outlook.whatif import ZoneAnswer, practice_from_mapping
from monitor.physics.bodies import body_data, cylinder_body, plate_body
from monitor.physics.lag import start_state
from monitor.physics.placed_body import BodyFacts
from monitor.physics.saturation import saturation_pressure_water_pa
from monitor.settings.reference import load_toml
from monitor.web.frame.deps import SiteAhead
from tests.web.sample_shop import NOW_S, TZ, shift_plan

COURSES = 40
HOURS = np.arange(49.0)
NAMES = {"slip-bay": "Slip Bay", "panel-hall": "Panel Hall", "gas-cage": "Gas Cage"}


def _course(air_c: float, dew_c: float, swing_c: float) -> ZoneCourse:
    """The dew point climbs until late morning and falls off after that."""
    push = np.linspace(-2.8, 2.8, COURSES)[:, None] * np.minimum(HOURS / 6.0, 1.0)
    push = np.vstack([push, np.zeros((1, HOURS.size))])
    air = np.broadcast_to(air_c + swing_c * np.sin((HOURS - 2.0) * np.pi / 12.0), push.shape)
    dew = dew_c + 2.0 * np.exp(-(((HOURS - 4.0) / 4.0) ** 2)) - 0.08 * HOURS + push
    return ZoneCourse(NOW_S + 3_600.0 * HOURS, air.copy(), saturation_pressure_water_pa(np.minimum(dew, air)))


def _zone(name: str, kind: str, limit: float, **more: object) -> ZoneAhead:
    return ZoneAhead(name, NAMES[name], "ferrymoor", kind, limit_humidity_frac=limit, **more)  # type: ignore[arg-type]


@cache
def site_ahead() -> SiteAhead:
    """The sample site's outlook."""
    data = body_data(load_toml("bodies.toml"))
    shell = cylinder_body(data, "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)
    keel = plate_body(data, thickness_m=0.025, width_m=1.0, length_m=2.0)
    rules = clock_rules(
        consumable_classes(load_toml("consumables.toml"))["fcaw-folded-h8"], reading_speaks_s=900.0
    )
    bodies = [BodyFacts(f"mix-{n}", f"Mix {n}", "cylinder", "gas-cage", shell) for n in range(1, 7)]
    states = {f"mix-{n}": start_state(shell, NOW_S, 10.5 + n / 5) for n in range(1, 7)}
    bodies.append(BodyFacts("keel-25", "Keel plate 25 mm", "plate", "slip-bay", keel))
    states["keel-25"] = start_state(keel, NOW_S, 15.5)
    spool = start_clock(NOW_S - 70 * 3_600.0, rules, Place.OPEN_AIR, "slip-bay")
    stays = (Stay(Place.OPEN_AIR, "slip-bay", spool.opened_s),)
    scene = Scene(
        site="ferrymoor",
        words=PlanPhrases(TZ),
        zones={
            "slip-bay": _zone("slip-bay", "bay", 0.8, has_door=True, heat_up_to_c=19.0),
            "panel-hall": _zone("panel-hall", "hall", 0.8, has_door=True),
            "gas-cage": _zone("gas-cage", "cage", 0.97),
        },
        telling=telling_from(load_toml("outlook.toml")),
        margin_k=3.0,
        warn_frac=0.2,
        bodies=tuple(bodies),
        states=states,
        packages=(PackageFacts("spool-12", "Spool 12", "fcaw-folded-h8", "slip-bay", stays, rules),),
        clocks={"spool-12": spool},
    )
    air = {
        "slip-bay": _course(16.5, 11.4, 1.5),
        "panel-hall": _course(18.0, 11.0, 1.0),
        "gas-cage": _course(13.5, 11.0, 2.0),
    }
    ahead = with_bodies(scene, air, Ahead(NOW_S, air, {}, ("Panel Hall: only 9 days to learn from",), ()))
    day_s = datetime(2026, 9, 18, 6, 0, tzinfo=TZ).timestamp()
    spans = tuple(
        ShiftSpan(f"ferrymoor:{name}:{n}", "ferrymoor", name, day_s + start * 3_600.0, day_s + end * 3_600.0)
        for n, (name, start, end) in enumerate((("Day", 0, 8), ("Late", 8, 16), ("Saturday", 25, 30)))
    )
    outlooks = shift_outlooks(scene, ahead, spans)
    answers = {"slip-bay": ZoneAnswer(0.6, 0.4, 2.5, measured=False)}
    outdoor_pa = saturation_pressure_water_pa(15.5 - 0.1 * HOURS)
    practice = practice_from_mapping(load_toml("outlook.toml"))
    questions = PlanInputs(scene, ahead, spans, answers, outdoor_pa, practice)
    return SiteAhead(
        site="ferrymoor",
        looked_s=NOW_S - 300.0,
        outlooks=outlooks,
        actions=plan(questions, outlooks),
        questions=questions,
        explanations={"slip-bay": "Moisture follows the outdoor air with a lag of 100 min."},
        weather="an invented weather office, open licence",
        forecast_good=True,
    )


def scores() -> tuple[Score, ...]:
    """How the sample's warnings came out: two hits, a miss, a false alarm, quiet shifts between."""
    start_s = datetime(2026, 9, 14, 6, 0, tzinfo=TZ).timestamp()
    outcomes = (
        (WarningOutcome.QUIET, None, 0.04),
        (WarningOutcome.HIT, 9.5, 0.62),
        (WarningOutcome.MISS, None, 0.11),
        (WarningOutcome.FALSE_ALARM, 11.0, 0.35),
        (WarningOutcome.QUIET, None, 0.08),
        (WarningOutcome.HIT, 12.5, 0.9),
    )
    shifts = upcoming(shift_plan(), start_s, 3 * 86_400.0)
    return tuple(
        Score(shift, outcome, None if lead_h is None else lead_h * 3_600.0, shown_frac=odds)
        for shift, (outcome, lead_h, odds) in zip(shifts, outcomes, strict=True)
    )
