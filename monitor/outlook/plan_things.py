"""Proposes what to do with plates, cylinders, spools and hoses before a shift."""

from collections.abc import Iterator, Sequence

import numpy as np

from monitor.consumables.classes import Counts, Place
from monitor.consumables.exposure_air import AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.stays import StoreReading
from monitor.consumables.storage_places import OPEN_PLACES
from monitor.consumables.verdict import package_verdict
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.action import Action, ActionKind, PlanInputs, leaving_before_s
from monitor.outlook.courses import ZoneCourse, time_constant_h
from monitor.outlook.hourly import HOUR_S, FloatArray
from monitor.outlook.shift_outlook import PACKAGE_COURSES, clock_after, clock_used_frac
from monitor.physics.clearing import Air, Goal, latest_arrival_s
from monitor.physics.placed_body import BodyFacts

ROUND_S = 600.0
CYLINDER_CAUTION = "Upright and secured, caps on while moving; wipe the outlet dry; never warm a cylinder."
OVEN_CAUTION = "Hot oven and rods: gloves. The oven's own display must show it hot; the maker's sheet rules."
PURGE_CAUTION = "Ventilate while purging: argon and CO2 displace air."


def bring_in_actions(inputs: PlanInputs, shift: ShiftSpan) -> Iterator[Action]:
    """Bodies that lie where it is cold and are wanted in a zone whose air would sweat on them."""
    groups: dict[tuple[str, str], list[tuple[BodyFacts, float, float]]] = {}
    for thing in inputs.scene.bodies:
        work = thing.work_zone
        if work is None or work == thing.zone or not {work, thing.zone} <= inputs.ahead.air.keys():
            continue
        found = _latest(inputs, shift, thing, work)
        if found is not None:
            groups.setdefault((thing.kind, work), []).append((thing, *found))
    for (kind, work), members in groups.items():
        by_s = min(arrival_s for _, arrival_s, _ in members) // ROUND_S * ROUND_S
        saved = max(saving for _, _, saving in members)
        say, now_s = inputs.scene.words, inputs.ahead.now_s
        names = _listed([thing.name for thing, _, _ in members])
        when = f"by {say.clock(by_s, now_s)}"
        leave_s = leaving_before_s(inputs, by_s)
        if leave_s is not None:
            by_s, when = leave_s, f"before leaving at {say.clock(leave_s, now_s)}"
        text = (
            f"Bring {names} into {inputs.scene.zones[work].name} {when} "
            f"to be clear by {say.clock(shift.start_s, now_s)}"
        )
        yield Action(
            f"{shift.id}/{ActionKind.BRING_IN}/{kind}/{work}",
            ActionKind.BRING_IN,
            shift.id,
            work,
            tuple(thing.id for thing, _, _ in members),
            text,
            by_s,
            saved,
            caution=CYLINDER_CAUTION if kind != "plate" else "",
        )


def _latest(inputs: PlanInputs, shift: ShiftSpan, thing: BodyFacts, work: str) -> tuple[float, float] | None:
    """Latest arrival that leaves the body clear at the start of the shift, and the odds that it saves."""
    course, zone = inputs.ahead.air[work], inputs.scene.zones[work]
    start_s = min(shift.start_s, float(course.times_s[-1]))
    if start_s <= inputs.ahead.now_s:
        return None
    humidity = course.humidity_frac
    spread = float(np.std(humidity[:-1], axis=0).mean())
    air = Air(
        course.times_s,
        course.temperature_c[-1],
        humidity[-1],
        zone.pressure_pa,
        zone.draught_ms,
        spread,
        zone.sky,
    )
    skin_c = _skin_at(inputs, thing, start_s)
    for goal, needed_k in ((Goal.MARGIN, inputs.scene.margin_k), (Goal.DEW_POINT, 0.0)):
        at_start = _risk_if_in_at(inputs, shift, thing, course, start_s, needed_k)
        arrival_s = latest_arrival_s(
            thing.body,
            float(np.median(skin_c)),
            air,
            start_s,
            goal=goal,
            margin_k=inputs.scene.margin_k,
            deviations=inputs.practice.safe_side_deviations,
        )
        if arrival_s is None or arrival_s <= inputs.ahead.now_s or arrival_s >= start_s - ROUND_S:
            continue
        then = _risk_if_in_at(inputs, shift, thing, course, arrival_s, needed_k)
        return arrival_s, at_start - then
    return None


def _skin_at(inputs: PlanInputs, thing: BodyFacts, time_s: float) -> FloatArray:
    body = inputs.ahead.bodies[thing.id]
    row = int(np.searchsorted(body.times_s, time_s).clip(max=body.times_s.size - 1))
    skin: FloatArray = body.skin_c[:, row]
    return skin


def _risk_if_in_at(
    inputs: PlanInputs,
    shift: ShiftSpan,
    thing: BodyFacts,
    course: ZoneCourse,
    arrival_s: float,
    needed_k: float,
) -> float:
    """Share of courses in which the body is under the margin when the shift starts or in its first hour."""
    skin = _skin_at(inputs, thing, arrival_s)[:-1]
    lag_h = time_constant_h(thing.body, inputs.scene.states[thing.id])
    first = int(np.searchsorted(course.times_s, arrival_s))
    judged = (course.times_s >= shift.start_s) & (course.times_s <= shift.start_s + HOUR_S)
    under = np.zeros(skin.size, dtype=bool)
    saturation = course.saturation_c[:-1]
    before_s = arrival_s
    for n in range(first, int(np.flatnonzero(judged)[-1]) + 1 if judged.any() else first):
        keep = float(np.exp(-(float(course.times_s[n]) - before_s) / HOUR_S / lag_h))
        skin = keep * skin + (1.0 - keep) * course.temperature_c[:-1, n]
        before_s = float(course.times_s[n])
        if judged[n]:
            under |= skin - saturation[:, n] < needed_k
    return float(under.mean())


