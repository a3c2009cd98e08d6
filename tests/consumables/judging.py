"""Whether one answer is milder than another, and by which looser readings of the texts."""

from tests.consumables import plain_rules as rules
from tests.consumables.plain_evidence import ALL, READINGS
from tests.consumables.plans import Plan, plain

#: What is read more loosely on purpose: why, and how the page that shows the hours says it.
KEPT = {
    "into a hot oven": (
        "rods handed from measured air into an oven that was last read hot were in no unknown air; "
        "the time until its next reading counts as open all the same",
        "undoes no proved hours",
    ),
    "first bag": (
        "a bag shut for the first time is a new one with its desiccant, as the deed on the page says; every "
        "later one keeps that age unless fresh desiccant is entered",
        "from its first shutting",
    ),
    "by hand": (
        "ovens without a recorder are read every shift; it takes two numbers of one stay, and nothing is "
        "stopped before the second",
        "between readings by a person",
    ),
    "silent probe": (
        "a probe that fell silent is told as a fault; its last reading stands beside the one that speaks",
        "stands at its last reading",
    ),
}
KEPT_NAMES = frozenset(KEPT)
SMALL_H = 1e-3  # less than four seconds is no other answer,
SMALL_FRAC = 1e-3  # nor what two formulas of vapour pressure differ by


def milder(answer: rules.Answer, strict: rules.Answer) -> tuple[str, ...]:
    """In what an answer is milder: a better standing, fewer hours counted, more hours left."""
    found = []
    if rules.STANDINGS.index(answer.standing) < rules.STANDINGS.index(strict.standing):
        found.append("standing")
    if strict.limit_h is not None and answer.hours < strict.hours * (1.0 - SMALL_FRAC) - SMALL_H:
        found.append("hours")
    if more_left(answer, strict):
        found.append("left")
    return tuple(found)


def more_left(answer: rules.Answer, strict: rules.Answer) -> bool:
    """Whether it gives more hours than the other."""
    if strict.left_h is None:
        return False
    return answer.left_h is None or answer.left_h > strict.left_h + SMALL_H + SMALL_FRAC * (
        strict.hours + strict.left_h
    )


def milder_than_before(answer: rules.Answer, before: rules.Answer) -> bool:
    """Whether a verdict became milder: the standing better or the hours left more."""
    better = rules.STANDINGS.index(answer.standing) < rules.STANDINGS.index(before.standing)
    return better or more_left(answer, before)


def readings_behind(answer: rules.Answer, plan: Plan) -> tuple[str, ...]:
    """The fewest looser readings, by name, that together give this answer; "another" where none does."""
    if milder(answer, plain(plan, ALL)):
        return ("another",)
    needed = set(READINGS)
    for name in READINGS:
        if not milder(answer, plain(plan, frozenset(needed - {name}))):
            needed.discard(name)
    return tuple(sorted(needed))
