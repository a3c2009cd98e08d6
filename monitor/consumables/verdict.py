"""May this package be welded with, which rule decided, how long is left, and what to do next."""

from dataclasses import dataclass

import numpy as np

from monitor.consumables.classes import Authority, ConsumableKind, Counts, Place
from monitor.consumables.exposure_clock import ExposureClock, air_shown
from monitor.consumables.exposure_limits import HOUR_S, ClockRules
from monitor.consumables.standing import (
    LEVELS,
    DecidingRule,
    Standing,
    authority_title,
    hours_text,
    next_action,
)
from monitor.model.level import Level
from monitor.physics.sorption import exposure_weight, mean_uptake_kgkg

TEXT_LENGTH = 160
_EXACT = 1e-9  # a limit reached exactly is kept, not broken


@dataclass(frozen=True, slots=True)
class ClockReading:
    """One clock against its limit; `left_h` at the present air."""

    rule: DecidingRule
    title: str
    used_h: float
    limit_h: float
    used_frac: float
    left_h: float
    source: str
    governs: bool  # a code's hours set aside by a written deviation are shown, but do not govern


@dataclass(frozen=True, slots=True)
class UptakeEstimate:
    """Water taken up by the outer layer: an estimate, which decides nothing on its own."""

    uptake_kgkg: float
    low_kgkg: float
    high_kgkg: float
    of_reference_frac: float  # of what the material would hold in the end at 27 °C and 80 % RH


@dataclass(frozen=True, slots=True)
class PackageVerdict:
    """How a package stands and why."""

    standing: Standing
    level: Level
    rule: DecidingRule
    rule_text: str
    used_h: float
    limit_h: float | None
    used_frac: float | None
    left_h: float | None
    due_at_s: float | None  # when the deciding clock runs out, while it is running
    counting: bool
    weight: float  # of the present air; 1 is the reference air
    air_known: bool
    clocks: tuple[ClockReading, ...]
    unknown_h: float
    unproven_h: float
    rebakes: int
    uptake: UptakeEstimate | None
    action: str
    notes: tuple[str, ...]
    deviation: str  # a shop rule looser than the code, with its reason; on every record


def package_verdict(clock: ExposureClock, rules: ClockRules) -> PackageVerdict:
    """The verdict at the clock's own time."""
    weight, known, within = _present_air(clock, rules)
    clocks = _readings(clock, rules, weight, air_shown(clock) and (within or not clock.counting))
    governing = [reading for reading in clocks if reading.governs]
    worst = max(governing, key=lambda reading: (reading.used_frac, -reading.limit_h), default=None)
    left_h = min((reading.left_h for reading in governing), default=None)
    standing, rule = _standing(clock, rules, worst)
    may_redry = rules.redry_allowed and not _rebakes_used_up(clock, rules)
    return PackageVerdict(
        standing=standing,
        level=LEVELS[standing],
        rule=rule,
        rule_text=_rule_text(rule, worst, rules),
        used_h=worst.used_h if worst is not None else clock.open_s / HOUR_S,
        limit_h=worst.limit_h if worst is not None else None,
        used_frac=worst.used_frac if worst is not None else None,
        left_h=left_h,
        due_at_s=clock.time_s + left_h * HOUR_S if clock.counting and left_h is not None else None,
        counting=clock.counting,
        weight=weight,
        air_known=known,
        clocks=clocks,
        unknown_h=clock.unknown_s / HOUR_S,
        unproven_h=clock.unproven_s / HOUR_S,
        rebakes=clock.rebakes,
        uptake=_uptake(clock, rules),
        action=next_action(standing, rule, clock, rules, left_h, may_redry=may_redry),
        notes=_notes(clock, rules, clocks),
        deviation=_deviation(rules),
    )


def _present_air(clock: ExposureClock, rules: ClockRules) -> tuple[float, bool, bool]:
    """Weight of the present air, whether it is known, and whether it is shown to be within the test's."""
    air = clock.air
    speaks = air is not None and clock.time_s < air.time_s + rules.reading_speaks_s
    pressure = np.nan if air is None else air.vapour_pressure_pa
    if air is None or not np.isfinite(pressure) or not speaks:
        wettest = max(clock.wettest_pa, pressure if np.isfinite(pressure) else 0.0)
        said_hot = air is not None and speaks and bool(rules.said_hot(clock.place, air.temperature_c))
        return max(1.0, float(exposure_weight(wettest))), False, said_hot
    rating = rules.rating
    within = rating is None or (
        pressure <= rating.vapour_pressure_pa * (1.0 + _EXACT)
        and (rating.rh_frac is None or air.rh_frac <= rating.rh_frac + _EXACT)
    )
    return float(exposure_weight(pressure)), True, within


