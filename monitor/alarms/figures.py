"""Measures the alarms themselves: rates, floods, stale, chattering, most frequent, and a suggestion."""

from bisect import bisect_left
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from statistics import median

from monitor.alarms.catalogue import Priority
from monitor.alarms.performance import (
    Answerer,
    Flood,
    Move,
    Offender,
    Performance,
    PerformanceCheck,
    Stale,
)
from monitor.alarms.states import STANDING, AlarmState
from monitor.model.data_tables import Sourced
from monitor.model.shift_span import ShiftSpan

DAY_S = 86_400.0
TEN_MIN_S = 600.0
LOOKS_AHEAD = frozenset({"humid_shift_ahead"})


def measure(
    moves: Iterable[Move],
    figures: Mapping[str, Sourced],
    start_s: float,
    end_s: float,
    shifts: Sequence[ShiftSpan] = (),
    told_s: Sequence[float] | None = None,
) -> Performance:
    """The alarms between two moments. Moves from before the start tell what stood already.

    `told_s` are the moments at which a warning was told; a shift is judged by what reached the phone,
    and by the alarms themselves where that is not given.
    """
    ordered = sorted((m for m in moves if m.time_s < end_s), key=lambda m: (m.time_s, m.condition_id))
    raised = [m for m in ordered if m.time_s >= start_s and m.to_state is AlarmState.UNACKNOWLEDGED]
    times = [m.time_s for m in raised]
    floods, flood_share = _floods(times, figures["flood"].value, start_s, end_s)
    standings = _standings(ordered, end_s)
    # What looks ahead stands until its moment comes, by design: it is told two days before, not forgotten.
    present = _standings([m for m in ordered if m.kind not in LOOKS_AHEAD], end_s)
    stale = _stale(present, figures["stale"].value, start_s, end_s)
    chattering = _chattering(raised, int(figures["chattering"].value))
    most_frequent = _most_frequent(raised, standings)
    answers, unanswered = _answers(ordered, start_s)
    days = max(end_s - start_s, 1.0) / DAY_S
    heard = times if told_s is None else sorted(told_s)
    per_shift = tuple((s, _between(heard, s.start_s, s.end_s)) for s in shifts)
    priorities = Counter(m.priority for m in raised)
    performance = Performance(
        start_s=start_s,
        end_s=end_s,
        count=len(raised),
        per_day=len(raised) / days,
        per_shift=per_shift,
        worst_10_min=max((_between(times, t, t + TEN_MIN_S) for t in times), default=0),
        floods=floods,
        flood_share=flood_share,
        stale=stale,
        chattering=chattering,
        most_frequent=most_frequent,
        by_priority={priority: priorities[priority] for priority in Priority},
        answerers=answers,
        unanswered=unanswered,
        checks=(),
        suggestion=_suggestion(most_frequent, stale, chattering, raised, ordered, figures),
    )
    return _checked(performance, figures)


def _between(times: Sequence[float], start_s: float, end_s: float) -> int:
    return bisect_left(times, end_s) - bisect_left(times, start_s)


def _floods(
    times: Sequence[float], above: float, start_s: float, end_s: float
) -> tuple[tuple[Flood, ...], float]:
    """Floods over aligned ten-minute periods: from the first with too many to the first with half of that."""
    floods: list[Flood] = []
    periods = flooded = 0
    open_since_s: float | None = None
    at_s = start_s
    while at_s < end_s:
        count = _between(times, at_s, at_s + TEN_MIN_S)
        periods += 1
        if open_since_s is None and count > above:
            open_since_s = at_s
        elif open_since_s is not None and count <= above / 2.0:
            floods.append(Flood(open_since_s, at_s, _between(times, open_since_s, at_s)))
            open_since_s = None
        flooded += open_since_s is not None
        at_s += TEN_MIN_S
    if open_since_s is not None:
        floods.append(Flood(open_since_s, end_s, _between(times, open_since_s, end_s)))
    return tuple(floods), flooded / periods if periods else 0.0


def _standings(moves: Sequence[Move], end_s: float) -> dict[str, list[tuple[float, float]]]:
    """For each condition, from when to when it stood."""
    since: dict[str, float] = {}
    stood: dict[str, list[tuple[float, float]]] = defaultdict(list)
    for move in moves:
        if move.to_state in STANDING:
            since.setdefault(move.condition_id, move.time_s)
        elif move.condition_id in since:
            stood[move.condition_id].append((since.pop(move.condition_id), move.time_s))
    for name, since_s in since.items():
        stood[name].append((since_s, end_s))
    return dict(stood)


