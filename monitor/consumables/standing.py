"""The words a verdict uses: how a package stands, which rule decided, and the next action."""

from enum import StrEnum

from monitor.consumables.classes import Authority, ConsumableKind, Counts, Place
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.oven_doubts import oven_action
from monitor.model.level import Level


class Standing(StrEnum):
    """How a package stands, from best to worst."""

    USABLE = "usable"
    USE_FIRST = "use first"
    DUE = "due"
    OVER = "over"
    WITHDRAW = "withdraw"


class DecidingRule(StrEnum):
    """What decided the standing."""

    CODE_CLOCK = "the code's clock"
    SHOP_RULE = "the shop's rule"
    AIR_CLOCK = "the air-weighted clock"
    REBAKES = "the rebake count"
    WET = "it got wet"
    OVERHEATED = "it was baked too hot"
    TEST_BEAD = "the test bead"
    PERSON = "withdrawn by a person"
    NO_CLOCK = "no clock set"


LEVELS = {
    Standing.USABLE: Level.SAFE,
    Standing.USE_FIRST: Level.CAUTION,
    Standing.DUE: Level.CAUTION,
    Standing.OVER: Level.DANGER,
    Standing.WITHDRAW: Level.DANGER,
}

AUTHORITY_TITLES = {
    Authority.CODE: "the code's clock",
    Authority.SUPPLEMENT: "AWS D1.8",
    Authority.MAKER: "the maker's hours",
    Authority.COMPANY: "the rule sheet's hours",
    Authority.NONE: "no clock set",
}


PLANNING_HOURS = "planning hours"  # a supplement's, where nothing is welded under it


def authority_title(rules: ClockRules) -> str:
    """Whose hours they are; a supplement that the shop does not weld under is not named."""
    authority = rules.consumable.authority
    quiet = authority is Authority.SUPPLEMENT and not rules.seismic_work
    return PLANNING_HOURS if quiet else AUTHORITY_TITLES[authority]


def hours_text(hours: float) -> str:
    """Hours as a person says them: "45 min", "3 h 20 min", "41 h", "3 days"."""
    minutes = int(max(hours, 0.0) * 60.0 + 1e-6)
    if minutes < 60:
        return f"{minutes} min"
    if hours < 10.0:
        return f"{minutes // 60} h {minutes % 60} min" if minutes % 60 else f"{minutes // 60} h"
    return f"{minutes // 60} h" if hours < 96.0 else f"{minutes // 1440} days"


def next_action(
    standing: Standing,
    rule: DecidingRule,
    clock: ExposureClock,
    rules: ClockRules,
    left_h: float | None,
    *,
    may_redry: bool,
) -> str:
    """What to do next, in the imperative and short enough for a lock screen."""
    if standing is Standing.WITHDRAW:
        return "Withdraw it: mark it and keep it off the job."
    if rule is DecidingRule.TEST_BEAD:
        wire = rules.consumable.kind not in (ConsumableKind.COVERED_ELECTRODE, ConsumableKind.FLUX)
        return f"Do not weld the job. {'Run off the outer wraps, weld' if wire else 'Weld'} a new test bead."
    of_oven = oven_action(clock, rules)
    if of_oven:
        return of_oven
    if standing is Standing.OVER:
        return _when_over(rules, may_redry=may_redry)
    if not clock.counting:
        return _when_kept(standing, clock.place, rules)
    return _when_open(standing, left_h, rules)


def _when_over(rules: ClockRules, *, may_redry: bool) -> str:
    kind, redry = rules.consumable.kind, rules.consumable.redry
    if kind is ConsumableKind.CORED_WIRE:
        off = "Keep it off seismic work. " if rules.seismic_work else ""
        return f"{off}Run off the outer wraps, weld a test bead, ask the inspector."
    if redry is None or not may_redry:
        return "Do not weld with it. Ask the inspector, or withdraw it."
    heat = f"{redry.min_c.value:.0f}-{redry.max_c.value:.0f} °C for {redry.time_h.value:g} h"
    once = "once " if redry.max_count is not None and redry.max_count.value == 1.0 else ""
    return f"Do not weld with it. Redry it {once}at {heat}, or withdraw it."


def _when_kept(standing: Standing, place: Place, rules: ClockRules) -> str:
    care = rules.consumable.care
    if place is Place.HOLDING_OVEN and care.hold_min_h is not None:
        return f"Leave it in the oven at least {care.hold_min_h.value:g} h before reissue."
    if place is Place.HEATED_QUIVER:
        return "Lid shut, plugged in; take out what you weld with. Back to the oven at the end of the shift."
    if standing is Standing.USABLE:
        return "Leave it closed until needed; note the time when you open it."
    return "Leave it closed; use it before fresher ones, and note the time when you open it."


def _when_open(standing: Standing, left_h: float | None, rules: ClockRules) -> str:
    home = _home(rules)
    if left_h is None:
        return "Look for rust and damp; weld a test bead if in doubt."
    left = hours_text(left_h)
    if standing is Standing.DUE:
        return f"{left} left: use it up, or {home} now."
    if standing is Standing.USE_FIRST:
        return f"Use it first; {home} within {left}."
    return f"Weld with it; {home} within {left}."


def _home(rules: ClockRules) -> str:
    kind, oven = rules.consumable.kind, rules.consumable.care.oven_min_c
    if kind is ConsumableKind.FLUX and oven is not None:
        return f"into the heated hopper or cabinet ({oven.value:.0f} °C or more)"
    if oven is not None:
        return f"back to the oven ({oven.value:.0f} °C or more)"
    cabinet = rules.counts(Place.DRY_CABINET) is Counts.STOPS_DRY
    return f"seal it with fresh desiccant{' or put it in the dry cabinet' if cabinet else ''}"
