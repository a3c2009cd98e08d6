"""What readings of a heated place prove of a package in it: a hold, a slow first step, a bake, too much heat.

Only readings that bracket a time prove it: both taken since the package went in, both hot enough, and no
further apart than a sensor speaks or, where a person read one of them, than `heat_gap` of the consumables. A
single reading proves nothing, and nothing is proved after the last one. Harm needs no such proof: one reading
of bake heat is a bake, one beyond its ceiling has spoilt the package, whatever the place is called.
"""

from enum import StrEnum
from typing import NamedTuple

import numpy as np

from monitor.exposure.air import COLDEST_C, HOTTEST_C, NEVER_S, AirStretch
from monitor.exposure.classes import HOT_PLACES, OVENS, Place
from monitor.exposure.limits import HOUR_S, ClockRules


class Proved(StrEnum):
    """What can be proved."""

    HOLD = "hold"
    BAKE = "bake"


class Heat(NamedTuple):
    """What was read in one stay: the last reading, and unbroken times between readings.

    `ramp_s` is the last unbroken time at the heat of the slow first step, `baking` since bake heat was read
    until it has cooled to that again; the counts of bakes and the harm outlast the stay.
    """

    since_s: float = NEVER_S  # when the stay began
    seen_s: float | None = None
    seen_c: float = 0.0
    by_hand: bool = False
    hot_s: float = 0.0
    bake_s: float = 0.0
    ramp_s: float = 0.0
    baking: bool = False
    rebakes: int = 0
    rebakes_without_ramp: int = 0
    overheated: bool = False

    def moved(self, time_s: float) -> "Heat":
        """What is left of it in another place: what was proved there is not proved here."""
        harm = self.rebakes, self.rebakes_without_ramp, self.overheated
        return Heat(time_s, rebakes=harm[0], rebakes_without_ramp=harm[1], overheated=harm[2])


NOTHING_READ = Heat()


class _Bands(NamedTuple):
    """Temperatures of a hold, of the slow first step, and of a bake."""

    hot_c: float  # from here
    bake_c: float  # up to here, where it is a bake
    most_c: float
    ramp_c: float  # no hotter
    ramp_s: float
    hold_s: float
    time_s: float


_NEVER = float("inf")


class _Reading(NamedTuple):
    time_s: float
    temperature_c: float
    by_hand: bool


def heat_after(heat: Heat, stretch: AirStretch, rules: ClockRules) -> tuple[Heat, list[tuple[float, Proved]]]:
    """What is known at the end of a stretch of the stay; what was proved in it, and when.

    Of a hold or a bake only the length is judged here, and of a bake also its slow first step; whether it may
    bring the package back is the clock's matter.
    """
    if stretch.place not in HOT_PLACES:
        return heat, []
    bands, proved = _bands(stretch.place, rules), []
    for reading in _readings(stretch, heat.since_s, heat.seen_s):
        before, heat = heat, _read(heat, reading, _between_s(heat, reading, stretch, rules), bands)
        if before.hot_s < bands.hold_s <= heat.hot_s:
            proved.append((reading.time_s, Proved.HOLD))
        if before.bake_s < bands.time_s <= heat.bake_s and heat.ramp_s >= bands.ramp_s:
            proved.append((reading.time_s, Proved.BAKE))
    return heat, proved


def _bands(place: Place, rules: ClockRules) -> _Bands:
    care, redry, hot_c = rules.consumable.care, rules.consumable.redry, rules.hot_from_c(place)
    hold_s = _NEVER if care.hold_min_h is None or place not in OVENS else care.hold_min_h.value * HOUR_S
    hot_c = _NEVER if hot_c is None else hot_c
    if redry is None:
        return _Bands(hot_c, _NEVER, _NEVER, -_NEVER, 0.0, hold_s, _NEVER)
    stepped = redry.ramp_max_c is not None and redry.ramp_time_h is not None
    return _Bands(
        hot_c=hot_c,
        bake_c=redry.min_c.value,
        most_c=redry.max_c.value,
        ramp_c=redry.ramp_max_c.value if redry.ramp_max_c is not None else min(hot_c, redry.min_c.value),
        ramp_s=redry.ramp_time_h.value * HOUR_S if stepped and redry.ramp_time_h is not None else 0.0,
        hold_s=hold_s,
        time_s=redry.time_h.value * HOUR_S if place is Place.REDRY else _NEVER,
    )


