"""Counts the pores of a test bead against the code's limits; the qualified inspector decides.

What was not looked for, cannot be seen by eye, or has no rule here is *not judged*: that is a verdict of its
own, and no evidence of a sound bead.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from monitor.beads.acceptance_rules import (
    INCH_MM,
    Acceptance,
    PoreKind,
    PoreMeasure,
    PoreRule,
    RuleKind,
    Weld,
)
from monitor.model.errors import Fault, InputError

_EXACT = 1.0 + 1e-9  # a limit reached exactly is kept
MM = 1000.0


@dataclass(frozen=True, slots=True)
class Pore:
    """One cavity. `position_m` along the bead; None: counted by size only, so it may lie anywhere.

    `length_m` of an elongated one, 0 for a round one; `depth_m` of a crater pipe, 0 where not measured.
    """

    diameter_m: float
    position_m: float | None = None
    length_m: float = 0.0
    depth_m: float = 0.0
    kind: PoreKind = PoreKind.SURFACE

    @property
    def kinds(self) -> frozenset[PoreKind]:
        """What the rules take it for: longer than wide, it is a wormhole too, the stricter reading."""
        tube = self.length_m > self.diameter_m * _EXACT and self.kind in {PoreKind.SURFACE, PoreKind.INTERNAL}
        return frozenset({self.kind, PoreKind.WORMHOLE} if tube else {self.kind})

    @property
    def size_m(self) -> float:
        """The larger of its measures along and across the bead."""
        return max(self.diameter_m, self.length_m)


@dataclass(frozen=True, slots=True)
class Bead:
    """A test bead or a stretch of weld."""

    length_m: float
    weld: Weld
    thickness_m: float  # of the plate
    pores: tuple[Pore, ...] = ()
    throat_m: float | None = None  # of a fillet
    width_m: float | None = None  # of the bead, for shares of area
    multilayer: bool = False
    none_seen: bool = False  # somebody looked at the clean bead and saw no pore


class BeadOutcome(StrEnum):
    """What the count says."""

    NO_PORES = "no pores seen"
    COSMETIC = "cosmetic"  # nothing there that the code counts
    ACCEPTABLE = "acceptable"
    NOT_JUDGED = "not judged"  # something there, or nothing entered, that these rules cannot judge
    REJECTABLE = "rejectable"


@dataclass(frozen=True, slots=True)
class RuleCount:
    """One rule applied: what was found in the worst place against the limit."""

    rule: str
    found: float
    limit: float
    unit: str
    counted: int  # pores that the rule counts, over the whole bead
    window_m: tuple[float, float] | None  # the worst window along the bead
    passed: bool
    source: str
    text: str


@dataclass(frozen=True, slots=True)
class BeadVerdict:
    """The count of all rules; `deciding` is the one nearest to or furthest past its limit."""

    outcome: BeadOutcome
    counts: tuple[RuleCount, ...]
    deciding: RuleCount | None
    code: str
    clause: str
    edition: str
    text: str
    notes: tuple[str, ...]


def judge_bead(bead: Bead, acceptance: Acceptance) -> BeadVerdict:
    """The bead by the rules; raises InputError with every entry that cannot be."""
    _check(bead, acceptance)
    counts = tuple(
        _count(rule, bead) for rule in acceptance.rules if _applies(rule, bead) and _can_count(rule, bead)
    )
    deciding = max(counts, key=_severity, default=None)
    failed = any(not count.passed for count in counts)
    counted = any(count.counted > 0 for count in counts)
    open_points = _not_judged(bead, acceptance)
    outcome = BeadOutcome.ACCEPTABLE if counted else BeadOutcome.COSMETIC
    if not bead.pores:
        outcome = BeadOutcome.NO_PORES
    if open_points:
        outcome = BeadOutcome.NOT_JUDGED
    if failed:
        outcome = BeadOutcome.REJECTABLE
    detail = f" {deciding.text}" if deciding is not None and counted else " Nothing that the code counts."
    if open_points:
        detail = f" Open: {'; '.join(open_points)}.{detail if failed else ''}"
    return BeadVerdict(
        outcome=outcome,
        counts=counts,
        deciding=deciding,
        code=acceptance.code,
        clause=acceptance.clause,
        edition=acceptance.edition,
        text=(
            f"{outcome.capitalize()} by {acceptance.code} ({acceptance.title}).{detail} {acceptance.caution}"
        ),
        notes=_notes(bead, acceptance, counts),
    )


def _severity(count: RuleCount) -> tuple[bool, float]:
    if count.limit > 0.0:
        return not count.passed, count.found / count.limit
    return not count.passed, count.found


def _check(bead: Bead, acceptance: Acceptance) -> None:
    faults = [
        Fault(f"bead: {name}", f"{value * MM:g} mm", "write a size above zero")
        for name, value in (("length", bead.length_m), ("thickness", bead.thickness_m))
        if not 0.0 < value < math.inf
    ]
    if bead.throat_m is not None and not bead.throat_m > 0.0:
        faults.append(Fault("bead: throat", f"{bead.throat_m * MM:g} mm", "write a size above zero"))
    if bead.width_m is not None and not 0.0 < bead.width_m < math.inf:
        faults.append(Fault("bead: width", f"{bead.width_m * MM:g} mm", "write a size above zero"))
    if bead.none_seen and bead.pores:
        faults.append(Fault("bead: pores", f"{len(bead.pores)} and none seen", "take one of the two back"))
    if bead.weld not in acceptance.welds:
        fix = f"{acceptance.code}, {acceptance.title} covers: {', '.join(sorted(acceptance.welds))}"
        faults.append(Fault("bead: weld", bead.weld, fix))
    needs_throat = any(rule.kind is RuleKind.OF_THICKNESS for rule in acceptance.rules)
    if needs_throat and bead.throat_m is None and bead.weld in {Weld.FILLET, Weld.STIFFENER}:
        faults.append(Fault("bead: throat", "nothing", "this code needs the throat of a fillet"))
    ranges = [rule.thickness_m for rule in acceptance.rules if rule.thickness_m is not None]
    if ranges and bead.thickness_m < min(low for low, _ in ranges):
        least = min(low for low, _ in ranges) * MM
        fix = f"{acceptance.code} starts at {least:g} mm"
        faults.append(Fault("bead: thickness", f"{bead.thickness_m * MM:g} mm", fix))
    for index, pore in enumerate(bead.pores):
        faults += _pore_faults(f"pore {index + 1}", pore, bead)
    if faults:
        raise InputError(faults)


def _pore_faults(name: str, pore: Pore, bead: Bead) -> list[Fault]:
    faults = []
    if not 0.0 < pore.diameter_m < math.inf:
        faults.append(Fault(f"{name}: diameter", f"{pore.diameter_m * MM:g} mm", "write a size above zero"))
    for measure, value in (("length", pore.length_m), ("depth", pore.depth_m)):
        if not 0.0 <= value < math.inf:
            faults.append(Fault(f"{name}: {measure}", f"{value * MM:g} mm", "write zero or more"))
    if pore.position_m is not None and not 0.0 <= pore.position_m <= bead.length_m:
        fix = f"must lie on the bead, 0 to {bead.length_m * MM:g} mm"
        faults.append(Fault(f"{name}: position", f"{pore.position_m * MM:g} mm", fix))
    return faults


def _applies(rule: PoreRule, bead: Bead) -> bool:
    return rule.thickness_m is None or rule.thickness_m[0] <= bead.thickness_m <= rule.thickness_m[1]


def _can_count(rule: PoreRule, bead: Bead) -> bool:
    return rule.kind is not RuleKind.AREA_IN_WINDOW or bead.width_m is not None


def _count(rule: PoreRule, bead: Bead) -> RuleCount:
    least = rule.counted_from.value / MM if rule.counted_from is not None else 0.0
    pores = [pore for pore in bead.pores if pore.kinds & rule.pores and pore.size_m * _EXACT >= least]
    found, window, unit = _found(rule, pores, bead)
    limit = _limit(rule, bead)
    passed = found <= limit * _EXACT
    return RuleCount(
        rule=rule.id,
        found=found,
        limit=limit,
        unit=unit,
        counted=len(pores),
        window_m=window,
        passed=passed,
        source=rule.source,
        text=_text(rule, found, limit, unit, window),
    )


def _found(rule: PoreRule, pores: list[Pore], bead: Bead) -> tuple[float, tuple[float, float] | None, str]:
    """What the rule counts in the worst place, that place, and the unit."""
    if rule.kind is RuleKind.SUM_IN_WINDOW:
        total, window = worst_window(
            pores, [pore.size_m * MM for pore in pores], rule.window_m, bead.length_m
        )
        return total, window, "mm"
    if rule.kind is RuleKind.COUNT_IN_WINDOW:
        total, window = worst_window(pores, [1.0] * len(pores), rule.window_m, bead.length_m)
        return total, window, ""
    if rule.kind is RuleKind.AREA_IN_WINDOW and bead.width_m is not None:
        areas = [0.25 * math.pi * pore.diameter_m * pore.size_m for pore in pores]
        total, window = worst_window(pores, areas, rule.window_m, bead.length_m)
        return 100.0 * total / (bead.width_m * min(rule.window_m, bead.length_m)), window, "%"
    if rule.kind is RuleKind.NONE_ALLOWED:
        return float(len(pores)), None, ""
    return max((_measured(pore, rule) for pore in pores), default=0.0) * MM, None, "mm"


def _measured(pore: Pore, rule: PoreRule) -> float:
    if rule.kind is RuleKind.LARGEST:
        return pore.size_m
    if rule.measure is PoreMeasure.LENGTH:
        return pore.size_m
    # a crater pipe whose depth nobody measured is taken as deep as it is wide
    return (pore.depth_m or pore.diameter_m) if rule.measure is PoreMeasure.DEPTH else pore.diameter_m


def _limit(rule: PoreRule, bead: Bead) -> float:
    if rule.kind is RuleKind.OF_THICKNESS and rule.factor is not None:
        of_weld = bead.thickness_m if bead.throat_m is None else bead.throat_m
        size = bead.thickness_m if rule.measure is PoreMeasure.DEPTH else of_weld
        share = rule.factor.value * size * MM
        return share if rule.cap is None else min(share, rule.cap.value)
    limit = rule.limit_multilayer if bead.multilayer and rule.limit_multilayer is not None else rule.limit
    return limit.value if limit is not None else 0.0


def worst_window(
    pores: Sequence[Pore], weights: Sequence[float], window_m: float, bead_m: float = math.inf
) -> tuple[float, tuple[float, float] | None]:
    """The largest sum of weights in any window of a length, and where it starts and ends.

    Every window counts, both ends included: the worst one always starts at a pore, or ends at the bead's end
    with the same pores. Pores without a place count in each.
    """
    anywhere = math.fsum(w for pore, w in zip(pores, weights, strict=True) if pore.position_m is None)
    placed = sorted(
        (pore.position_m, w) for pore, w in zip(pores, weights, strict=True) if pore.position_m is not None
    )
    worst, where = 0.0, None
    last = 0
    for first, (start, _) in enumerate(placed):
        while last < len(placed) and placed[last][0] <= start + window_m * _EXACT:
            last += 1
        total = math.fsum(w for _, w in placed[first:last])
        if total > worst:
            end = min(start + window_m, bead_m)
            worst, where = total, (max(min(start, end - window_m), 0.0), end)
    return worst + anywhere, where


def _text(rule: PoreRule, found: float, limit: float, unit: str, window: tuple[float, float] | None) -> str:
    place = f", worst from {window[0] * MM:.0f} to {window[1] * MM:.0f} mm" if window is not None else ""
    if rule.kind is RuleKind.NONE_ALLOWED:
        return f"{found:.0f} found, none permitted ({rule.id})."
    space = f" {unit}" if unit and unit != "%" else unit
    said, most, span = f"{found:.3g}{space}", f"{limit:.3g}{space}", f"{rule.window_m * MM:.0f} mm"
    if rule.inches is not None:
        span = f"{rule.inches.window} in"
        if rule.inches.limit:
            said, most = f"{found / INCH_MM:.3g} in ({said})", f"{rule.inches.limit} in ({most})"
    what = {
        RuleKind.SUM_IN_WINDOW: f"Diameters sum to {said} in {span}",
        RuleKind.COUNT_IN_WINDOW: f"{found:.0f} in {span}",
        RuleKind.AREA_IN_WINDOW: f"{said} of the area in {span}",
    }.get(rule.kind, f"Largest {rule.measure} {said} ({rule.id})")
    return f"{what}, limit {most}{place}."


def _not_judged(bead: Bead, acceptance: Acceptance) -> tuple[str, ...]:
    """What is there, or may be, that these rules cannot judge."""
    if not bead.pores:
        return () if bead.none_seen else ("no pore entered and nobody said that none is seen",)
    rules = [rule for rule in acceptance.rules if _applies(rule, bead)]
    judged = frozenset().union(*(rule.pores for rule in rules))
    found = []
    left_out = sorted({pore.kind for pore in bead.pores if not pore.kinds & judged})
    if PoreKind.INTERNAL in left_out:
        found.append(
            "internal pores are not in the visual rules; the code's radiography or ultrasonics decides"
        )
    found += [
        f"no rule here for {kind} pores; look at the code" for kind in left_out if kind != PoreKind.INTERNAL
    ]
    if any(not _can_count(rule, bead) and _any(rule, bead) for rule in rules):
        found.append("the share of the area; give the width of the bead")
    deep = [rule for rule in rules if rule.measure is PoreMeasure.DEPTH]
    if any(pore.kinds & rule.pores and not pore.depth_m for rule in deep for pore in bead.pores):
        found.append("the depth of the crater pipe; measure it")
    if _may_be_grouped(bead, acceptance):
        assert acceptance.grouping is not None
        found.append(f"{acceptance.grouping.text}, which these pores may be; look at the code")
    return tuple(found)


def _any(rule: PoreRule, bead: Bead) -> bool:
    return any(pore.kinds & rule.pores for pore in bead.pores)


def _may_be_grouped(bead: Bead, acceptance: Acceptance) -> bool:
    near = acceptance.grouping
    if near is None:
        return False
    return worst_window(bead.pores, [1.0] * len(bead.pores), near.window.value / MM)[0] >= near.count.value


def _notes(bead: Bead, acceptance: Acceptance, counts: Sequence[RuleCount]) -> tuple[str, ...]:
    notes = [acceptance.note] if acceptance.note else []
    if any(pore.position_m is None for pore in bead.pores):
        notes.append("Pores without a place were counted in every window, as if they all lay together.")
    if any(pore.length_m > pore.diameter_m for pore in bead.pores):
        notes.append("A pore that is longer than wide counts as a wormhole too, and by its length in a sum.")
    if not any(PoreKind.INTERNAL in pore.kinds for pore in bead.pores):
        notes.append(
            "By eye only: pores inside are not seen. Where the code asks for radiography, that decides."
        )
    if acceptance.grouping is not None:
        notes.append(f"Not judged here: {acceptance.grouping.text}; look at the code.")
    longest_m = max((rule.window_m for rule in acceptance.rules if _applies(rule, bead)), default=0.0)
    if counts and bead.length_m < longest_m:
        notes.append(f"The bead is shorter than the {longest_m * MM:.0f} mm that a rule looks at.")
    return tuple(notes)
