"""Decides when a humid shift ahead is told to a phone: once, in time to act, and taken back if it passes."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import TypeVar
from zoneinfo import ZoneInfo

from monitor.model.level import Level
from monitor.model.shift_span import ShiftSpan
from monitor.model.warning_times import WarningTimes
from monitor.outlook.hourly import HOUR_S
from monitor.outlook.shift_outlook import ShiftOutlook
from monitor.outlook.telling import Telling

KEEP_SCORED = 200
SCORED = "scored"  # what the record calls a shift that is over
Kept = TypeVar("Kept")


class WarningRules(WarningTimes):
    """When a warning may reach a phone, by the clock of a site."""

    zone: ZoneInfo
    telling: Telling


class Decision(StrEnum):
    """What goes to the phone."""

    WARN = "warn"
    UPDATE = "update"
    CANCEL = "cancel"


@dataclass(frozen=True, slots=True)
class WarningDecision:
    """One message about one shift; the key is the same however often it is decided."""

    kind: Decision
    key: str
    shift: ShiftSpan
    probability_frac: float
    level: Level
    reason: str
    worst_s: float | None


@dataclass(frozen=True, slots=True)
class ToldWarning:
    """What has been told of one shift."""

    shift: ShiftSpan
    warned_s: float | None = None
    probability_frac: float = 0.0
    level: Level = Level.SAFE
    worst_s: float | None = None
    warnings: int = 0
    updates: int = 0
    cancelled_s: float | None = None

    @property
    def standing(self) -> bool:
        """Whether a warning stands."""
        return self.warned_s is not None and self.cancelled_s is None


class WarningOutcome(StrEnum):
    """How a shift and its warning came out."""

    HIT = "hit"
    MISS = "miss"
    FALSE_ALARM = "false alarm"
    QUIET = "quiet"
    NOT_KNOWN = "not known"  # too little was measured; in the record alone


@dataclass(frozen=True, slots=True)
class Score:
    """One shift scored after it ended; lead time only where there was a warning."""

    shift: ShiftSpan
    outcome: WarningOutcome
    lead_s: float | None
    withdrawn: bool = False  # a warning was given and called off before the shift
    said_frac: float | None = None  # the odds last foreseen in time to act, before any record moved them
    shown_frac: float | None = None  # the same as people were shown them

    @property
    def humid(self) -> bool:
        """What the shift was."""
        return self.outcome in (WarningOutcome.HIT, WarningOutcome.MISS)


@dataclass(frozen=True, slots=True)
class WarningMemory:
    """What is remembered between decisions: shifts told of, and the scores of those that are over."""

    told: Mapping[str, ToldWarning] = field(default_factory=dict)
    scores: tuple[Score, ...] = ()
    said: Mapping[str, float] = field(default_factory=dict)  # of shifts to come, by id
    shown: Mapping[str, float] = field(default_factory=dict)  # the same as people were shown them


def decide(
    outlooks: Sequence[ShiftOutlook],
    memory: WarningMemory,
    now_s: float,
    rules: WarningRules,
    first_deadline_s: Mapping[str, float] | None = None,
) -> tuple[WarningMemory, tuple[WarningDecision, ...]]:
    """What to send now; `first_deadline_s` by shift is when the plan's first action is due."""
    told = dict(memory.told)
    decisions: list[WarningDecision] = []
    if not _may_speak(now_s, rules):
        return memory, ()
    for outlook in outlooks:
        before = told.get(outlook.shift.id, ToldWarning(outlook.shift))
        deadline_s = (first_deadline_s or {}).get(outlook.shift.id)
        kind = _decision(outlook, before, now_s, rules, deadline_s)
        if kind is not None:
            told[outlook.shift.id] = after = _after(kind, outlook, before, now_s)
            decisions.append(_message(kind, outlook, after))
    return replace(memory, told=told), tuple(decisions)


def heard(
    memory: WarningMemory, outlooks: Sequence[ShiftOutlook], now_s: float, rules: WarningRules
) -> WarningMemory:
    """Keep the odds of every shift that there is still time to act for."""
    in_time = [one for one in outlooks if one.shift.start_s - now_s >= rules.min_lead_s]
    said = {one.shift.id: one.courses_frac for one in in_time if one.courses_frac is not None}
    shown = {one.shift.id: one.probability_frac for one in in_time if one.probability_frac is not None}
    return replace(memory, said={**memory.said, **said}, shown={**memory.shown, **shown})


def record_of(memory: WarningMemory, site: str) -> list[tuple[float, bool]]:
    """What was said of a site's shifts that are over, and what came; oldest first."""
    return [
        (one.said_frac, one.humid)
        for one in memory.scores
        if one.shift.site == site and one.said_frac is not None
    ]


def told_beside(
    memory: WarningMemory, outlooks: Sequence[ShiftOutlook], told_s: Mapping[str, float]
) -> WarningMemory:
    """Shifts that a message about their spell has named count as warned of since then; `told_s` by shift."""
    told = dict(memory.told)
    for outlook in outlooks:
        before = told.get(outlook.shift.id, ToldWarning(outlook.shift))
        if outlook.shift.id in told_s and before.warned_s is None:
            named = _after(Decision.WARN, outlook, before, told_s[outlook.shift.id])
            told[outlook.shift.id] = named
    return replace(memory, told=told)


def _may_speak(now_s: float, rules: WarningRules) -> bool:
    local = datetime.fromtimestamp(now_s, rules.zone).time()
    return rules.not_before <= local <= rules.not_after


