"""Changes of a plan that no rule rewards: more exposure, less evidence, a worse oven, wetter air."""

import math
import random
from collections.abc import Callable
from dataclasses import replace

from tests.consumables import plain_rules as rules
from tests.consumables.plain_evidence import Rows
from tests.consumables.plans import HOT_ZONES, METAL, PLASTIC, H, Plan, Step

QUARTER_S = 900.0
Change = Callable[[random.Random, Plan], Plan | None]


def _stay_at(plan: Plan, at_s: float) -> Step:
    before = [step for step in sorted(plan.steps, key=lambda step: step.at_s) if step.at_s <= at_s]
    return before[-1]


def _inside(draw: random.Random, plan: Plan) -> float:
    return draw.uniform(plan.opened_s, plan.now_s)


def one_exposure_more(draw: random.Random, plan: Plan) -> Plan | None:
    """Out of its place for some minutes, and back."""
    at_s = _inside(draw, plan)
    stay = _stay_at(plan, at_s)
    nexts = [step.at_s for step in plan.steps if step.at_s > at_s]
    back_s = at_s + draw.choice((1.0, 60.0, 1800.0, 2 * H))
    if back_s >= min(nexts, default=plan.now_s):
        return None
    out = Step(at_s, draw.choice(("open-air", "on-machine")), "hall")
    back = replace(stay, at_s=back_s, fresh=False, typed_c=None)
    return replace(plan, steps=(*plan.steps, out, back))


def opened_earlier(draw: random.Random, plan: Plan) -> Plan | None:
    """The container was opened before that."""
    first, *later = plan.steps
    return replace(plan, steps=(replace(first, at_s=first.at_s - draw.choice((60.0, H, 10 * H))), *later))


def an_entry_twice(draw: random.Random, plan: Plan) -> Plan | None:
    """The same move entered once more, then or a little later."""
    one = draw.choice(plan.steps[1:]) if plan.steps[1:] else None
    if one is None:
        return None
    later_s = one.at_s + draw.choice((0.0, 1.0, 600.0))
    if _stay_at(plan, later_s) != one or later_s > plan.now_s:
        return None
    return replace(plan, steps=(*plan.steps, replace(one, at_s=later_s, fresh=False, typed_c=None)))


def a_sensor_less(draw: random.Random, plan: Plan) -> Plan | None:
    """A zone's sensors were never there."""
    zone = draw.choice((*plan.air, *plan.probes)) if plan.air or plan.probes else None
    if zone is None:
        return None
    air = {name: rows for name, rows in plan.air.items() if name != zone}
    return replace(plan, air=air, probes={name: rows for name, rows in plan.probes.items() if name != zone})


def a_gap(draw: random.Random, plan: Plan) -> Plan | None:
    """Nothing was heard for a while."""
    start_s = _inside(draw, plan)
    end_s = start_s + draw.choice((QUARTER_S, H, 12 * H, 1e9))

    def kept(rows: Rows) -> Rows:
        return tuple(row for row in rows if not start_s <= row[0] < end_s)

    return replace(
        plan,
        air={zone: kept(rows) for zone, rows in plan.air.items()},
        probes={zone: tuple(kept(rows) for rows in probes) for zone, probes in plan.probes.items()},
    )


def readings_that_are_none(draw: random.Random, plan: Plan) -> Plan | None:
    """Readings of the air came as NaN for a while."""
    start_s = _inside(draw, plan)
    end_s = start_s + draw.choice((QUARTER_S, H, 12 * H, 1e9))
    return replace(
        plan,
        air={
            zone: tuple((t, c, math.nan if start_s <= t < end_s else rh) for t, c, rh in rows)
            for zone, rows in plan.air.items()
        },
    )


def wetter_air(draw: random.Random, plan: Plan) -> Plan | None:
    """More water in all the air."""
    more = draw.choice((0.01, 0.1, 0.4))
    return replace(
        plan,
        air={
            zone: tuple((t, c, min(rh + more, 1.0)) for t, c, rh in rows) for zone, rows in plan.air.items()
        },
    )


def a_cooler_oven(draw: random.Random, plan: Plan) -> Plan | None:
    """An oven at holding heat was a little colder than it has to be, or cold, from some moment on."""
    zone, from_s = draw.choice(HOT_ZONES), _inside(draw, plan)
    less = draw.choice((1.0, 15.0, 100.0))
    if zone not in plan.probes:
        return None

    def cooler(rows: Rows) -> Rows:
        return tuple((t, c - less if t >= from_s else c) for t, c in rows)

    return replace(plan, probes={**plan.probes, zone: tuple(cooler(rows) for rows in plan.probes[zone])})


def a_shorter_stay_in_the_oven(draw: random.Random, plan: Plan) -> Plan | None:
    """Out of the oven sooner, onto the bench until it goes where it went."""
    hot = [step for step in plan.steps if step.place in rules.OVENS]
    if not hot:
        return None
    one = draw.choice(hot)
    end_s = min((step.at_s for step in plan.steps if step.at_s > one.at_s), default=plan.now_s)
    out_s = draw.uniform(one.at_s, end_s)
    return replace(plan, steps=(*plan.steps, Step(out_s, "open-air", "hall")))


def less_said(draw: random.Random, plan: Plan) -> Plan | None:
    """One thing fewer that was said for the pack: fresh desiccant, metal, the maker's word, a test."""
    bagged = [n for n, step in enumerate(plan.steps) if step.fresh]
    typed = [n for n, step in enumerate(plan.steps) if step.typed_c is not None and step.typed_c < 250.0]
    choices: list[Plan] = []
    if bagged:
        n = draw.choice(bagged)
        choices.append(replace(plan, steps=_with(plan.steps, n, replace(plan.steps[n], fresh=False))))
    if typed:
        n = draw.choice(typed)
        choices.append(replace(plan, steps=_with(plan.steps, n, replace(plan.steps[n], typed_c=None))))
    if plan.spool == METAL:
        choices += [replace(plan, spool=PLASTIC), replace(plan, spool="")]
    if plan.makers_word:
        choices.append(replace(plan, makers_word=False))
    if plan.tested_b is not None:
        choices.append(replace(plan, tested_b=None))
    return draw.choice(choices) if choices else None


def _with(steps: tuple[Step, ...], n: int, step: Step) -> tuple[Step, ...]:
    return (*steps[:n], step, *steps[n + 1 :])


def later(draw: random.Random, plan: Plan) -> Plan | None:
    """Time went by where it lies, outside a bake."""
    if max(plan.steps, key=lambda step: step.at_s).place == "redry":
        return None
    return replace(plan, now_s=plan.now_s + draw.choice((1.0, H, 40 * H)))


CHANGES: dict[str, Change] = {
    "one exposure more": one_exposure_more,
    "opened earlier": opened_earlier,
    "an entry twice": an_entry_twice,
    "a sensor less": a_sensor_less,
    "a gap": a_gap,
    "NaN air": readings_that_are_none,
    "wetter air": wetter_air,
    "a cooler oven": a_cooler_oven,
    "a shorter stay in the oven": a_shorter_stay_in_the_oven,
    "less said": less_said,
    "later": later,
}