def _readings(
    clock: ExposureClock, rules: ClockRules, weight: float, within: bool
) -> tuple[ClockReading, ...]:
    """Every clock that applies; one of equal use comes first in the order code, shop, air."""
    open_h, weighted_h = clock.open_s / HOUR_S, clock.weighted_s / HOUR_S
    readings: list[ClockReading] = []
    code_h = rules.code_hours(air_shown=within)
    looser = rules.shop_is_looser
    if code_h is not None:
        title = authority_title(rules)
        source = rules.consumable.limit_h.cite() if rules.consumable.limit_h is not None else ""
        if rules.shop.tested is not None:
            source = f"column B by test, {rules.shop.tested.document}; column A: {source}"
        readings.append(
            _reading(DecidingRule.CODE_CLOCK, title, open_h, code_h, 1.0, source=source, governs=not looser)
        )
    if rules.shop.limit_h is not None:
        source = rules.shop.document or "the shop's own setting"
        readings.append(
            _reading(
                DecidingRule.SHOP_RULE, "the shop's rule", open_h, rules.shop.limit_h, 1.0, source=source
            )
        )
    if rules.limit_h is not None:
        limit_h = rules.limit_h if looser or code_h is None else min(rules.limit_h, code_h)
        source = "planning estimate: hours weighted by vapour pressure, reference 27 °C and 80 % RH"
        title = "the air-weighted clock"
        readings.append(_reading(DecidingRule.AIR_CLOCK, title, weighted_h, limit_h, weight, source=source))
    return tuple(readings)


def _reading(
    rule: DecidingRule,
    title: str,
    used_h: float,
    limit_h: float,
    weight: float,
    *,
    source: str,
    governs: bool = True,
) -> ClockReading:
    left_h = max(limit_h - used_h, 0.0) / max(weight, 1.0)  # drier air gives no hours
    return ClockReading(rule, title, used_h, limit_h, used_h / limit_h, left_h, source, governs)


def _standing(
    clock: ExposureClock, rules: ClockRules, worst: ClockReading | None
) -> tuple[Standing, DecidingRule]:
    barred = _barred(clock, rules)
    if barred is not None:
        return Standing.WITHDRAW, barred
    over = worst is not None and not worst.used_frac <= 1.0 + _EXACT
    if worst is not None and over and _rebakes_used_up(clock, rules):
        return Standing.WITHDRAW, DecidingRule.REBAKES
    if clock.unsound_beads > 0:
        return Standing.OVER, DecidingRule.TEST_BEAD
    if worst is None:
        return Standing.USABLE, DecidingRule.NO_CLOCK
    return (Standing.OVER if over else _by_share(worst.used_frac, rules)), worst.rule


def _by_share(used_frac: float, rules: ClockRules) -> Standing:
    if not used_frac < rules.shop.due_frac:
        return Standing.DUE
    return Standing.USABLE if used_frac < rules.shop.use_first_frac else Standing.USE_FIRST


def _barred(clock: ExposureClock, rules: ClockRules) -> DecidingRule | None:
    """What bars a package for good."""
    if clock.withdrawn:
        return DecidingRule.PERSON
    if clock.wet:
        return DecidingRule.WET
    if clock.overheated:
        return DecidingRule.OVERHEATED
    if clock.unsound_beads > 1:
        return DecidingRule.TEST_BEAD
    redry = rules.consumable.redry
    if redry is not None and redry.max_count is not None and clock.rebakes > redry.max_count.value:
        return DecidingRule.REBAKES
    return None


def _rebakes_used_up(clock: ExposureClock, rules: ClockRules) -> bool:
    redry = rules.consumable.redry
    return redry is not None and redry.max_count is not None and clock.rebakes >= redry.max_count.value


def _rule_text(rule: DecidingRule, worst: ClockReading | None, rules: ClockRules) -> str:
    if rule is DecidingRule.WET:
        return rules.consumable.care.wet.text
    if worst is not None and rule is worst.rule:
        return worst.title
    return str(rule)


def _deviation(rules: ClockRules) -> str:
    if not rules.shop_is_looser or rules.shop.limit_h is None or rules.code_h is None:
        return ""
    owner = authority_title(rules)
    document = f" ({rules.shop.document})" if rules.shop.document else ""
    return (
        f"The shop{document} works to {rules.shop.limit_h:g} h, past {rules.code_h:g} h ({owner}). "
        f"Reason given: {rules.shop.reason}"
    )


def _uptake(clock: ExposureClock, rules: ClockRules) -> UptakeEstimate | None:
    material = rules.sorption
    if material is None or not clock.uptake_kgkg:
        return None
    uptake = mean_uptake_kgkg(np.array(clock.uptake_kgkg), material)
    return UptakeEstimate(
        uptake_kgkg=uptake,
        low_kgkg=uptake / material.spread_factor,
        high_kgkg=uptake * material.spread_factor,
        of_reference_frac=uptake / material.equilibrium_kgkg,
    )


