"""What porosity a bead may have, by code, loading and weld, with the source of every limit."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from fractions import Fraction
from typing import Any, NamedTuple

from monitor.model.data_tables import Sourced, Table

INCH_MM = 25.4  # exact


class PoreKind(StrEnum):
    """What sort of cavity it is."""

    SURFACE = "surface"
    WORMHOLE = "wormhole"  # a tube that breaks the surface or was laid open under the slag
    CRATER_PIPE = "crater pipe"
    INTERNAL = "internal"  # seen by radiography or on a broken bead


class Weld(StrEnum):
    """What sort of weld it is, as the structural code tells them apart."""

    FILLET = "fillet"
    GROOVE = "groove"
    CJP_TENSION = "cjp tension"  # complete-penetration butt, transverse to computed tension
    STIFFENER = "stiffener"  # fillet of a stiffener to a web


class Loading(StrEnum):
    """How the structure is loaded."""

    STATIC = "static"
    CYCLIC = "cyclic"
    ANY = "any"


class RuleKind(StrEnum):
    """What a rule counts."""

    NONE_ALLOWED = "none allowed"
    SUM_IN_WINDOW = "sum in window"
    COUNT_IN_WINDOW = "count in window"
    LARGEST = "largest"
    OF_THICKNESS = "of thickness"
    AREA_IN_WINDOW = "area in window"


class PoreMeasure(StrEnum):
    """Which size of a pore a rule compares."""

    DIAMETER = "diameter"
    LENGTH = "length"
    DEPTH = "depth"


class Inches(NamedTuple):
    """A rule's sizes as the inch column prints them; empty where it has none."""

    limit: str
    counted_from: str
    window: str


@dataclass(frozen=True, slots=True)
class PoreGrouping:
    """From how many pores in how long a stretch on they may be clustered or in line."""

    count: Sourced
    window: Sourced
    text: str


@dataclass(frozen=True, slots=True)
class PoreRule:
    """One rule; sizes in mm and shares in %, as the codes print them."""

    id: str
    kind: RuleKind
    pores: frozenset[PoreKind]
    limit: Sourced | None
    limit_multilayer: Sourced | None
    window_m: float
    counted_from: Sourced | None
    measure: PoreMeasure
    factor: Sourced | None
    cap: Sourced | None
    thickness_m: tuple[float, float] | None
    inches: Inches | None = None  # set where the rule is read in the inch column

    @property
    def source(self) -> str:
        """Where the rule's number comes from."""
        number = self.limit or self.factor
        return number.cite() if number is not None else ""


@dataclass(frozen=True, slots=True)
class Acceptance:
    """The rules of one code for one loading and some welds."""

    id: str
    code: str
    title: str
    clause: str
    edition: str
    welds: frozenset[Weld]
    loading: Loading
    rules: tuple[PoreRule, ...]
    note: str
    caution: str
    grouping: PoreGrouping | None = None  # None: the code's visual rules know no clusters


def acceptances(data: Mapping[str, Any]) -> dict[str, Acceptance]:
    """The contents of a bead acceptance file, by id; raises InputError with every fault."""
    top = Table(data, "")
    top.number("format", 1, 1)
    caution = top.text("caution")
    grouping = _grouping(top.sub("grouping"))
    found: dict[str, Acceptance] = {}
    for row in top.rows("acceptance"):
        one = _acceptance(row, caution, grouping)
        if one.id in found:
            row.fault("id", f"{one.id} is used twice; give each its own id")
        found[one.id] = one
        if any(rule.inches for rule in one.rules):
            found[one.id] = replace(one, rules=tuple(replace(rule, inches=None) for rule in one.rules))
            found[f"{one.id}-in"] = _in_inches(one)
    top.finish()
    return found


def _in_inches(one: Acceptance) -> Acceptance:
    """The same rules by the code's inch column, which is a standard of its own."""
    rules = tuple(_rule_in_inches(rule, rule.inches) if rule.inches else rule for rule in one.rules)
    code = one.code.partition("/")[0] + " in inches"
    return replace(one, id=f"{one.id}-in", code=code, rules=rules, note="")


