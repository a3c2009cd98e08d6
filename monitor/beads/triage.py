"""Ranks the causes of a porous bead from what is known, and names the cheapest test between the top two."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from monitor.beads.causes import CauseModel, SeparatingTest
from monitor.model.errors import Fault, InputError
from monitor.model.odds import odds_text


@dataclass(frozen=True, slots=True)
class TriageFacts:
    """What was measured and answered; None: not known, and left out of the count."""

    dew_point_c: float | None = None
    used_frac: float | None = None  # of the package's governing hours
    uptake_frac: float | None = None  # estimated, of the reference equilibrium
    steel_margin_k: float | None = None  # skin above dew point
    cylinder_margin_k: float | None = None
    cylinder_low: bool | None = None
    idle_days: float | None = None
    answers: Mapping[str, str] | None = None  # finding id → state, as the lead answered
    tests: Mapping[str, bool] | None = None  # test id → whether the bead then came sound


class Moisture(StrEnum):
    """Whether moisture is to blame."""

    LIKELY = "moisture"
    UNLIKELY = "not moisture"
    OPEN = "undecided"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One finding that speaks for (factor above 1) or against a cause."""

    finding: str
    state: str
    factor: float
    text: str


@dataclass(frozen=True, slots=True)
class RankedCause:
    """A cause with its chance and why."""

    id: str
    title: str
    chance: float
    moisture: bool
    evidence: tuple[Evidence, ...]
    remedy: str


@dataclass(frozen=True, slots=True)
class NextTest:
    """The cheapest test that separates the two likeliest causes."""

    id: str
    title: str
    minutes: float
    if_sound: str
    if_not: str


@dataclass(frozen=True, slots=True)
class Triage:
    """The causes, likeliest first, what that means for moisture, and what to try next."""

    causes: tuple[RankedCause, ...]
    moisture: Moisture
    moisture_chance: float
    text: str
    next_test: NextTest | None
    not_known: tuple[str, ...]


def triage(facts: TriageFacts, model: CauseModel) -> Triage:
    """The ranking; raises InputError for an answer or a test the model does not know."""
    states = observed(facts, model)
    tests = dict(facts.tests or {})
    weights = {name: _log_weight(name, states, tests, model) for name in model.causes}
    highest = max(weights.values())
    raw = {name: math.exp(weight - highest) for name, weight in weights.items()}
    total = math.fsum(raw.values())
    chances = {name: value / total for name, value in raw.items()}
    order = sorted(model.causes, key=lambda name: (-chances[name], name))
    ranked = tuple(_ranked(name, chances[name], states, tests, model) for name in order)
    moisture = math.fsum(cause.chance for cause in ranked if cause.moisture)
    verdict = _moisture(moisture, model)
    missing = tuple(finding.title for name, finding in model.findings.items() if name not in states)
    return Triage(
        causes=ranked,
        moisture=verdict,
        moisture_chance=moisture,
        text=_text(verdict, ranked),
        next_test=_next_test(ranked, tests, model),
        not_known=missing,
    )


def observed(facts: TriageFacts, model: CauseModel) -> dict[str, str]:
    """The state of every finding that is known: measured ones by threshold, answers as given."""
    limits = model.thresholds
    measured = {
        "air": _air(facts.dew_point_c, limits.dry_dew_point_c, limits.humid_dew_point_c),
        "package": _package(facts, model),
        "idle": _idle(facts.idle_days, limits.weeks_days),
        "steel": _against_dew_point(facts.steel_margin_k, limits.near_margin_k, "clear", "wet"),
        "cylinder": _cylinder(facts, limits.near_margin_k),
    }
    states = {name: state for name, state in measured.items() if state is not None}
    faults: list[Fault] = []
    for name, state in (facts.answers or {}).items():
        if name not in model.findings:
            faults.append(Fault("answer", name, f"use one of: {', '.join(model.findings)}"))
        elif state not in model.findings[name].states:
            faults.append(
                Fault(f"answer {name}", state, f"use one of: {', '.join(model.findings[name].states)}")
            )
        else:
            states[name] = state
    faults += [
        Fault("test", name, f"use one of: {', '.join(model.tests)}")
        for name in (facts.tests or {})
        if name not in model.tests
    ]
    if faults:
        raise InputError(faults)
    return {name: state for name, state in states.items() if name in model.findings}


def _air(dew_point_c: float | None, dry_below_c: float, humid_from_c: float) -> str | None:
    if dew_point_c is None:
        return None
    if dew_point_c >= humid_from_c:
        return "humid"
    return "dry" if dew_point_c < dry_below_c else "ordinary"


def _package(facts: TriageFacts, model: CauseModel) -> str | None:
    """By the clock or by the estimated uptake, whichever is worse."""
    limits = model.thresholds
    if facts.used_frac is None and facts.uptake_frac is None:
        return None
    used, uptake = facts.used_frac or 0.0, facts.uptake_frac or 0.0
    if used > limits.over_used_frac or uptake >= limits.over_uptake_frac:
        return "over"
    return "part used" if used >= limits.part_used_frac or uptake >= limits.part_uptake_frac else "fresh"


