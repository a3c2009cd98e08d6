"""What nobody measured of a body is supposed against us, as a range whose two ends are both carried along.

A body's own state is the end against us; the kinder end is kept beside it until both have come together, as
the body's own time constant lets them. Where only the end against us is not safe, the level is unknown;
where both are not, the worse one speaks.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from monitor.core.body_air import BodyAir
from monitor.core.shop import Shop, Suppositions
from monitor.core.zone_air import Sample
from monitor.model.errors import Fault, InputError
from monitor.physics.air_course import AIR_RANGE_C
from monitor.physics.bodies import Body
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BODY_RANGE_C, BodyState, start_state
from monitor.physics.night_sky import NO_FORECAST, Clouds
from monitor.physics.placed_body import BodyFacts
from monitor.physics.saturation import saturation_pressure_water_pa, vapour_pressure_pa

HOUR_S = 3600.0
JUST_S = 1.0  # the supposed air begins just after the last known one, and ends just before the next
UNIFORM = 12.0**0.5  # the standard deviation of what lies anywhere in a range, by its width (JCGM 100, 4.3.7)


@dataclass(frozen=True, slots=True)
class Supposed:
    """What is supposed of a body: the kinder end of the range, and why; `before` a gap in its air, if one."""

    kinder: BodyState
    words: str
    before: BodyState | None = None


class Held(NamedTuple):
    """What is held of a body: its state against us, and what of it is supposed."""

    state: BodyState | None
    supposed: Supposed | None = None


NOT_KNOWN = Held(None)


class SupposedCourse(NamedTuple):
    """A body in its zone's air, and how what is not measured there is supposed."""

    body: Body
    air: BodyAir
    rules: Suppositions
    together_k: float  # ends this close are one
    start_k: float  # how much colder than the first air it may be


def suppositions(data: Mapping[str, Any]) -> Suppositions:
    """The rules of `shared/supposed.toml`; InputError for one that is missing or no number."""
    rows = data.get("supposed", {})
    found: dict[str, float] = {}
    for name in (
        "standing_k",
        "brought_in_k",
        "swing_k",
        "swing_in_h",
        "look_back_h",
        "whole_day_h",
        "wet_odds_frac",
    ):
        value = rows.get(name, {}).get("value")
        if isinstance(value, bool) or not isinstance(value, int | float) or value <= 0.0:
            raise InputError([Fault(f"supposed.{name}", repr(value), "write a number above zero")])
        found[name] = float(value)
    return Suppositions(**found)


def course_of(shop: Shop, facts: BodyFacts, air: BodyAir) -> SupposedCourse:
    """How a body of the shop is carried along where it stands now."""
    rules = shop.supposed
    start_k = rules.brought_in_k if facts.brought_in else rules.standing_k
    return SupposedCourse(facts.body, air, rules, shop.limits.margin_dead_band_k, start_k)


def air_of(shop: Shop, zone: str, samples: Sequence[Sample], clouds: Clouds = NO_FORECAST) -> BodyAir:
    """Samples of a zone's air, for the bodies that stand in it."""
    return BodyAir(shop.zones[zone], samples, shop.fresh_s[zone], clouds)


def between(body: Body, time_s: float, cold_c: float, warm_c: float) -> Held:
    """A body that may be as cold as one and as warm as the other, and dry."""
    low, high = max(cold_c, BODY_RANGE_C[0]), min(max(warm_c, cold_c), BODY_RANGE_C[1])
    std = (high - low) / UNIFORM
    cold, warm = (start_state(body, time_s, end, temperature_std_k=std) for end in (low, high))
    words = f"start temperature not entered, taken as up to {high - low:.0f} °C colder than the air"
    return Held(cold, Supposed(warm, words))


def carried(course: SupposedCourse, held: Held) -> Held:
    """Both ends after the samples of the zone's air; across a gap the air may have gone cold meanwhile."""
    air = course.air
    if held.state is None:
        first = air.first()
        if first is None:
            return held
        cold_c = first.temperature_c - course.start_k
        held = between(course.body, first.time_s, cold_c, first.temperature_c)
    assert held.state is not None
    before_s = held.state.time_s
    for run in air.runs_after(before_s):
        if run[0].time_s - before_s > air.gap_s:
            held = _through_gap(course, held, run[0])
        before_s = run[-1].time_s
        held = _along(course, held, run)
    return held


def _along(course: SupposedCourse, held: Held, run: Sequence[Sample]) -> Held:
    """Both ends through air that was heard, until they have come together."""
    assert held.state is not None
    state = course.air.carried(course.body, held.state, run)
    supposed = held.supposed
    if supposed is None:
        return Held(state)
    kinder = course.air.carried(course.body, supposed.kinder, run)
    apart_k = abs(kinder.skin_c - state.skin_c)
    same_film = (kinder.film_gm2 < DRY_BELOW_GM2) == (state.film_gm2 < DRY_BELOW_GM2)
    if apart_k <= course.together_k and same_film:
        return Held(state)
    return Held(state, Supposed(kinder, supposed.words, supposed.before))


def _through_gap(course: SupposedCourse, held: Held, back: Sample) -> Held:
    """Up to the first air after a gap: one end as if the air had gone cold at once, one joined straight.

    The air is supposed no colder than the warmer side of the gap less what a night does, and as damp as the
    damper side, as far as such air can be.
    """
    state, rules = held.state, course.rules
    assert state is not None
    gap_s = back.time_s - state.time_s
    before_c = back.temperature_c if state.air_temperature_c is None else state.air_temperature_c
    swing_k = rules.swing_k * min(gap_s / (rules.swing_in_h * HOUR_S), 1.0)
    cold_c = min(before_c, back.temperature_c, max(before_c, back.temperature_c) - swing_k)
    cold_c = max(cold_c, AIR_RANGE_C[0])
    vapour_pa = vapour_pressure_pa(back.temperature_c, back.relative_humidity_frac)
    if state.vapour_pressure_pa is not None:
        vapour_pa = max(vapour_pa, state.vapour_pressure_pa)
    damp_frac = min(vapour_pa / saturation_pressure_water_pa(cold_c), 1.0)
    night = (
        Sample(state.time_s + JUST_S, cold_c, damp_frac),
        Sample(back.time_s - JUST_S, cold_c, damp_frac),
        back,
    )
    against = course.air.carried_through(course.body, state, night)
    known = held.supposed
    kinder = state if known is None else known.kinder
    straight = course.air.carried_through(course.body, kinder, (back,))
    before = state if known is None or known.before is None else known.before
    words = f"air not heard for {_long(gap_s)}, taken as up to {swing_k:.0f} °C colder meanwhile"
    return Held(against, Supposed(straight, words, before))


def _long(seconds: float) -> str:
    return f"{seconds / 60.0:.0f} min" if seconds < HOUR_S else f"{seconds / HOUR_S:.0f} h"