def _notes(clock: ExposureClock, rules: ClockRules, clocks: tuple[ClockReading, ...]) -> tuple[str, ...]:
    """What a reader must know beside the number; the unknown first."""
    notes = _air_notes(clock, rules)
    notes += _strictest(clocks)
    notes += _kept_notes(clock, rules)
    notes += _redry_notes(clock, rules)
    if clock.unsound_beads > 0:
        notes.append("The last test bead was not sound.")
    if rules.consumable.note and (
        rules.seismic_work or rules.consumable.authority is not Authority.SUPPLEMENT
    ):
        notes.append(rules.consumable.note)
    if rules.consumable.kind is ConsumableKind.COVERED_ELECTRODE and rules.code_h is not None:
        notes.append(rules.consumable.care.places_note)
    return tuple(notes)


def _air_notes(clock: ExposureClock, rules: ClockRules) -> list[str]:
    """The air and the places that nobody showed, and what that costs."""
    notes = []
    if clock.unknown_s > 0.0:
        hours = hours_text(clock.unknown_s / HOUR_S)
        notes.append(f"Air not known for {hours}: counted as the reference air or worse.")
        if rules.rating is not None and rules.rating.beyond_h is not None:
            notes.append(
                f"Hours proved in a test's air hold only where the air was measured: "
                f"{rules.rating.beyond_h:g} h are taken."
            )
    if clock.unproven_s > 0.0:
        hours = hours_text(clock.unproven_s / HOUR_S)
        notes.append(f"{hours} in a bag, cabinet, oven or quiver not shown to protect: counted as open.")
    if clock.beyond_s > 0.0 and rules.rating is not None:
        notes.append(rules.rating.text)
    return notes


def _kept_notes(clock: ExposureClock, rules: ClockRules) -> list[str]:
    """What stopped the hours or set them back by a reading looser than the strictest, and on whose word."""
    notes = []
    care = rules.consumable.care
    if clock.bag_s > 0.0 and care.bag_protects_h is not None:
        notes.append(
            f"{hours_text(clock.bag_s / HOUR_S)} in a bag not counted: a bag with desiccant is taken as "
            f"sealed storage for {care.bag_protects_h.value:g} h from its first shutting "
            f"({care.bag_protects_h.cite()})."
        )
    if clock.heated_s > 0.0:
        hours = hours_text(clock.heated_s / HOUR_S)
        notes.append(f"{hours} in a heated place not counted: shown hot before and after.")
    if clock.heated_s > 0.0 and rules.rating is not None:
        notes.append("The time until a hot oven's next reading counts as open and undoes no proved hours.")
    if clock.heated_s > 0.0 or clock.rebakes > 0:
        notes.append(
            "Of several sensors in an oven the coldest counts, for too much heat the hottest; a silent one "
            "stands at its last reading."
        )
    if clock.by_hand_s > 0.0:
        notes.append(
            f"{hours_text(clock.by_hand_s / HOUR_S)} of that between readings by a person, at most "
            f"{hours_text(rules.check_speaks_s / HOUR_S)} apart: ovens without a recorder are read every "
            "shift (common practice)."
        )
    if clock.cabinet_s > 0.0 and care.places[Place.DRY_CABINET] is Counts.STOPS_DRY_BY_WORD:
        hours, word = hours_text(clock.cabinet_s / HOUR_S), rules.shop.cabinet_permission
        notes.append(f"{hours} in a dry cabinet not counted, on the word of: {word}. {care.places_note}")
    if clock.restarts > 0:
        word = f"; read so by {rules.shop.document}" if rules.shop.document else ""
        source = f"{care.hold_restart_source}{word}"
        notes.append(f"Count begun anew {clock.restarts} x after a hold in the oven: {source}.")
    return notes


def _strictest(clocks: tuple[ClockReading, ...]) -> list[str]:
    governing = sorted((c for c in clocks if c.governs), key=lambda c: -c.used_frac)
    if len(governing) < 2 or governing[0].used_frac <= governing[1].used_frac + _EXACT:
        return []
    first, second = governing[0], governing[1]
    return [
        f"The stricter is {first.title} ({first.used_frac:.0%} used), not {second.title} "
        f"({second.used_frac:.0%})."
    ]


def _redry_notes(clock: ExposureClock, rules: ClockRules) -> list[str]:
    notes = []
    redry = rules.consumable.redry
    if clock.rebakes > 0 and redry is not None:
        allowed = f" of {redry.max_count.value:.0f} allowed" if redry.max_count is not None else ""
        notes.append(f"Redried {clock.rebakes} x{allowed}.")
    if clock.rebakes_without_ramp > 0:
        notes.append("The slow first step of the bake was not shown: it does not count. Ask the inspector.")
    return notes