def _idle(idle_days: float | None, weeks_days: float) -> str | None:
    if idle_days is None:
        return None
    if idle_days >= weeks_days:
        return "weeks"
    return "days" if idle_days >= 1.0 else "no"


def _against_dew_point(margin_k: float | None, near_k: float, clear: str, wet: str) -> str | None:
    if margin_k is None:
        return None
    if margin_k <= 0.0:
        return wet
    return "near" if margin_k < near_k else clear


def _cylinder(facts: TriageFacts, near_k: float) -> str | None:
    if facts.cylinder_low:
        return "sweating or low"
    state = _against_dew_point(facts.cylinder_margin_k, near_k, "dry", "sweating or low")
    return "dry" if state is None and facts.cylinder_low is False else state


def _log_weight(name: str, states: Mapping[str, str], tests: Mapping[str, bool], model: CauseModel) -> float:
    weight = math.log(model.causes[name].prior)
    for finding, state in states.items():
        weight += model.judgement.damping * math.log(_chance(finding, state, name, model))
    for test, sound in tests.items():
        clears = model.tests[test].clears[name]
        weight += math.log(clears if sound else 1.0 - clears)
    return weight


def _chance(finding: str, state: str, cause: str, model: CauseModel) -> float:
    found = model.findings[finding]
    return found.chance[cause][found.states.index(state)]


def _ranked(
    name: str, chance: float, states: Mapping[str, str], tests: Mapping[str, bool], model: CauseModel
) -> RankedCause:
    evidence = [_evidence_of(finding, state, name, model) for finding, state in states.items()]
    evidence += [_evidence_of_test(test, sound, name, model) for test, sound in tests.items()]
    least = model.judgement.telling_factor
    telling = [one for one in evidence if not 1.0 / least < one.factor < least]
    telling.sort(key=lambda one: -abs(math.log(one.factor)))
    cause = model.causes[name]
    return RankedCause(name, cause.title, chance, cause.moisture, tuple(telling), cause.remedy)


def _evidence_of(finding: str, state: str, name: str, model: CauseModel) -> Evidence:
    usual = math.fsum(
        cause.prior * _chance(finding, state, other, model) for other, cause in model.causes.items()
    )
    factor = (_chance(finding, state, name, model) / usual) ** model.judgement.damping
    return Evidence(finding, state, factor, f"{model.findings[finding].title}: {state} ({_words(factor)})")


def _evidence_of_test(test: str, sound: bool, name: str, model: CauseModel) -> Evidence:
    def chance(cause: str) -> float:
        clears = model.tests[test].clears[cause]
        return clears if sound else 1.0 - clears

    usual = math.fsum(cause.prior * chance(other) for other, cause in model.causes.items())
    factor = chance(name) / usual
    state = "bead sound after it" if sound else "bead still porous after it"
    return Evidence(test, state, factor, f"{model.tests[test].title}: {state} ({_words(factor)})")


def _words(factor: float) -> str:
    side = "for" if factor >= 1.0 else "against"
    strength = max(factor, 1.0 / factor)
    return f"speaks {side} it, x{strength:.1f}"


def _moisture(chance: float, model: CauseModel) -> Moisture:
    if chance >= model.judgement.moisture_from:
        return Moisture.LIKELY
    return Moisture.UNLIKELY if chance < model.judgement.not_moisture_below else Moisture.OPEN


def _text(verdict: Moisture, ranked: tuple[RankedCause, ...]) -> str:
    first, second = ranked[0], ranked[1]
    lead = {
        Moisture.LIKELY: "Probably moisture.",
        Moisture.UNLIKELY: "Probably not moisture.",
        Moisture.OPEN: "Moisture or not: not decided yet.",
    }[verdict]
    return (
        f"{lead} First: {first.title} ({odds_text(first.chance)}); "
        f"then: {second.title} ({odds_text(second.chance)}). "
        "Estimates of the trade, not a finding."
    )


def _next_test(
    ranked: tuple[RankedCause, ...], done: Mapping[str, bool], model: CauseModel
) -> NextTest | None:
    """The cheapest test not yet done whose outcome differs enough between the two likeliest causes."""
    first, second = ranked[0].id, ranked[1].id

    def gap(test: SeparatingTest) -> float:
        return abs(test.clears[first] - test.clears[second])

    useful = [
        test
        for test in model.tests.values()
        if test.id not in done and gap(test) >= model.judgement.separates_from
    ]
    if not useful:
        return None
    best = min(useful, key=lambda test: (test.minutes, -gap(test), test.id))
    cleared_first = best.clears[first] > best.clears[second]
    sound, porous = (ranked[0], ranked[1]) if cleared_first else (ranked[1], ranked[0])
    return NextTest(
        id=best.id,
        title=best.title,
        minutes=best.minutes,
        if_sound=f"Sound: it was {_lower(sound.title)}. {sound.remedy}",
        if_not=f"Still porous: rather {_lower(porous.title)}.",
    )


def _lower(title: str) -> str:
    return title[:1].lower() + title[1:]
