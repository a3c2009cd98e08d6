"""Carries one alarm from state to state and writes down the move."""

from dataclasses import replace
from typing import Any, NamedTuple

from monitor.alarms.conditions import Condition
from monitor.alarms.states import Alarm, AlarmState, Transition, Trigger


class Step(NamedTuple):
    """An alarm and the moves that brought it there, oldest first."""

    alarm: Alarm
    transitions: tuple[Transition, ...] = ()


def move(
    step: Step,
    condition: Condition,
    to_state: AlarmState,
    trigger: Trigger,
    now_s: float,
    *,
    cause_s: float,
    **changes: Any,
) -> Step:
    """The alarm in its new state with these fields changed; who, why and until_s also go into the move.

    `cause_s` is the moment in the data, or of the command, that caused the move. The key rests on it and
    not on when the move was worked out, so that working through the same data again gives the same key.
    """
    before = step.alarm
    after = replace(before, state=to_state, since_s=now_s, **changes)
    transition = Transition(
        key=f"{condition.id}@{round(cause_s * 1000)}.{trigger}",
        condition_id=condition.id,
        kind=condition.kind,
        family=condition.family,
        subject=condition.subject,
        zone=condition.zone,
        site=condition.site,
        from_state=before.state,
        to_state=to_state,
        trigger=trigger,
        time_s=now_s,
        cause_s=cause_s,
        began_s=after.began_s,
        priority=condition.priority,
        value=after.value,
        limit=condition.limit,
        response=condition.response,
        occurrence=after.occurrence,
        who=changes.get("who", ""),
        why=changes.get("why", ""),
        until_s=changes.get("until_s"),
        numbers=after.numbers,
    )
    return Step(after, (*step.transitions, transition))


def released(
    step: Step, condition: Condition, trigger: Trigger, now_s: float, *, cause_s: float, who: str = ""
) -> Step:
    """Back into play: to where the trouble and the latch now say it belongs."""
    alarm = step.alarm
    answered = alarm.answered_value is not None and condition.stays_answered
    if alarm.out_of_play:
        to_state = AlarmState.SUPPRESSED
    elif alarm.active:
        back = trigger is Trigger.UNSUPPRESS and answered
        to_state = AlarmState.ACKNOWLEDGED if back else AlarmState.UNACKNOWLEDGED
    elif alarm.held:
        to_state = AlarmState.LATCHED_UNACKNOWLEDGED
    else:
        to_state = AlarmState.NORMAL
    occurrence = alarm.occurrence + (to_state is AlarmState.UNACKNOWLEDGED)
    return move(
        step,
        condition,
        to_state,
        trigger,
        now_s,
        cause_s=cause_s,
        who=who,
        why="",
        until_s=None,
        occurrence=occurrence,
    )
