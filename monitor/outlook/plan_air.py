"""Proposes what to do with a zone's air before a shift: the door, the heater, the dehumidifier."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from monitor.model.shift_span import ShiftSpan
from monitor.outlook.action import Action, ActionKind, PlanInputs, effect_of, leaving_before_s
from monitor.outlook.hourly import HOUR_S
from monitor.outlook.scene import ZoneAhead
from monitor.outlook.shift_outlook import ShiftOutlook, humid_courses
from monitor.outlook.whatif import Control

HEAT_STEP_C = 1.0
HEAT_CAUTION = "Electric or vented heat only: unvented burners add water. Keep cylinders away from heaters."


def air_actions(inputs: PlanInputs, outlook: ShiftOutlook) -> Iterator[Action]:
    """Door, heat and dryer of every zone that has one."""
    for zone_id in inputs.ahead.air:
        zone = inputs.scene.zones[zone_id]
        door = _door(inputs, outlook, zone) if zone.has_door and zone_id in inputs.answers else None
        if door is not None:
            yield door
        needs = (door.id,) if door is not None else ()
        for propose in (_heat, _dry):
            action = propose(inputs, outlook, zone, needs)
            if action is not None:
                yield action


def _door(inputs: PlanInputs, outlook: ShiftOutlook, zone: ZoneAhead) -> Action | None:
    shift, course = outlook.shift, inputs.ahead.air[zone.id]
    wetter = inputs.outdoor_pa > course.vapour_pressure_pa[-1]
    coming = wetter & (course.times_s <= shift.end_s) & (course.times_s >= shift.start_s - 6 * HOUR_S)
    if not coming.any():
        return None
    from_s = max(float(course.times_s[np.argmax(coming)]) - HOUR_S, inputs.ahead.now_s)
    hours = course.times_s[(course.times_s > max(from_s, shift.start_s)) & (course.times_s <= shift.end_s)]
    if not hours.size:
        return None
    tried = []
    for until_s in (float(t) for t in hours):
        row = int(np.searchsorted(course.times_s, until_s))
        drier = bool(inputs.outdoor_pa[row] < course.vapour_pressure_pa[-1, row])
        control = Control(
            shut_from_s=from_s,
            shut_until_s=until_s,
            open_from_s=until_s if drier else None,
            open_until_s=shift.end_s,
        )
        effect = effect_of(inputs, outlook, zone.id, control)
        tried.append((effect.saved_frac, until_s, drier))
    best = max(saved for saved, _, _ in tried)
    if best <= 0.0:
        return None
    saved, until_s, drier = next(t for t in tried if t[0] >= inputs.practice.good_enough_frac * best)
    say, now_s = inputs.scene.words, inputs.ahead.now_s
    text = f"Keep the {zone.name} door shut until {say.clock(until_s, now_s)}"
    text += ", then open it" if drier else ""
    caution = "" if inputs.answers[zone.id].measured else "The door's effect is assumed, not measured here."
    return Action(
        f"{shift.id}/{ActionKind.DOOR}/{zone.id}",
        ActionKind.DOOR,
        shift.id,
        zone.id,
        (zone.id,),
        text,
        from_s,
        saved,
        caution=caution,
    )


def _heat(
    inputs: PlanInputs, outlook: ShiftOutlook, zone: ZoneAhead, needs: tuple[str, ...]
) -> Action | None:
    if zone.heat_up_to_c is None:
        return None
    inside = inputs.ahead.air[zone.id].temperature_c[-1]
    targets = np.arange(np.ceil(inside.min()) + 1.0, zone.heat_up_to_c + 0.5, HEAT_STEP_C)
    controls = [Control(heat_to_c=float(target)) for target in targets]
    found = _weakest(inputs, outlook, zone, controls)
    if found is None:
        return None
    index, start_s, saved = found
    say, now_s = inputs.scene.words, inputs.ahead.now_s
    text = f"Heat {zone.name} to {say.temperature(float(targets[index]))} from {say.clock(start_s, now_s)}"
    timer, by_s = _by_timer(inputs, start_s)
    return _air_action(ActionKind.HEAT, outlook.shift, zone, text + timer, by_s, saved, needs, HEAT_CAUTION)


def _dry(inputs: PlanInputs, outlook: ShiftOutlook, zone: ZoneAhead, needs: tuple[str, ...]) -> Action | None:
    if zone.dry_down_to_frac is None:
        return None
    limits = np.arange(0.70, zone.dry_down_to_frac - 0.001, -0.05)
    controls = [Control(dry_to_frac=float(limit)) for limit in limits]
    found = _weakest(inputs, outlook, zone, controls)
    if found is None:
        return None
    index, start_s, saved = found
    say, now_s = inputs.scene.words, inputs.ahead.now_s
    timer, by_s = _by_timer(inputs, start_s)
    text = f"Dry {zone.name} to {limits[index]:.0%} RH from {say.clock(start_s, now_s)}{timer}, door shut"
    return _air_action(ActionKind.DRY, outlook.shift, zone, text, by_s, saved, needs, "")


def _by_timer(inputs: PlanInputs, start_s: float) -> tuple[str, float]:
    """Words and deadline where the start falls into hours in which nobody is there to switch."""
    leave_s = leaving_before_s(inputs, start_s)
    if leave_s is None:
        return "", start_s
    return f" by timer, set by {inputs.scene.words.clock(leave_s, inputs.ahead.now_s)}", leave_s


def _weakest(
    inputs: PlanInputs, outlook: ShiftOutlook, zone: ZoneAhead, controls: Sequence[Control]
) -> tuple[int, float, float] | None:
    """The mildest setting and then the latest start that still save nearly all that can be saved."""
    here = humid_courses([one for one in outlook.crossings if one.zone == zone.id])
    if not controls or here is None or not here.any():
        return None
    now_s, shift = inputs.ahead.now_s, outlook.shift
    first_s = max(now_s, shift.start_s - inputs.practice.longest_start_h * HOUR_S)

    def saved(control: Control, start_s: float) -> float:
        begun = replace(control, heat_from_s=start_s, dry_from_s=start_s)
        return effect_of(inputs, outlook, zone.id, begun).saved_frac

    gains = [saved(control, first_s) for control in controls]
    best = max(gains)
    if best <= 0.0:
        return None
    enough = inputs.practice.good_enough_frac * best
    index = next(n for n, gain in enumerate(gains) if gain >= enough)
    starts = np.arange(shift.start_s - HOUR_S, first_s - 1.0, -HOUR_S)
    for start_s in (float(s) for s in starts):
        if start_s > now_s and (gain := saved(controls[index], start_s)) >= enough:
            return index, start_s, gain
    return index, first_s, gains[index]


def _air_action(
    kind: ActionKind,
    shift: ShiftSpan,
    zone: ZoneAhead,
    text: str,
    by_s: float,
    saved: float,
    needs: tuple[str, ...],
    caution: str,
) -> Action:
    action_id = f"{shift.id}/{kind}/{zone.id}"
    return Action(action_id, kind, shift.id, zone.id, (zone.id,), text, by_s, saved, needs, caution)
