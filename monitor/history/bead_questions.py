"""Puts together what is known about a porous bead, for the triage of its causes."""

from collections.abc import Mapping

from monitor.beads.causes import CauseFinding, CauseModel, Thresholds
from monitor.beads.triage import TriageFacts
from monitor.history.bead_records import pattern_of
from monitor.history.entries import BeadWelded, Seen


def quick_questions(model: CauseModel) -> list[CauseFinding]:
    """The findings that only a person can tell, in the order in which they are asked."""
    return [model.findings[name] for name in model.quick]


def triage_facts(
    seen: Seen,
    answers: Mapping[str, str],
    limits: Thresholds,
    bead: BeadWelded | None = None,
    cylinder_pressure_pa: float | None = None,
    tests: Mapping[str, bool] | None = None,
) -> TriageFacts:
    """The measured facts, and what the lead answers: a state for each finding asked, tests already tried.

    Where the pores lie is taken from the bead unless it was answered.
    """
    findings = dict(answers)
    pattern = None if bead is None else pattern_of(bead, limits)
    if pattern is not None:
        findings.setdefault("pattern", pattern)
    low = None if cylinder_pressure_pa is None else cylinder_pressure_pa < limits.low_cylinder_pa
    return TriageFacts(
        dew_point_c=seen.dew_point_c,
        used_frac=seen.used_frac,
        uptake_frac=seen.uptake_frac,
        steel_margin_k=seen.plate_margin_k,
        cylinder_margin_k=seen.cylinder_margin_k,
        cylinder_low=low,
        answers=findings,
        tests=tests,
    )
