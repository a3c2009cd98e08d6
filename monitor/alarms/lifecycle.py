"""Moves every alarm on with what was observed: delay, dead-band, latch, shelf time, unknown."""

from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace
from typing import Any

from monitor.alarms.conditions import SUPPOSED, Condition, Observation
from monitor.alarms.moves import Step, move, released
from monitor.alarms.states import (
    SET_ASIDE,
    WITH_THE_BOOK,
    Alarm,
    AlarmBook,
    AlarmState,
    Transition,
    Trigger,
)

UNWATCHED_KIND = "zone_unwatched"
NOT_OBSERVED = "nothing was observed"

_Moved = tuple[AlarmBook, tuple[Transition, ...]]


def empty_book(now_s: float) -> AlarmBook:
    """A book without conditions."""
    return AlarmBook(now_s)


def with_conditions(book: AlarmBook, conditions: Iterable[Condition], now_s: float) -> _Moved:
    """The book with exactly these conditions; what is no longer watched is withdrawn, the rest goes on.

    Where nothing comes or goes it is the very same book.
    """
    wanted = {c.id: c for c in sorted(conditions, key=lambda c: c.id)}
    transitions: list[Transition] = []
    for name in sorted(book.alarms.keys() - wanted.keys()):
        alarm = book.alarms[name]
        if alarm.state is not AlarmState.NORMAL:
            condition = book.conditions[name]
            gone = move(
                Step(alarm), condition, AlarmState.NORMAL, Trigger.WITHDRAW, now_s, cause_s=alarm.since_s
            )
            transitions += gone.transitions
    if wanted == book.conditions:
        return book, ()
    alarms = {name: book.alarms.get(name) or Alarm(name, AlarmState.NORMAL, now_s) for name in wanted}
    return AlarmBook(book.now_s, wanted, alarms), tuple(transitions)


def advanced(
    book: AlarmBook, observations: Iterable[Observation], now_s: float, awake: Collection[str] | None = None
) -> tuple[AlarmBook, tuple[Transition, ...], frozenset[str]]:
    """The book at a time after these observations, every move in order of condition, and who is restless.

    An observation older than the last one of its condition is passed over, and so is one of a condition
    that is not in the book. A condition whose value is unknown keeps its state: unknown neither clears an
    alarm nor counts as safe. Restless are the conditions of which time alone may still make something.

    Where `awake` is given, every other condition was observed now as at the time of the book and was not
    restless then: nothing comes of it but the moment observed, which is the book's.
    """
    book = set_back(book, now_s)
    by_condition = _by_condition(list(observations))
    alarms = dict(book.alarms)
    restless: set[str] = set()
    transitions: list[Transition] = []
    for name in book.conditions if awake is None else awake:
        condition = book.conditions.get(name)
        if condition is not None and condition.kind != UNWATCHED_KIND:
            transitions += _observed(book, alarms, restless, by_condition.get(name, ()), condition, now_s)
    if awake is None or _silence_moved(book, alarms, awake):
        silent = _unknown_members(book.conditions, alarms)
        for name, condition in book.conditions.items():
            if condition.kind == UNWATCHED_KIND:
                count = Observation(name, float(silent[name]), now_s)
                transitions += _observed(book, alarms, restless, (count,), condition, now_s)
    transitions.sort(key=lambda t: t.condition_id)
    return AlarmBook(now_s, book.conditions, alarms), tuple(transitions), frozenset(restless)


