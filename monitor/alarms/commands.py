"""What people do with alarms: acknowledge, shelve, reset, take out of service; refusals say why."""

from collections.abc import Callable
from dataclasses import replace

from monitor.alarms.conditions import Condition
from monitor.alarms.moves import Step, move, released
from monitor.alarms.states import (
    SET_ASIDE,
    Alarm,
    AlarmBook,
    AlarmState,
    Command,
    CommandKind,
    CommandRefusedError,
    RefusalCode,
    Transition,
    Trigger,
)


def operate(book: AlarmBook, command: Command, now_s: float) -> tuple[AlarmBook, tuple[Transition, ...]]:
    """The book after a person's act; CommandRefusedError, with the reason, where it is not legal."""
    alarm = book.alarms.get(command.condition_id)
    if alarm is None:
        raise CommandRefusedError(command, RefusalCode.UNKNOWN_CONDITION, "there is no such alarm", None)
    if not command.who.strip():
        raise _refused(command, alarm, RefusalCode.NOBODY, "say who you are")
    if command.began_s is not None and not _same_occurrence(alarm, command.began_s):
        reason = "it has come up anew since that message; look at the present one"
        raise _refused(command, alarm, RefusalCode.LATER_OCCURRENCE, reason)
    step = _ACTS[command.kind](Step(alarm), book.conditions[alarm.condition_id], command, now_s)
    alarms = {**book.alarms, alarm.condition_id: step.alarm}
    return replace(book, alarms=alarms), step.transitions


def _same_occurrence(alarm: Alarm, began_s: float) -> bool:
    return alarm.began_s is not None and abs(alarm.began_s - began_s) < 1.0


def _refused(command: Command, alarm: Alarm, code: RefusalCode, reason: str) -> CommandRefusedError:
    return CommandRefusedError(command, code, reason, alarm.state)


_AFTER_ACKNOWLEDGE = {
    AlarmState.UNACKNOWLEDGED: AlarmState.ACKNOWLEDGED,
    AlarmState.RETURNED: AlarmState.NORMAL,
    AlarmState.LATCHED_UNACKNOWLEDGED: AlarmState.LATCHED_ACKNOWLEDGED,
}


