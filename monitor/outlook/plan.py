"""Puts the actions of the coming shifts together: only those that change the outcome, best first."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

from monitor.outlook.action import Action, ActionKind, PlanInputs
from monitor.outlook.plan_air import air_actions
from monitor.outlook.plan_things import bring_in_actions, keeping_actions, purge_action
from monitor.outlook.shift_outlook import ShiftOutlook


def plan(inputs: PlanInputs, outlooks: Sequence[ShiftOutlook]) -> tuple[Action, ...]:
    """As many actions as people read, for the shifts ahead; what an action needs comes with it."""
    found: list[Action] = []
    for outlook in outlooks:
        if outlook.shift.end_s > inputs.ahead.now_s:
            found += _for_shift(inputs, outlook)
    ranked = sorted(found, key=_rank)
    chosen: list[Action] = []
    for action in ranked:
        with_needs = [a for a in found if a.id in action.needs and a not in chosen]
        if action not in chosen and len(chosen) + 1 + len(with_needs) <= inputs.practice.most_actions:
            chosen += [*with_needs, action]
    return tuple(chosen)


def _for_shift(inputs: PlanInputs, outlook: ShiftOutlook) -> Iterator[Action]:
    shift = outlook.shift
    worth = (outlook.probability_frac or 0.0) >= inputs.practice.worth_planning_frac
    proposed: list[Action | None] = [*keeping_actions(inputs, shift), *bring_in_actions(inputs, shift)]
    if worth:
        proposed += [*air_actions(inputs, outlook), purge_action(inputs, shift)]
    useful = [a for a in proposed if a is not None and _useful(inputs, a)]
    kept = {a.id for a in useful}
    for action in useful:
        if shift.start_s > inputs.ahead.now_s or action.kind is ActionKind.DOOR:
            yield _without_dropped_needs(action, kept)


def _useful(inputs: PlanInputs, action: Action) -> bool:
    in_time = action.by_s >= inputs.ahead.now_s
    return in_time and (action.saves_frac is None or action.saves_frac >= inputs.practice.least_saving_frac)


def _without_dropped_needs(action: Action, kept: set[str]) -> Action:
    return replace(action, needs=tuple(need for need in action.needs if need in kept))


def _rank(action: Action) -> tuple[float, float]:
    """Most saved first; habits without odds last; then the sooner deadline."""
    saved = -1.0 if action.saves_frac is None else action.saves_frac
    return (-saved, action.by_s)