def _observed(
    book: AlarmBook,
    alarms: dict[str, Alarm],
    restless: set[str],
    seen: tuple[Observation, ...],
    condition: Condition,
    now_s: float,
) -> tuple[Transition, ...]:
    """Move one alarm on; it is restless until a look at it has found nothing but what to note."""
    alarm = alarms[condition.id]
    if len(seen) == 1 and _stays_as_it_is(alarm, condition, seen[0], now_s):
        value = seen[0].value
        if value is None or value != value:
            alarms[condition.id] = _unknown(alarm, seen[0], WITH_THE_BOOK)
        else:
            alarms[condition.id] = _known(condition, alarm, seen[0], WITH_THE_BOOK, None)
        return ()
    restless.add(condition.id)
    step = _advance_one(Step(_by_its_own_time(alarm, book.now_s)), condition, seen, now_s)
    alarm = step.alarm
    now = alarm.observed_s == now_s
    alarms[condition.id] = _noted(alarm, observed_s=WITH_THE_BOOK) if now else alarm
    return step.transitions


def _by_its_own_time(alarm: Alarm, book_s: float) -> Alarm:
    return _noted(alarm, observed_s=book_s) if alarm.observed_s == WITH_THE_BOOK else alarm


def written_down(book: AlarmBook) -> AlarmBook:
    """The same book, with the moment observed written into every alarm, as it is kept on the disk."""
    alarms = {name: _by_its_own_time(alarm, book.now_s) for name, alarm in book.alarms.items()}
    return AlarmBook(book.now_s, book.conditions, alarms)


def _silence_moved(book: AlarmBook, alarms: Mapping[str, Alarm], awake: Collection[str]) -> bool:
    """Whether a condition that speaks up for others has to be looked at."""
    for name in awake:
        condition = book.conditions.get(name)
        if condition is None:
            continue
        if condition.kind == UNWATCHED_KIND:
            return True
        if condition.unwatched_id is not None and _silent(book.alarms[name]) is not _silent(alarms[name]):
            return True
    return False


def _by_condition(given: list[Observation]) -> dict[str, tuple[Observation, ...]]:
    """The observations of each condition in order of time; at a tick there is one of each."""
    found: dict[str, tuple[Observation, ...]] = {one.condition_id: (one,) for one in given}
    if len(found) < len(given):
        found = {}
        for one in sorted(given, key=lambda o: o.time_s):
            found[one.condition_id] = (*found.get(one.condition_id, ()), one)
    return found


def watched_again(book: AlarmBook) -> AlarmBook:
    """The book after a time in which nobody watched: running delays begin anew, nobody saw them hold.

    So no all clear rests on what was seen before.
    """
    alarms = {
        name: replace(alarm, crossing_since_s=None) if alarm.crossing_since_s else alarm
        for name, alarm in book.alarms.items()
    }
    return replace(book, alarms=alarms)


def _stays_as_it_is(alarm: Alarm, condition: Condition, observation: Observation, now_s: float) -> bool:
    """Whether all that `_advance_one` would do is to note what was seen: most conditions at most ticks."""
    seen_s = alarm.observed_s
    late = observation.time_s != now_s or (seen_s is not None and now_s < seen_s != WITH_THE_BOOK)
    if late or alarm.state is AlarmState.SHELVED:  # of which the time may be over
        return False
    if alarm.out_of_play is not _puts_out_of_play(condition, observation):
        return False
    value = observation.value
    if value is None or value != value:
        return True
    if alarm.state is AlarmState.ACKNOWLEDGED and condition.rise_step > 0.0:
        return False
    return not (condition.clear(value) if alarm.active else condition.beyond(value))


def _unknown_members(conditions: Mapping[str, Condition], alarms: Mapping[str, Alarm]) -> Counter[str]:
    """By condition that speaks up for others: how many of these are unknown and in play."""
    count: Counter[str] = Counter()
    for name, condition in conditions.items():
        told_by = condition.unwatched_id
        if told_by is not None and _silent(alarms[name]):
            count[told_by] += 1
    return count


def _silent(alarm: Alarm) -> bool:
    """Whether nobody knows of it now; where its zone is watched, the page says what is not known."""
    if alarm.unknown_since_s is None or alarm.out_of_play or alarm.unknown_reason == SUPPOSED:
        return False
    return alarm.state is not AlarmState.OUT_OF_SERVICE