def _readings(stretch: AirStretch, since_s: float, seen_s: float | None) -> list[_Reading]:
    """Temperatures read since the package went in, in order of time; of two at once the colder first."""
    samples = stretch.samples
    use = samples.believed & (samples.times_s >= since_s) & (samples.times_s <= stretch.until_s)
    use = use & (samples.temperature_c >= COLDEST_C) & (samples.temperature_c <= HOTTEST_C)
    if seen_s is not None:
        use = use & (samples.times_s > seen_s)
    columns = samples.times_s[use].tolist(), samples.temperature_c[use].tolist()
    measured = [_Reading(time_s, warm_c, False) for time_s, warm_c in zip(*columns, strict=True)]
    by_hand = [
        _Reading(check.time_s, check.temperature_c, True)
        for check in stretch.checks
        if check.temperature_c is not None
        and since_s <= check.time_s <= stretch.until_s
        and (seen_s is None or check.time_s > seen_s)
    ]
    return sorted([*measured, *by_hand])


def _between_s(heat: Heat, reading: _Reading, stretch: AirStretch, rules: ClockRules) -> float | None:
    """The time since the reading before; None where there is none, or it is too long ago to be joined."""
    if heat.seen_s is None:
        return None
    most_s, gap = rules.speaks_in_s(stretch.zone), rules.consumable.care.heat_gap_h
    if (heat.by_hand or reading.by_hand) and gap is not None:
        most_s = max(most_s, gap.value * HOUR_S)
    between_s = reading.time_s - heat.seen_s
    return between_s if between_s <= most_s else None


def _read(heat: Heat, reading: _Reading, between_s: float | None, bands: _Bands) -> Heat:
    warm_c, joined_s = reading.temperature_c, between_s or 0.0

    def unbroken_s(before_s: float, low_c: float, high_c: float) -> float:
        held = low_c <= warm_c <= high_c and low_c <= heat.seen_c <= high_c
        return _ms(before_s + joined_s) if held and between_s is not None else 0.0

    baking, ramp_s, rebakes, hasty = heat.baking, heat.ramp_s, heat.rebakes, heat.rebakes_without_ramp
    if between_s is None:  # what happened since the reading before is not known
        ramp_s = 0.0
    if warm_c <= bands.ramp_c and warm_c < bands.bake_c:
        ramp_s = 0.0 if baking else unbroken_s(ramp_s, -_NEVER, bands.ramp_c)
        baking = False  # it has cooled down: the next heat is another bake
    elif warm_c >= bands.bake_c and not baking:
        baking, rebakes = True, rebakes + 1
        hasty += 1 if ramp_s < bands.ramp_s else 0
    below_bake_c = float(np.nextafter(bands.bake_c, -_NEVER))
    return heat._replace(
        seen_s=reading.time_s,
        seen_c=warm_c,
        by_hand=reading.by_hand,
        hot_s=unbroken_s(heat.hot_s, bands.hot_c, below_bake_c),
        bake_s=unbroken_s(heat.bake_s, bands.bake_c, bands.most_c),
        ramp_s=ramp_s,
        baking=baking,
        rebakes=rebakes,
        rebakes_without_ramp=hasty,
        overheated=heat.overheated or warm_c > bands.most_c,
    )


def _ms(value_s: float) -> float:
    """Sums of whole milliseconds, kept whole: live steps and one long batch then agree exactly."""
    return round(value_s, 3)