def keeping_actions(inputs: PlanInputs, shift: ShiftSpan) -> Iterator[Action]:
    """Open packages whose clock would run out because they lie open between the shifts.

    What keeping them saves is told by the very clock that will count it: where a bag stops no hours, none is
    proposed.
    """
    leave_s = _leaving_s(inputs.shifts, shift, inputs.ahead.now_s)
    if leave_s is None:
        return
    groups: dict[str, list[tuple[PackageFacts, ActionKind, float]]] = {}
    for package in inputs.scene.packages:
        for kind, how in _ways(package.rules):
            saved = _saved_if_kept(inputs, shift, package, leave_s, kind)
            if saved > 0.0:
                groups.setdefault(how, []).append((package, kind, saved))
    say, now_s = inputs.scene.words, inputs.ahead.now_s
    for n, (how, members) in enumerate(groups.items()):
        kind = members[0][1]
        names = _listed([package.name for package, _, _ in members])
        yield Action(
            f"{shift.id}/{kind}{f'/{n}' if n else ''}",
            kind,
            shift.id,
            inputs.scene.clocks[members[0][0].id].zone or "",
            tuple(package.id for package, _, _ in members),
            f"{how.format(names)} before leaving at {say.clock(leave_s, now_s)}",
            leave_s,
            max(saved for _, _, saved in members),
            caution=OVEN_CAUTION if kind is ActionKind.OVEN else "",
        )


def _ways(rules: ClockRules) -> Iterator[tuple[ActionKind, str]]:
    """The ways of keeping a package that its own rules know to stop its hours."""
    if rules.counts(Place.BAGGED) is Counts.STOPS_FOR_A_TIME:
        yield ActionKind.BAG, "Bag {} with fresh desiccant"
    oven_c = rules.hot_from_c(Place.HOLDING_OVEN)
    if rules.counts(Place.HOLDING_OVEN) is Counts.STOPS_HOT and oven_c is not None:
        yield ActionKind.OVEN, f"Put {{}} into an oven at {oven_c:.0f} °C or more"


def _saved_if_kept(
    inputs: PlanInputs, shift: ShiftSpan, package: PackageFacts, leave_s: float, kind: ActionKind
) -> float:
    clock, rules = inputs.scene.clocks[package.id], package.rules
    course = inputs.ahead.air.get(clock.zone or "")
    if course is None or clock.place not in OPEN_PLACES:
        return 0.0
    rows = np.linspace(0, course.temperature_c.shape[0] - 2, PACKAGE_COURSES).astype(int)
    open_over = np.mean([clock_used_frac(clock, rules, course, int(n), shift.end_s) >= 1.0 for n in rows])
    if open_over == 0.0:
        return 0.0
    kept = [_used_if_kept(clock, rules, course, int(n), (leave_s, shift), kind) >= 1.0 for n in rows]
    return float(open_over - np.mean(kept))


def _leaving_s(shifts: Sequence[ShiftSpan], shift: ShiftSpan, now_s: float) -> float | None:
    """When people last leave before the shift; None where one shift follows on the other."""
    earlier = [other.end_s for other in shifts if other.site == shift.site and other.start_s < shift.start_s]
    leave_s = max([now_s, *(end_s for end_s in earlier if end_s <= shift.start_s)])
    running = any(end_s > shift.start_s for end_s in earlier)
    return None if running or shift.start_s - leave_s < HOUR_S else leave_s


def _used_if_kept(
    lay: ExposureClock,
    rules: ClockRules,
    course: ZoneCourse,
    row: int,
    between: tuple[float, ShiftSpan],
    kind: ActionKind,
) -> float:
    """As if kept from leaving until the shift starts, and open again where it lay through it."""
    leave_s, shift = between
    clock = clock_after(lay, rules, course, row, leave_s)
    if kind is ActionKind.BAG:
        stretch = AirStretch(Place.BAGGED, lay.zone, shift.start_s, desiccant_s=leave_s)
    else:
        oven_c = rules.hot_from_c(Place.HOLDING_OVEN)
        read = [*np.arange(leave_s, shift.start_s, HOUR_S).tolist(), shift.start_s]  # shown hot all the while
        checks = tuple(StoreReading(time_s, oven_c) for time_s in read)
        stretch = AirStretch(Place.HOLDING_OVEN, None, shift.start_s, checks=checks)
    kept = advance_clock(clock, stretch, rules)
    verdict = package_verdict(
        clock_after(kept, rules, course, row, shift.end_s, (lay.place, lay.zone)), rules
    )
    return verdict.used_frac if verdict.used_frac is not None else 0.0


def purge_action(inputs: PlanInputs, shift: ShiftSpan) -> Action | None:
    """Hoses that stood idle take up water: a habit of the trade, without odds."""
    leave_s = _leaving_s(inputs.shifts, shift, inputs.ahead.now_s)
    practice = inputs.practice
    if leave_s is None or shift.start_s - leave_s < practice.purge_after_idle_h * HOUR_S:
        return None
    if not any(thing.kind in {"cylinder", "regulator"} for thing in inputs.scene.bodies):
        return None
    say, now_s = inputs.scene.words, inputs.ahead.now_s
    idle_h = (shift.start_s - leave_s) / HOUR_S
    return Action(
        f"{shift.id}/{ActionKind.PURGE}",
        ActionKind.PURGE,
        shift.id,
        "",
        (),
        f"Purge hoses {practice.purge_s:.0f} s at {say.clock(shift.start_s, now_s)}: idle for {idle_h:.0f} h",
        shift.start_s,
        None,
        caution=PURGE_CAUTION,
    )


def _listed(names: Sequence[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
