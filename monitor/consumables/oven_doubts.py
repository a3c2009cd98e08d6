"""What speaks against putting a package into an oven, in words that are read before the door is shut."""

from monitor.consumables.classes import OVENS, Permission, Place, Redry
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.heat import Heat

MELTS = "Plastic spools melt, cardboard chars: enter a metal spool, or keep it out of the oven."


def oven_doubts(
    place: Place, clock: ExposureClock, rules: ClockRules, oven_c: float | None
) -> tuple[str, ...]:
    """The doubts, the worst first. `oven_c`: as the oven reads now; None: nobody knows."""
    if place not in OVENS:
        return ()
    found = [] if rules.stands_heat else [MELTS]
    if place is Place.REDRY:
        found += _of_redrying(clock, rules, oven_c)
    elif rules.hot_from_c(place) is None and rules.stands_heat:
        found.append("No oven holds this class, or the maker's word is missing: it counts as open.")
    redry = rules.consumable.redry
    if oven_c is not None and redry is not None and oven_c > redry.max_c.value:
        found.append(f"The oven reads {oven_c:.0f} °C: above {redry.max_c.value:.0f} °C it is spoilt.")
    return tuple(found)


def _of_redrying(clock: ExposureClock, rules: ClockRules, oven_c: float | None) -> list[str]:
    redry, found = rules.consumable.redry, []
    if redry is None:
        return ["This class is never redried: no baking of it is known."]
    if redry.permission is Permission.MAKER and not rules.shop.redry_permission:
        found.append("The maker's written word for redrying it is not in the settings: it will not count.")
    if redry.max_count is not None and clock.rebakes >= redry.max_count.value:
        found.append(
            f"Baked {clock.rebakes} x of {redry.max_count.value:.0f} allowed: one more makes it scrap."
        )
    if oven_c is None:
        found.append("Nobody knows how hot this oven is: a bake that is not read does not count.")
    elif redry.ramp_max_c is not None and redry.ramp_time_h is not None and oven_c > redry.ramp_max_c.value:
        first = f"the first {redry.ramp_time_h.value:g} h at {redry.ramp_max_c.value:.0f} °C or less"
        bake = f"{redry.time_h.value:g} h at {redry.min_c.value:.0f}-{redry.max_c.value:.0f} °C"
        found.append(f"The oven reads {oven_c:.0f} °C: {first}, then {bake}, or it does not count.")
    return found


def oven_action(clock: ExposureClock, rules: ClockRules) -> str:
    """What to do with a package that lies in an oven; nothing where its hold is its whole story."""
    redry, heat = rules.consumable.redry, clock.heat
    if clock.place in OVENS and not rules.stands_heat:
        return "Take it out of the oven: plastic melts, cardboard chars. It counts as open."
    if clock.place is not Place.REDRY:
        return ""
    if redry is None or not rules.redry_allowed:
        return "Take it out: no redrying of it is allowed here. Ask the maker; it counts as open."
    if redry.max_count is not None and not heat.baking and heat.rebakes >= redry.max_count.value:
        return "Take it out before it bakes again: its bakes are used up."
    return _while_baking(heat, redry)


def _while_baking(heat: Heat, redry: Redry) -> str:
    bake = f"{redry.min_c.value:.0f}-{redry.max_c.value:.0f} °C for {redry.time_h.value:g} h"
    if heat.seen_s is None:
        return f"Read the oven and enter it: {bake}, or it does not count."
    if not heat.baking:
        return (
            f"Not baking: the oven was at {heat.seen_c:.0f} °C. It needs {bake}, after its slow first step."
        )
    if heat.rebakes_without_ramp == heat.rebakes and redry.ramp_time_h is not None:
        return "Its slow first step was not shown: the bake does not count. Ask the inspector."
    if heat.seen_c < redry.min_c.value:
        return "Below bake heat again: straight into the holding oven. It counts as redried only if shown."
    return f"Let the bake finish ({bake}), then straight into the holding oven."
