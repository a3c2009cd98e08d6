"""The causes of porosity, what goes with each, and the tests that tell them apart, as data."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from monitor.model.data_tables import Status, Table


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause with its prior chance."""

    id: str
    title: str
    moisture: bool
    prior: float
    remedy: str


@dataclass(frozen=True, slots=True)
class CauseFinding:
    """One thing that can be found, its states, and the chance of each state by cause."""

    id: str
    title: str
    states: tuple[str, ...]
    chance: Mapping[str, tuple[float, ...]]


@dataclass(frozen=True, slots=True)
class SeparatingTest:
    """Something to try, how long it takes, and the chance by cause that the bead comes sound after it."""

    id: str
    title: str
    minutes: float
    clears: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Judgement:
    """From which chances on something is said."""

    moisture_from: float
    not_moisture_below: float
    separates_from: float
    telling_factor: float  # a finding is told as evidence when it moves the odds at least this much
    damping: float  # exponent on the findings' chances, below 1 because findings overlap


@dataclass(frozen=True, slots=True)
class Thresholds:
    """How measured numbers become states."""

    humid_dew_point_c: float
    dry_dew_point_c: float
    part_used_frac: float
    over_used_frac: float
    part_uptake_frac: float
    over_uptake_frac: float
    near_margin_k: float
    weeks_days: float
    low_cylinder_pa: float  # gauge
    start_frac: float
    along_frac: float
    along_pores: float


@dataclass(frozen=True, slots=True)
class CauseModel:
    """All causes, findings and tests, with their provenance."""

    status: Status
    source: str
    judgement: Judgement
    thresholds: Thresholds
    causes: Mapping[str, Cause]
    findings: Mapping[str, CauseFinding]
    tests: Mapping[str, SeparatingTest]
    quick: tuple[str, ...]  # findings that only a person can tell, in the order in which they are asked


def cause_model(data: Mapping[str, Any]) -> CauseModel:
    """The contents of a causes file; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    status, source = top.choice("status", Status), top.text("source")
    judgement, thresholds = _judgement(top.sub("judgement")), _thresholds(top.sub("thresholds"))
    causes: dict[str, Cause] = {}
    for row in top.rows("cause"):
        cause = _cause(row)
        if cause.id in causes:
            row.fault("id", f"{cause.id} is used twice; give each its own id")
        causes[cause.id] = cause
    total = sum(cause.prior for cause in causes.values())
    if causes and abs(total - 1.0) > 1e-6:
        top.fault("cause", f"the priors sum to {total:g}; they must sum to 1")
    findings = {finding.id: finding for row in top.rows("finding") if (finding := _finding(row, causes))}
    tests = {test.id: test for row in top.rows("test") if (test := _test(row, causes))}
    asking = top.sub("asking")
    quick = asking.texts("quick")
    for name in quick:
        if name not in findings:
            asking.fault("quick", f"{name} is no finding; use ids of findings")
    asking.no_more()
    top.finish()
    return CauseModel(status, source, judgement, thresholds, causes, findings, tests, quick)


def _judgement(row: Table) -> Judgement:
    judgement = Judgement(
        moisture_from=row.number("moisture_from", 0.01, 0.99),
        not_moisture_below=row.number("not_moisture_below", 0.01, 0.99),
        separates_from=row.number("separates_from", 0.01, 0.99),
        damping=row.number("damping", 0.1, 1.0),
        telling_factor=row.number("telling_factor", 1.0, 10.0),
    )
    if judgement.not_moisture_below >= judgement.moisture_from:
        row.fault("not_moisture_below", "must lie below moisture_from; correct one of the two")
    row.no_more()
    return judgement


def _thresholds(row: Table) -> Thresholds:
    thresholds = Thresholds(
        humid_dew_point_c=row.number("humid_dew_point_c", -40, 40),
        dry_dew_point_c=row.number("dry_dew_point_c", -40, 40),
        part_used_frac=row.number("part_used_frac", 0, 10),
        over_used_frac=row.number("over_used_frac", 0, 10),
        part_uptake_frac=row.number("part_uptake_frac", 0, 10),
        over_uptake_frac=row.number("over_uptake_frac", 0, 10),
        near_margin_k=row.number("near_margin_k", 0, 30),
        weeks_days=row.number("weeks_days", 1, 365),
        low_cylinder_pa=row.number("low_cylinder_pa", 1e4, 3e7),
        start_frac=row.number("start_frac", 0, 1),
        along_frac=row.number("along_frac", 0, 1),
        along_pores=row.number("along_pores", 2, 100),
    )
    row.no_more()
    return thresholds


def _cause(row: Table) -> Cause:
    cause = Cause(
        id=row.text("id"),
        title=row.text("title"),
        moisture=row.flag("moisture", False),
        prior=row.number("prior", 1e-6, 1.0),
        remedy=row.text("remedy"),
    )
    row.no_more()
    return cause


def _finding(row: Table, causes: Mapping[str, Cause]) -> CauseFinding:
    states = row.texts("states")
    usual = _chances(row, "else", len(states))
    named = row.sub("chance")
    chance = {name: _chances(named, name, len(states)) if named.has(name) else usual for name in causes}
    named.no_more()
    finding = CauseFinding(row.text("id"), row.text("title"), states, chance)
    row.no_more()
    return finding


def _chances(row: Table, name: str, count: int) -> tuple[float, ...]:
    """The chance of each state; no state is impossible, or one finding could outvote all others."""
    chances = row.numbers(name, 0.001, 1.0)
    if chances and (len(chances) != count or abs(sum(chances) - 1.0) > 1e-6):
        row.fault(name, f"write {count} chances that sum to 1, one for each state")
    return chances


def _test(row: Table, causes: Mapping[str, Cause]) -> SeparatingTest:
    usual = row.number("else", 0.001, 0.999)
    named = row.sub("clears")
    clears = {name: named.number(name, 0.001, 0.999) if named.has(name) else usual for name in causes}
    named.no_more()
    test = SeparatingTest(row.text("id"), row.text("title"), row.number("minutes", 0.1, 10_000), clears)
    row.no_more()
    return test
