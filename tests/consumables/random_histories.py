"""Random histories of packages, hostile on purpose: crossed and corrected entries, broken ovens, gaps."""

import math
import random
from dataclasses import replace

from tests.consumables import plain_rules as rules
from tests.consumables.plain_evidence import Row, Rows
from tests.consumables.plans import HOT_ZONES, METAL, PLASTIC, H, Plan, Step

TICK_S = 300.0
ELECTRODES = ("e7018", "e7018-r", "e7018m", "e8018-x", "e9018-x", "e11018-x", "en-basic-h5")
WIRES = ("fcaw-folded-h8", "fcaw-folded-h16", "fcaw-seamless-h4", "fcaw-self-shielded")
FLUXES = ("saw-flux-fused", "saw-flux-agglomerated")
OTHERS = ("e6013", "e6010", "metal-cored", "solid-wire")
OPEN_ZONES = ("bay", "hall", "store")
OVEN_ZONES = ("oven-a", "oven-b")
PLACE_ZONES = {
    "open-air": OPEN_ZONES,
    "on-machine": OPEN_ZONES,
    "bagged": OPEN_ZONES,
    "sealed": OPEN_ZONES,
    "dry-cabinet": ("cabinet",),
    "holding-oven": OVEN_ZONES,
    "heated-quiver": ("quiver",),
    "redry": OVEN_ZONES,
    "unknown": ("",),
}

OVEN_DAYS = (
    ("hot", (8.0, 130.0)),
    ("cold", (8.0, 25.0)),
    ("cool", (8.0, 115.0)),
    ("proper", (0.6, 100.0), (0.2, 200.0), (2.6, 300.0), (2.0, 125.0)),
    ("proper-a55", (0.6, 150.0), (0.2, 250.0), (2.6, 400.0), (2.0, 125.0)),
    ("no-ramp", (3.0, 390.0), (2.0, 125.0)),
    ("short-ramp", (0.3, 100.0), (3.0, 390.0)),
    ("late-ramp", (0.5, 300.0), (0.6, 100.0), (2.6, 300.0)),
    ("short", (0.6, 100.0), (0.8, 400.0), (2.0, 125.0)),
    ("interrupted", (0.6, 100.0), (0.9, 380.0), (0.3, 150.0), (1.6, 380.0)),
    ("gap-in-bake", (0.6, 100.0), (0.9, 380.0), (0.7, None), (1.6, 380.0)),
    ("too-hot", (0.6, 100.0), (0.5, 480.0), (2.5, 380.0)),
    ("much-too-hot", (0.6, 100.0), (0.5, 560.0), (2.5, 380.0)),
    ("warm", (0.5, 60.0), (7.0, 132.0)),
    ("wire", (8.0, 110.0)),
    ("dead", (1.0, 130.0), (20.0, None)),
    ("dead-later", (5.0, 130.0), (20.0, None)),
    ("silent", (20.0, None)),
    ("one", (0.05, 130.0), (20.0, None)),
    ("broken-up", (1.0, 130.0), (0.6, None), (2.0, 130.0), (1.2, None), (2.0, 130.0)),
    ("edges", (0.1, 130.0), (0.8, None), (0.1, 130.0), (5.0, None), (0.1, 130.0)),
    ("falls", (3.0, 130.0), (1.0, 40.0), (3.0, None)),
)


def random_plan(seed: int) -> Plan:
    """One history; the same seed, the same history."""
    draw = random.Random(seed)
    family = draw.choices((ELECTRODES, WIRES, FLUXES, OTHERS), (5, 4, 2, 1))[0]
    class_id = draw.choice(family)
    long = family is WIRES and draw.random() < 0.3
    steps, days = _walk(draw, family, long)
    now_s = steps[-1].at_s + _hours(draw, long) * H
    checks: list[tuple[str, float, float]] = []
    probes = {zone: _probes(draw, days.get(zone, []), now_s) for zone in HOT_ZONES if draw.random() < 0.85}
    for zone, begun in days.items():
        if draw.random() < 0.25:
            at_s = draw.choice(begun)[0] + draw.choice((-0.5, 0.0, 0.2, 1.0, 3.0)) * H
            checks.append((zone, at_s, draw.choice((130.0, 300.0, 40.0, 480.0))))
    steps = _disturbed(draw, steps)
    tested = None
    if class_id in ("e7018", "e8018-x", "e9018-x") and draw.random() < 0.4:
        tested = (min(9.0, rules.rule_of(class_id).column_b_h or 9.0), 27.0, 0.8)
    inside = (steps[0].at_s, now_s)
    return Plan(
        class_id=class_id,
        steps=tuple(steps),
        now_s=now_s,
        air={
            zone: _air(draw, min(now_s, 4 * 24 * H))
            for zone in ("bay", "store", "cabinet")
            if draw.random() < 0.8
        },
        probes=probes,
        checks=tuple(check for check in checks if check[1] <= now_s),
        wet_s=draw.uniform(*inside) if draw.random() < 0.03 else None,
        withdrawn_s=draw.uniform(*inside) if draw.random() < 0.03 else None,
        spool=draw.choice((METAL, PLASTIC, "")) if family is WIRES else "",
        makers_word=family is WIRES and draw.random() < 0.5,
        tested_b=tested,
        declared=steps[0].place == "open-air" and draw.random() < 0.3,
        slips=tuple(replace(s, place="holding-oven", zone="oven-a") for s in draw.sample(steps[1:], 1))
        if len(steps) > 1 and draw.random() < 0.15
        else (),
        put_right=draw.random() < 0.1,
    )