def set_back(book: AlarmBook, now_s: float) -> AlarmBook:
    """After the clock was set back no remembered time may lie ahead, or alarms would wait for it."""
    if now_s >= book.now_s:
        return book
    lag_s = book.now_s - now_s

    def earlier(time_s: float | None) -> float | None:
        return None if time_s is None else time_s - lag_s

    alarms = {
        name: replace(
            alarm,
            since_s=alarm.since_s - lag_s,
            began_s=earlier(alarm.began_s),
            crossing_since_s=earlier(alarm.crossing_since_s),
            observed_s=earlier(alarm.observed_s),
            unknown_since_s=earlier(alarm.unknown_since_s),
        )
        for name, alarm in book.alarms.items()
    }
    return AlarmBook(now_s, book.conditions, alarms)


def _advance_one(step: Step, condition: Condition, seen: Iterable[Observation], now_s: float) -> Step:
    alarm = step.alarm
    if alarm.state is AlarmState.SHELVED and alarm.until_s is not None and now_s >= alarm.until_s:
        step = released(step, condition, Trigger.SHELF_TIME_OVER, now_s, cause_s=alarm.until_s)
    for observation in seen:
        if step.alarm.observed_s is None or observation.time_s >= step.alarm.observed_s:
            step = _observe(step, condition, observation, now_s)
    return _unobserved(step, condition, now_s)


def _unobserved(step: Step, condition: Condition, now_s: float) -> Step:
    alarm = step.alarm
    if alarm.unknown_since_s is not None or condition.unknown_after_s <= 0.0:
        return step
    last_s = alarm.observed_s if alarm.observed_s is not None else alarm.since_s
    if now_s - last_s <= condition.unknown_after_s:
        return step
    unknown = replace(alarm, unknown_since_s=last_s, unknown_reason=NOT_OBSERVED, crossing_since_s=None)
    return Step(unknown, step.transitions)


def _observe(step: Step, condition: Condition, observation: Observation, now_s: float) -> Step:
    step = _in_or_out_of_play(step, condition, observation, now_s)
    alarm = step.alarm
    value = observation.value
    if value is None or value != value:
        return Step(_unknown(alarm, observation, observation.time_s), step.transitions)
    wants_change = condition.clear(value) if alarm.active else condition.beyond(value)
    crossing_s = alarm.crossing_since_s
    if crossing_s is None or _after_a_gap(condition, alarm, observation):
        crossing_s = observation.time_s
    known = _known(condition, alarm, observation, observation.time_s, crossing_s if wants_change else None)
    step = Step(known, step.transitions)
    delay_s = condition.off_delay_s if alarm.active else condition.on_delay_s
    if wants_change and observation.time_s - crossing_s >= delay_s:
        return _clears(step, condition, now_s) if alarm.active else _appears(step, condition, now_s)
    return _rises(step, condition, now_s)


def _after_a_gap(condition: Condition, alarm: Alarm, observation: Observation) -> bool:
    """Whether nobody watched for so long that a running delay starts anew."""
    if alarm.observed_s is None or condition.unknown_after_s <= 0.0:
        return False
    return observation.time_s - alarm.observed_s > condition.unknown_after_s


def _unknown(alarm: Alarm, observation: Observation, observed_s: float) -> Alarm:
    since_s = observation.time_s if alarm.unknown_since_s is None else alarm.unknown_since_s
    return _noted(
        alarm,
        observed_s=observed_s,
        unknown_since_s=since_s,
        unknown_reason=observation.unknown_reason or NOT_OBSERVED,
        # a running delay starts anew: nobody saw that it stayed clear, or that it went on
        crossing_since_s=None,
    )


def _noted(alarm: Alarm, **changes: Any) -> Alarm:
    """As `replace`, filled by hand: one is made for every observation, and that takes ten times as long."""
    noted = object.__new__(Alarm)
    noted.__dict__.update(alarm.__dict__, **changes)
    return noted


