"""A small invented yard with a forecast that is known exactly, for the tests of shifts, plan and warning."""

import tomllib
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from monitor.consumables.classes import Place, consumable_classes
from monitor.consumables.exposure_clock import ExposureClock, start_clock
from monitor.consumables.exposure_limits import ClockRules, clock_rules
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.stays import Stay
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.forecast import Band, ZoneForecast
from monitor.outlook.hourly import AHEAD_H, FloatArray
from monitor.outlook.scene import PlanPhrases, Scene, ZoneAhead
from monitor.outlook.telling import telling_from
from monitor.outlook.whatif import Practice, practice_from_mapping
from monitor.physics.bodies import Body, BodyData, body_data, cylinder_body, plate_body
from monitor.physics.lag import BodyState, start_state
from monitor.physics.placed_body import BodyFacts

SHARED = Path(__file__).resolve().parents[2] / "shared"
LONDON = ZoneInfo("Europe/London")
NOW_S = 1_788_890_400.0  # Tuesday 8 September 2026, 18:00 UTC
START_S = NOW_S + 11 * 3600.0  # Wednesday 06:00 in London
SHIFT = ShiftSpan("ferrymoor:early", "ferrymoor", "Early", START_S, START_S + 8 * 3600.0)
Standing = tuple[BodyFacts, BodyState]
Lying = tuple[PackageFacts, ExposureClock]
HOURS = np.arange(AHEAD_H + 1.0)


def shared(name: str) -> dict[str, object]:
    return tomllib.loads((SHARED / name).read_text(encoding="utf-8"))


TELLING = telling_from(shared("outlook.toml"))


def body_figures() -> BodyData:
    return body_data(shared("bodies.toml"))


def practice() -> Practice:
    return practice_from_mapping(shared("outlook.toml"))


def plate(thickness_m: float = 0.012) -> Body:
    return plate_body(body_figures(), thickness_m=thickness_m, width_m=1.0, length_m=2.0)


def cylinder() -> Body:
    return cylinder_body(body_figures(), "argon", diameter_m=0.23, height_m=1.3, steel_kg=60.0, gas_kg=10.0)


def thing(name: str, body: Body, zone: str, temperature_c: float, work: str | None = None) -> Standing:
    kind = name.split()[0].lower()
    facts = BodyFacts(name.lower(), name, kind, zone, body, work_zone=work)
    return facts, start_state(body, NOW_S, temperature_c)


def forecast(
    zone: str, dew_c: FloatArray | float, air_c: FloatArray | float, spread_k: float = 0.5, count: int = 60
) -> ZoneForecast:
    """`dew_c` and `air_c` begin now; courses lie evenly `spread_k` about the median (standard deviation)."""
    dew, air = np.broadcast_to(dew_c, HOURS.shape), np.broadcast_to(air_c, HOURS.shape)
    rng = np.random.default_rng(1)
    push = (
        rng.permutation(np.linspace(-1.7, 1.7, count))[:, None] * spread_k * np.minimum(HOURS[1:] / 6.0, 1.0)
    )
    half = np.full(AHEAD_H, 1.28 * spread_k)
    return ZoneForecast(
        zone=zone,
        issued_s=NOW_S,
        now_dew_point_c=float(dew[0]),
        now_temperature_c=float(air[0]),
        times_s=NOW_S + HOURS[1:] * 3600.0,
        dew_point_c=Band(dew[1:], dew[1:] - half, dew[1:] + half),
        temperature_c=Band(air[1:], air[1:] - half, air[1:] + half),
        dew_point_samples_c=np.minimum(dew[1:] + push, air[1:]),
        temperature_samples_c=np.broadcast_to(air[1:], (count, AHEAD_H)).copy(),
        balance_dew_point_c=dew[1:].copy(),
        with_weather=True,
        notes=(),
    )


def rules(consumable: str, shop_limit_h: float | None = None) -> ClockRules:
    found = clock_rules(consumable_classes(shared("consumables.toml"))[consumable], reading_speaks_s=900.0)
    assert shop_limit_h is None or found.limit_h is not None
    return found


def package(name: str, zone: str, of: ClockRules, opened_s: float) -> Lying:
    clock: ExposureClock = start_clock(opened_s, of, Place.OPEN_AIR, zone)
    stays = (Stay(Place.OPEN_AIR, zone, opened_s),)
    return PackageFacts(name.lower(), name, of.consumable.id, zone, stays, of), clock


def scene(*, bodies: Sequence[Standing] = (), packages: Sequence[Lying] = (), **changes: object) -> Scene:
    base: dict[str, object] = {
        "site": "ferrymoor",
        "words": PlanPhrases(LONDON),
        "zones": {
            "bay": ZoneAhead("bay", "Slip Bay", "ferrymoor", "bay", has_door=True),
            "yard": ZoneAhead("yard", "Plate Yard", "ferrymoor", "yard"),
        },
        "telling": TELLING,
        "bodies": tuple(facts for facts, _ in bodies),
        "states": {facts.id: state for facts, state in bodies},
        "packages": tuple(facts for facts, _ in packages),
        "clocks": {facts.id: clock for facts, clock in packages},
        "margin_k": 3.0,
        "warn_frac": 0.2,
    }
    return Scene(**{**base, **changes})  # type: ignore[arg-type]