def _rule_in_inches(rule: PoreRule, inches: Inches) -> PoreRule:
    def size(number: Sourced | None, text: str) -> Sourced | None:
        return (
            replace(number, value=float(Fraction(text)) * INCH_MM) if number is not None and text else number
        )

    window_m = float(Fraction(inches.window)) * INCH_MM / 1000.0 if inches.window else rule.window_m
    return replace(
        rule,
        limit=size(rule.limit, inches.limit),
        counted_from=size(rule.counted_from, inches.counted_from),
        window_m=window_m,
    )


def _grouping(row: Table) -> PoreGrouping:
    one = PoreGrouping(
        row.sourced("count", "1", 2.0, 100.0), row.sourced("window", "mm", 1.0, 1000.0), row.text("text")
    )
    row.no_more()
    return one


def _acceptance(row: Table, caution: str, grouping: PoreGrouping) -> Acceptance:
    rules = tuple(_rule(rule) for rule in row.rows("rule"))
    editions = {number.edition for rule in rules if (number := rule.limit or rule.factor) is not None}
    one = Acceptance(
        id=row.text("id"),
        code=row.text("code"),
        title=row.text("title"),
        clause=row.text("clause"),
        edition=", ".join(sorted(edition for edition in editions if edition)),
        welds=_words(row, "welds", Weld),
        loading=row.choice("loading", Loading),
        rules=rules,
        note=row.text("note", ""),
        caution=caution,
        grouping=grouping if row.flag("grouped", False) else None,
    )
    row.no_more()
    return one


def _words(row: Table, name: str, kind: Any) -> frozenset[Any]:
    texts = row.texts(name)
    if not texts or not set(texts) <= set(kind):
        row.fault(name, f"write a list of: {', '.join(kind)}")
        return frozenset()
    return frozenset(kind(text) for text in texts)


def _inches(row: Table) -> Inches | None:
    names = ("limit_in", "counted_from_in", "window_in")
    texts = [row.text(name, "") for name in names]
    for name, text in zip(names, texts, strict=True):
        if text and not re.fullmatch(r"[1-9][0-9]*(/[1-9][0-9]*)?", text):
            row.fault(name, 'write inches as the code prints them, like "3/8" or "12"')
            return None
    return Inches(*texts) if any(texts) else None


def _rule(row: Table) -> PoreRule:
    kind = row.choice("kind", RuleKind)
    unit, high = ("%", 100.0) if kind is RuleKind.AREA_IN_WINDOW else ("mm", 1000.0)
    if kind in {RuleKind.NONE_ALLOWED, RuleKind.COUNT_IN_WINDOW}:
        unit = "1"
    thickness = row.numbers("thickness_mm", 0.0, 1e5) if row.has("thickness_mm") else ()
    if thickness and (len(thickness) != 2 or thickness[0] >= thickness[1]):
        row.fault("thickness_mm", "write [from, to] in mm, rising")
    windowed = kind in {RuleKind.SUM_IN_WINDOW, RuleKind.COUNT_IN_WINDOW, RuleKind.AREA_IN_WINDOW}
    rule = PoreRule(
        id=row.text("id"),
        kind=kind,
        pores=_words(row, "pores", PoreKind),
        limit=row.optional_sourced("limit", unit, 0.0, high),
        limit_multilayer=row.optional_sourced("limit_multilayer", unit, 0.0, high),
        window_m=row.number("window_mm", 1.0, 1e4) / 1000.0 if windowed else 0.0,
        counted_from=row.optional_sourced("counted_from", "mm", 0.0, 100.0),
        measure=row.choice("measure", PoreMeasure, PoreMeasure.DIAMETER),
        factor=row.optional_sourced("factor", "1", 0.0, 10.0),
        cap=row.optional_sourced("cap", "mm", 0.0, 1000.0),
        thickness_m=(thickness[0] / 1000.0, thickness[1] / 1000.0) if len(thickness) == 2 else None,
        inches=_inches(row),
    )
    if (rule.factor is None) == (kind is RuleKind.OF_THICKNESS) or (rule.limit is None) == (
        kind is not RuleKind.OF_THICKNESS
    ):
        row.fault("kind", 'a rule "of thickness" needs factor and no limit; every other one needs limit')
    row.no_more()
    return rule