def _known(
    condition: Condition, alarm: Alarm, observation: Observation, observed_s: float, crossing_s: float | None
) -> Alarm:
    value = worst = observation.value
    if (
        value is not None
        and alarm.active
        and alarm.worst is not None
        and condition.worse_by(value, alarm.worst) <= 0.0
    ):
        worst = alarm.worst
    return _noted(
        alarm,
        crossing_since_s=crossing_s,
        observed_s=observed_s,
        value=value,
        worst=worst,
        unknown_since_s=None,
        unknown_reason="",
        numbers=observation.numbers,
    )


def _puts_out_of_play(condition: Condition, observation: Observation) -> bool:
    not_when, facts = condition.not_when, observation.facts
    return bool(not_when and facts) and any(fact in not_when for fact in facts)


def _in_or_out_of_play(step: Step, condition: Condition, observation: Observation, now_s: float) -> Step:
    out = _puts_out_of_play(condition, observation)
    if out == step.alarm.out_of_play:
        return step
    step = Step(replace(step.alarm, out_of_play=out), step.transitions)
    if out and step.alarm.state not in SET_ASIDE:
        return move(
            step,
            condition,
            AlarmState.SUPPRESSED,
            Trigger.SUPPRESS,
            now_s,
            cause_s=observation.time_s,
            why=", ".join(fact for fact in observation.facts if fact in condition.not_when),
        )
    if not out and step.alarm.state is AlarmState.SUPPRESSED:
        return released(step, condition, Trigger.UNSUPPRESS, now_s, cause_s=observation.time_s)
    return step


def _appears(step: Step, condition: Condition, now_s: float) -> Step:
    alarm = step.alarm
    counts = alarm.state not in (AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
    alarm = replace(
        alarm,
        active=True,
        began_s=alarm.crossing_since_s,
        crossing_since_s=None,
        worst=alarm.value,
        answered_value=None,
        held=alarm.held or (condition.latching and counts),
    )
    step = Step(alarm, step.transitions)
    if alarm.state in SET_ASIDE:
        return step
    return move(
        step,
        condition,
        AlarmState.UNACKNOWLEDGED,
        Trigger.CONDITION_ACTIVE,
        now_s,
        cause_s=alarm.began_s if alarm.began_s is not None else now_s,
        who="",
        why="",
        occurrence=alarm.occurrence + 1,
    )


def _clears(step: Step, condition: Condition, now_s: float) -> Step:
    cleared_s = step.alarm.crossing_since_s if step.alarm.crossing_since_s is not None else now_s
    alarm = replace(step.alarm, active=False, crossing_since_s=None)
    step = Step(alarm, step.transitions)
    if alarm.state is AlarmState.UNACKNOWLEDGED:
        to_state = AlarmState.LATCHED_UNACKNOWLEDGED if alarm.held else AlarmState.RETURNED
    elif alarm.state is AlarmState.ACKNOWLEDGED:
        to_state = AlarmState.LATCHED_ACKNOWLEDGED if alarm.held else AlarmState.NORMAL
    else:
        return step
    return move(step, condition, to_state, Trigger.CONDITION_CLEARS, now_s, cause_s=cleared_s)


def _rises(step: Step, condition: Condition, now_s: float) -> Step:
    alarm = step.alarm
    if alarm.state is not AlarmState.ACKNOWLEDGED or condition.rise_step <= 0.0:
        return step
    if alarm.value is None or alarm.answered_value is None or alarm.crossing_since_s is not None:
        return step
    if condition.worse_by(alarm.value, alarm.answered_value) < condition.rise_step:
        return step
    cause_s = alarm.observed_s if alarm.observed_s is not None else now_s
    return move(
        step, condition, AlarmState.UNACKNOWLEDGED, Trigger.RISING, now_s, cause_s=cause_s, who="", why=""
    )