def _stale(
    standings: Mapping[str, Sequence[tuple[float, float]]], longer_s: float, start_s: float, end_s: float
) -> tuple[Stale, ...]:
    found = [
        Stale(name, since_s, until_s - since_s)
        for name, stretches in standings.items()
        for since_s, until_s in stretches
        if until_s - since_s > longer_s and until_s > start_s and since_s < end_s
    ]
    return tuple(sorted(found, key=lambda s: (-s.standing_s, s.condition_id)))


def _chattering(raised: Sequence[Move], cycles: int) -> tuple[tuple[str, int], ...]:
    """Conditions that were raised so many times within a minute, with the most times in one minute."""
    times: dict[str, list[float]] = defaultdict(list)
    for move in raised:
        times[move.condition_id].append(move.time_s)
    worst = {name: max(_between(at, t, t + 60.0) for t in at) for name, at in times.items()}
    return tuple(sorted((name, n) for name, n in worst.items() if n >= cycles))


def _most_frequent(
    raised: Sequence[Move], standings: Mapping[str, Sequence[tuple[float, float]]]
) -> tuple[Offender, ...]:
    counted = Counter(m.condition_id for m in raised)
    ranked = sorted(counted.items(), key=lambda item: (-item[1], item[0]))[:10]
    return tuple(
        Offender(
            name,
            count,
            count / len(raised),
            median(until_s - since_s for since_s, until_s in standings[name]) if name in standings else None,
        )
        for name, count in ranked
    )


def _answers(moves: Sequence[Move], start_s: float) -> tuple[tuple[Answerer, ...], int]:
    """Who answered how often and how fast, and how many nobody has answered."""
    waiting: dict[str, float] = {}
    took: dict[str, list[float]] = defaultdict(list)
    unanswered = 0
    for move in moves:
        if move.to_state is AlarmState.UNACKNOWLEDGED:
            unanswered += move.condition_id in waiting and waiting[move.condition_id] >= start_s
            waiting[move.condition_id] = move.time_s
        elif move.who and move.condition_id in waiting:
            asked_s = waiting.pop(move.condition_id)
            if move.time_s >= start_s:
                took[move.who].append(move.time_s - asked_s)
    unanswered += sum(asked_s >= start_s for asked_s in waiting.values())
    answerers = (Answerer(who, len(times), median(times)) for who, times in took.items())
    return tuple(sorted(answerers, key=lambda a: (-a.times, a.who))), unanswered


def _suggestion(
    most_frequent: Sequence[Offender],
    stale: Sequence[Stale],
    chattering: Sequence[tuple[str, int]],
    raised: Sequence[Move],
    moves: Sequence[Move],
    figures: Mapping[str, Sourced],
) -> str:
    """What to do about the worst offender, in one sentence; empty where there is none."""
    if chattering:
        name, count = chattering[0]
        return f"{name} came {count} times within a minute: lengthen its off-delay and widen its dead-band."
    if stale:
        hours = stale[0].standing_s / 3600.0
        return (
            f"{stale[0].condition_id} stood for {hours:.0f} h: act on its cause, or take it out of service "
            "with a reason while it is mended."
        )
    worst = most_frequent[0] if most_frequent and len(raised) >= figures["offender_of"].value else None
    often, share_from = figures["offender_times"].value, figures["offender_share"].value
    if worst is None or worst.times < often or worst.share < share_from:
        return ""
    share = f"{worst.condition_id} made {worst.share:.0%} of all alarms"
    if worst.standing_median_s is not None and worst.standing_median_s < figures["fleeting"].value:
        return f"{share} and was mostly gone within a quarter of an hour: lengthen its on-delay."
    if not any(m.condition_id == worst.condition_id and m.who for m in moves):
        return f"{share} and nobody answered it: if it needs no response, it should be no alarm."
    return f"{share}: find its cause, or look at whether its limit fits the place."


def _checked(performance: Performance, figures: Mapping[str, Sourced]) -> Performance:
    p = performance
    checks = [
        _most("per_day", p.per_day, figures),
        _most("flood", float(p.worst_10_min), figures),
        _under("flood_share", p.flood_share, figures),
        _under("stale_count", float(len(p.stale)), figures),
        _under("chattering", float(max((n for _, n in p.chattering), default=0)), figures),
    ]
    if p.per_shift:
        checks.insert(0, _most("per_shift", float(max(n for _, n in p.per_shift)), figures))
    return replace(p, checks=tuple(checks))


def _most(name: str, measured: float, figures: Mapping[str, Sourced]) -> PerformanceCheck:
    return PerformanceCheck(name, measured, figures[name], measured <= figures[name].value)


def _under(name: str, measured: float, figures: Mapping[str, Sourced]) -> PerformanceCheck:
    return PerformanceCheck(name, measured, figures[name], measured < figures[name].value)