def _decision(
    outlook: ShiftOutlook, before: ToldWarning, now_s: float, rules: WarningRules, deadline_s: float | None
) -> Decision | None:
    probability, shift, telling = outlook.probability_frac, outlook.shift, rules.telling
    if probability is None or now_s >= shift.start_s:
        return None
    if before.standing:
        if probability < telling.cancel_below_frac * rules.probability:
            return Decision.CANCEL
        return Decision.UPDATE if _matters(outlook, before, telling) else None
    if shift.start_s - now_s > rules.horizon_s or shift.start_s - now_s < rules.min_lead_s:
        return None
    if probability < rules.probability or before.warnings >= telling.most_warnings:
        return None
    waited = now_s >= act_by_s(shift, rules, deadline_s) - telling.wait_h * HOUR_S
    return Decision.WARN if waited or probability >= max(telling.sure_frac, rules.probability) else None


def act_by_s(shift: ShiftSpan, rules: WarningRules, deadline_s: float | None) -> float:
    """The last moment at which a warning still finds people awake and leaves time to act."""
    latest_s = shift.start_s - rules.min_lead_s
    if deadline_s is not None:
        latest_s = min(latest_s, deadline_s - rules.telling.act_before_h * HOUR_S)
    local = datetime.fromtimestamp(latest_s, rules.zone)
    if local.time() > rules.not_after:
        return datetime.combine(local.date(), rules.not_after, rules.zone).timestamp()
    if local.time() < rules.not_before:
        day_before = local.date() - timedelta(days=1)
        return datetime.combine(day_before, rules.not_after, rules.zone).timestamp()
    return latest_s


def _matters(outlook: ShiftOutlook, before: ToldWarning, telling: Telling) -> bool:
    if before.updates >= telling.most_updates:
        return False
    worse = outlook.level is Level.DANGER and before.level is not Level.DANGER
    moved = (
        outlook.worst_s is not None
        and before.worst_s is not None
        and outlook.worst_s <= before.worst_s - telling.worst_moved_h * HOUR_S
    )
    return worse or moved


def _after(kind: Decision, outlook: ShiftOutlook, before: ToldWarning, now_s: float) -> ToldWarning:
    if kind is Decision.CANCEL:
        return replace(before, cancelled_s=now_s)
    return replace(
        before,
        warned_s=before.warned_s if before.standing else now_s,
        probability_frac=outlook.probability_frac or 0.0,
        level=outlook.level,
        worst_s=outlook.worst_s,
        warnings=before.warnings + (kind is Decision.WARN),
        updates=before.updates + (kind is Decision.UPDATE),
        cancelled_s=None,
    )


def _message(kind: Decision, outlook: ShiftOutlook, after: ToldWarning) -> WarningDecision:
    number = after.updates if kind is Decision.UPDATE else after.warnings
    return WarningDecision(
        kind=kind,
        key=f"{outlook.shift.id}/{kind}/{number}",
        shift=outlook.shift,
        probability_frac=outlook.probability_frac or 0.0,
        level=outlook.level,
        reason=outlook.reason,
        worst_s=outlook.worst_s,
    )


def came_out(memory: WarningMemory, shift: ShiftSpan, humid: bool | None) -> Score:
    """How a shift that is over and what was told of it came out; None: too little was measured to say."""
    told = memory.told.get(shift.id, ToldWarning(shift))
    lead_s = shift.start_s - told.warned_s if told.standing and told.warned_s is not None else None
    if humid is None:
        outcome = WarningOutcome.NOT_KNOWN
    elif humid:
        outcome = WarningOutcome.HIT if told.standing else WarningOutcome.MISS
    else:
        outcome = WarningOutcome.FALSE_ALARM if told.standing else WarningOutcome.QUIET
    withdrawn = told.warned_s is not None and not told.standing
    said, shown = memory.said.get(shift.id), memory.shown.get(shift.id)
    return Score(shift, outcome, lead_s, withdrawn, said, shown)


def score(memory: WarningMemory, shift: ShiftSpan, humid: bool | None) -> WarningMemory:
    """Keep how a shift that is over came out, once, and nothing else of it; what is not known is no score."""
    if any(done.shift.id == shift.id for done in memory.scores):
        return memory
    known = () if humid is None else (came_out(memory, shift, humid),)
    return WarningMemory(
        told=_without(memory.told, shift),
        scores=(*memory.scores, *known)[-KEEP_SCORED:],
        said=_without(memory.said, shift),
        shown=_without(memory.shown, shift),
    )


def _without(kept: Mapping[str, Kept], shift: ShiftSpan) -> dict[str, Kept]:
    return {name: one for name, one in kept.items() if name != shift.id}


@dataclass(frozen=True, slots=True)
class Tally:
    """How well the warnings did over some shifts; rates are None where there is nothing to divide by."""

    hits: int
    misses: int
    false_alarms: int
    quiet: int
    mean_lead_h: float | None

    @property
    def hit_rate_frac(self) -> float | None:
        """Humid shifts that were warned of, of all humid shifts."""
        return self.hits / (self.hits + self.misses) if self.hits + self.misses else None

    @property
    def false_alarm_frac(self) -> float | None:
        """Warnings that nothing came of, of all warnings (false-alarm ratio)."""
        return self.false_alarms / (self.hits + self.false_alarms) if self.hits + self.false_alarms else None


def tally(scores: Sequence[Score]) -> Tally:
    """Count the scores of some shifts."""
    count = {outcome: sum(s.outcome is outcome for s in scores) for outcome in WarningOutcome}
    leads = [s.lead_s for s in scores if s.outcome is WarningOutcome.HIT and s.lead_s is not None]
    return Tally(
        count[WarningOutcome.HIT],
        count[WarningOutcome.MISS],
        count[WarningOutcome.FALSE_ALARM],
        count[WarningOutcome.QUIET],
        sum(leads) / len(leads) / HOUR_S if leads else None,
    )
