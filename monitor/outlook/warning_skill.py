"""What a season of warnings comes to, beside a plain rule, and whether the odds mean what they say."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.model.shift_span import ShiftSpan
from monitor.outlook.season import OddsSaid, SeasonResult
from monitor.outlook.warning import Score, WarningOutcome, WarningRules, act_by_s, tally

ODDS_EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class Found:
    """Humid shifts and warnings counted; shares are None where there is nothing to divide by."""

    humid: int
    hits: int
    warned: int

    @property
    def hit_frac(self) -> float | None:
        """Humid shifts that were told, of all humid ones."""
        return self.hits / self.humid if self.humid else None

    @property
    def false_frac(self) -> float | None:
        """Warnings that nothing came of, of all warnings."""
        return (self.warned - self.hits) / self.warned if self.warned else None


@dataclass(frozen=True, slots=True)
class WarningSkill:
    """One season under one definition of humid, told from one level of odds on."""

    shifts: int
    base_frac: float
    ours: Found
    onsets: Found  # of shifts whose predecessor was dry
    continued: Found  # of shifts whose predecessor was humid
    last_finished: Found  # a plain rule: as the last shift that was over when it had to be told
    last_onsets: Found
    withdrawn: int
    withdrawn_humid: int  # of which the shift turned humid after all
    lead_h: float | None
    brier: float
    brier_courses: float  # of the odds as they were before the record of earlier shifts moved them
    brier_base: float
    reliability: tuple[tuple[float, float, int], ...]  # said, came, shifts
    reliability_courses: tuple[tuple[float, float, int], ...]  # before the record moved them

    @property
    def skill(self) -> float:
        """Brier skill over the base rate."""
        return 1.0 - self.brier / self.brier_base if self.brier_base else 0.0


def warning_skill(result: SeasonResult, odds: float, rules: WarningRules) -> WarningSkill:
    """The season's shifts as told from `odds` on."""
    scores = sorted(result.scores[odds], key=lambda one: one.shift.start_s)
    told = [one.outcome in (WarningOutcome.HIT, WarningOutcome.FALSE_ALARM) for one in scores]
    humid = [one.humid for one in scores]
    before = [None, *humid[:-1]]
    plain = [_last_finished(scores, shift=one.shift, rules=rules) for one in scores]
    onset, continued = [b is False for b in before], [b is True for b in before]
    base = float(np.mean(humid)) if humid else float("nan")
    brier, table = reliability(result.said)
    courses, raw = reliability(replace(one, probability_frac=one.courses_frac) for one in result.said)
    withdrawn = [one for one in scores if one.withdrawn]
    return WarningSkill(
        shifts=len(scores),
        base_frac=base,
        ours=_found(told, humid),
        onsets=_found(told, humid, onset),
        continued=_found(told, humid, continued),
        last_finished=_found(plain, humid),
        last_onsets=_found(plain, humid, onset),
        withdrawn=len(withdrawn),
        withdrawn_humid=sum(one.humid for one in withdrawn),
        lead_h=tally(scores).mean_lead_h,
        brier=brier,
        brier_courses=courses,
        brier_base=base * (1.0 - base),
        reliability=table,
        reliability_courses=raw,
    )


def _last_finished(scores: Sequence[Score], shift: ShiftSpan, rules: WarningRules) -> bool:
    """Whether the last shift that was over at the last moment to tell was humid."""
    by_s = act_by_s(shift, rules, None)
    over = [one for one in scores if one.shift.end_s <= by_s]
    return bool(over) and over[-1].humid


def _found(told: Sequence[bool], humid: Sequence[bool], of: Sequence[bool] | None = None) -> Found:
    counted = [(t, h) for t, h, use in zip(told, humid, of or [True] * len(told), strict=True) if use]
    return Found(sum(h for _, h in counted), sum(t and h for t, h in counted), sum(t for t, _ in counted))


def reliability(said: Iterable[OddsSaid]) -> tuple[float, tuple[tuple[float, float, int], ...]]:
    """The Brier score of what was last said in time, and how often it came by what was said."""
    pairs = np.array([(one.probability_frac, float(one.humid)) for one in said]).reshape(-1, 2)
    if not pairs.size:
        return float("nan"), ()
    bins = np.digitize(pairs[:, 0], ODDS_EDGES[1:-1])
    table = tuple(
        (float(pairs[bins == b, 0].mean()), float(pairs[bins == b, 1].mean()), int((bins == b).sum()))
        for b in range(len(ODDS_EDGES) - 1)
        if (bins == b).any()
    )
    return float(((pairs[:, 0] - pairs[:, 1]) ** 2).mean()), table


def skill_lines(skill: WarningSkill) -> list[str]:
    """In words and numbers, for the command."""
    lead = "-" if skill.lead_h is None else f"{skill.lead_h:.0f} h"
    rows = (
        ("told", skill.ours),
        ("  onsets (the shift before was dry)", skill.onsets),
        ("  continued (the shift before was humid)", skill.continued),
        ("plain rule: as the last finished shift", skill.last_finished),
        ("  its onsets", skill.last_onsets),
    )
    lines = [f"{skill.shifts} shifts, {skill.base_frac:.0%} humid; mean lead {lead}"]
    lines += [f"{'':<42}{'humid':>6}{'found':>7}{'false':>7}"]
    lines += [
        f"{name:<42}{one.humid:>6}{_share(one.hit_frac):>7}{_share(one.false_frac):>7}" for name, one in rows
    ]
    lines.append(f"withdrawn {skill.withdrawn}, of which {skill.withdrawn_humid} turned humid after all")
    lines.append(f"Brier {skill.brier:.3f}, skill {skill.skill:.2f}; said {_pairs(skill.reliability)}")
    lines.append(
        f"without its own record: Brier {skill.brier_courses:.3f}; said {_pairs(skill.reliability_courses)}"
    )
    return lines


def _pairs(table: Sequence[tuple[float, float, int]]) -> str:
    return ", ".join(f"{said:.0%} came {came:.0%} ({count})" for said, came, count in table)


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.0%}"