def _acknowledge(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    alarm = step.alarm
    if alarm.state in (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED):
        reason = f"already acknowledged by {alarm.who}"
        raise _refused(command, alarm, RefusalCode.ALREADY_ACKNOWLEDGED, reason)
    to_state = _AFTER_ACKNOWLEDGE.get(alarm.state)
    if to_state is None:
        reason = f"nothing to acknowledge: it is {alarm.state.replace('_', ' ')}"
        raise _refused(command, alarm, RefusalCode.NOTHING_TO_ACKNOWLEDGE, reason)
    return move(
        step,
        condition,
        to_state,
        Trigger.ACKNOWLEDGE,
        now_s,
        cause_s=now_s,
        who=command.who,
        why=command.why,
        answered_value=alarm.worst,
    )


def _reset(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    alarm = step.alarm
    if alarm.state is AlarmState.LATCHED_UNACKNOWLEDGED:
        raise _refused(command, alarm, RefusalCode.ACKNOWLEDGE_FIRST, "acknowledge it first, then reset")
    if alarm.active and alarm.held:
        raise _refused(command, alarm, RefusalCode.STILL_ACTIVE, "the condition still holds")
    if alarm.state is not AlarmState.LATCHED_ACKNOWLEDGED:
        raise _refused(command, alarm, RefusalCode.NOT_LATCHED, "it is not latched")
    return move(
        step,
        condition,
        AlarmState.NORMAL,
        Trigger.RESET,
        now_s,
        cause_s=now_s,
        who=command.who,
        why=command.why,
        held=False,
    )


def _shelve(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    alarm = step.alarm
    for wrong, code, reason in (
        (not command.why.strip(), RefusalCode.NO_REASON, "say why it is set aside"),
        (command.until_s is None, RefusalCode.NO_END, "say until when; nothing is shelved for good"),
        (
            alarm.state is AlarmState.SHELVED,
            RefusalCode.ALREADY_SHELVED,
            f"already shelved by {alarm.who}; take it off the shelf first",
        ),
        (
            alarm.state is AlarmState.SUPPRESSED,
            RefusalCode.SUPPRESSED,
            "it does not apply now, so there is nothing to shelve",
        ),
        (alarm.state is AlarmState.OUT_OF_SERVICE, RefusalCode.OUT_OF_SERVICE, "it is out of service"),
    ):
        if wrong:
            raise _refused(command, alarm, code, reason)
    until_s = now_s if command.until_s is None else command.until_s
    if until_s <= now_s:
        raise _refused(command, alarm, RefusalCode.END_PASSED, "that time has passed; choose a later one")
    if until_s - now_s > condition.max_shelf_s:
        longest = f"at most {condition.max_shelf_s / 3600.0:g} h; choose an earlier end"
        raise _refused(command, alarm, RefusalCode.TOO_LONG, longest)
    return move(
        step,
        condition,
        AlarmState.SHELVED,
        Trigger.SHELVE,
        now_s,
        cause_s=now_s,
        who=command.who,
        why=command.why,
        until_s=until_s,
    )


def _unshelve(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    if step.alarm.state is not AlarmState.SHELVED:
        raise _refused(command, step.alarm, RefusalCode.NOT_SHELVED, "it is not shelved")
    return released(step, condition, Trigger.UNSHELVE, now_s, cause_s=now_s, who=command.who)


def _take_out_of_service(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    alarm = step.alarm
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        raise _refused(command, alarm, RefusalCode.OUT_OF_SERVICE, "it is out of service already")
    if not command.why.strip():
        raise _refused(command, alarm, RefusalCode.NO_REASON, "say why it is taken out of service")
    return move(
        step,
        condition,
        AlarmState.OUT_OF_SERVICE,
        Trigger.TAKE_OUT_OF_SERVICE,
        now_s,
        cause_s=now_s,
        who=command.who,
        why=command.why,
        until_s=None,
    )


def _return_to_service(step: Step, condition: Condition, command: Command, now_s: float) -> Step:
    if step.alarm.state is not AlarmState.OUT_OF_SERVICE:
        raise _refused(command, step.alarm, RefusalCode.NOT_OUT_OF_SERVICE, "it is in service")
    return released(step, condition, Trigger.RETURN_TO_SERVICE, now_s, cause_s=now_s, who=command.who)


_ACTS: dict[CommandKind, Callable[[Step, Condition, Command, float], Step]] = {
    CommandKind.ACKNOWLEDGE: _acknowledge,
    CommandKind.SHELVE: _shelve,
    CommandKind.UNSHELVE: _unshelve,
    CommandKind.RESET: _reset,
    CommandKind.TAKE_OUT_OF_SERVICE: _take_out_of_service,
    CommandKind.RETURN_TO_SERVICE: _return_to_service,
}


def allowed(alarm: Alarm) -> tuple[CommandKind, ...]:
    """What a person may do with an alarm as it stands, for the buttons of a page."""
    state = alarm.state
    acts = []
    if state in _AFTER_ACKNOWLEDGE:
        acts.append(CommandKind.ACKNOWLEDGE)
    if state is AlarmState.LATCHED_ACKNOWLEDGED:
        acts.append(CommandKind.RESET)
    if state not in SET_ASIDE:
        acts.append(CommandKind.SHELVE)
    if state is AlarmState.SHELVED:
        acts.append(CommandKind.UNSHELVE)
    in_service = state is not AlarmState.OUT_OF_SERVICE
    acts.append(CommandKind.TAKE_OUT_OF_SERVICE if in_service else CommandKind.RETURN_TO_SERVICE)
    return tuple(acts)