def _hours(draw: random.Random, long: bool) -> float:
    if long:
        return draw.choice((1.0, 20.0, 100.0, 300.0, 719.0, 721.0))
    return draw.choice((0.1, 0.25, 0.5, 1.0, 1.9, 3.0, 3.9, 4.0, 5.0, 8.0, 12.0))


def _walk(draw: random.Random, family: tuple[str, ...], long: bool):
    places = list(PLACE_ZONES)
    weights = (4, 3, 2, 1, 1, 5, 2, 4, 1) if family is not WIRES else (4, 4, 5, 2, 3, 3, 1, 2, 1)
    at_s = float(draw.randrange(6 * 12)) * 300.0
    first = draw.choice(("open-air", "on-machine"))
    steps = [Step(at_s, first, draw.choice(OPEN_ZONES))]
    days: dict[str, list[tuple[float, int]]] = {}
    for _ in range(draw.randrange(1, 9)):
        at_s += _hours(draw, long) * H
        place = draw.choices(places, weights)[0]
        zone = draw.choice(PLACE_ZONES[place])
        typed = draw.choice((130.0, 300.0, 40.0)) if place in rules.OVENS and draw.random() < 0.2 else None
        steps.append(Step(at_s, place, zone, place == "bagged" and draw.random() < 0.6, typed))
        if place in rules.OVENS:
            days.setdefault(zone, []).append((at_s, draw.randrange(len(OVEN_DAYS))))
    return steps, days


def _disturbed(draw: random.Random, steps: list[Step]) -> list[Step]:
    """Repeated, zero-length and out-of-order entries among them."""
    first, *later = steps
    if later and draw.random() < 0.25:
        one = draw.choice(later)
        later.insert(later.index(one) + 1, replace(one, fresh=False, typed_c=None))
    if later and draw.random() < 0.25:
        one = draw.choice(later)
        later.insert(later.index(one), Step(one.at_s, "open-air", draw.choice(OPEN_ZONES)))
    if later and draw.random() < 0.2:
        one = draw.choice(later)
        later.insert(later.index(one) + 1, replace(one, at_s=one.at_s + 60.0, fresh=False, typed_c=None))
    if later and draw.random() < 0.35:
        later += _motif(draw, draw.choice(later))
    if draw.random() < 0.2:
        draw.shuffle(later)
    return [first, *later]


def _motif(draw: random.Random, one: Step) -> list[Step]:
    """Out and in again, on to another place of the same kind, away and back, within one stay."""
    at_s = one.at_s + draw.choice((0.0, 60.0, 0.7 * H, 2 * H))
    again = replace(one, at_s=at_s + draw.choice((0.0, 60.0, 600.0)), fresh=False, typed_c=None)
    pick = draw.random()
    if pick < 0.4:
        return [Step(at_s, draw.choice(("open-air", "on-machine")), draw.choice(OPEN_ZONES)), again]
    if pick < 0.8:
        return [replace(one, at_s=at_s, zone=draw.choice(PLACE_ZONES[one.place]), fresh=False, typed_c=None)]
    return [
        replace(one, at_s=at_s, place="sealed", zone=draw.choice(OPEN_ZONES), fresh=False, typed_c=None),
        again,
    ]


def _air(draw: random.Random, until_s: float) -> Rows:
    """A reading every ten minutes, with wet hours, gaps and readings that are none."""
    rows = []
    at_s, t, rh = 0.0, draw.uniform(5.0, 32.0), draw.uniform(0.2, 0.95)
    wet = draw.random() < 0.4
    gap = draw.random() < 0.5
    while at_s <= until_s:
        if wet and draw.random() < 0.02:
            t, rh = draw.uniform(20.0, 34.0), draw.uniform(0.6, 1.0)
        if gap and draw.random() < 0.01:
            at_s += draw.choice((1800.0, 2 * H, 10 * H))
        nan = gap and draw.random() < 0.01
        rows.append((at_s, t, math.nan if nan else rh))
        at_s += 600.0
    return tuple(rows)


def _probes(draw: random.Random, begun: list[tuple[float, int]], now_s: float) -> tuple[Rows, ...]:
    rows: list[Row] = []
    for n, (start_s, day) in enumerate(begun):
        end_s = begun[n + 1][0] if n + 1 < len(begun) else now_s
        at_s = math.floor(start_s / TICK_S) * TICK_S - draw.choice((0, 3)) * TICK_S
        if rows and at_s <= rows[-1][0]:
            at_s = rows[-1][0] + TICK_S
        spans = OVEN_DAYS[day][1:]
        until_s = max(at_s, start_s)
        for hours, value in spans:
            until_s += hours * H
            while at_s < min(until_s, end_s):
                if value is not None:
                    rows.append((at_s, value))
                at_s += TICK_S
    first = tuple(rows)
    pick = draw.random()
    if pick < 0.7 or not first:
        return (first,)
    shift = draw.choice((-60.0, -30.0, 5.0))
    second = tuple((at_s, value + shift) for at_s, value in first)
    if pick < 0.8:
        half = len(second) // 2
        second = second[:half]
    return (first, second)
