"""What readings of a heated place prove of a package in it: a hold, a slow first step, a bake, too much heat.

Only readings that bracket a time prove it: both taken since the package went in, both hot enough, and no
further apart than a sensor speaks or, where a person read one of them, than `heat_gap` of the consumables. A
single reading proves nothing, and nothing is proved after the last one. Harm needs no such proof: one reading
of bake heat is a bake, one beyond its ceiling has spoilt the package, whatever the place is called.
"""

from enum import StrEnum
from itertools import groupby
from typing import NamedTuple

import numpy as np

from monitor.consumables.classes import HOT_PLACES, OVENS, ConsumableKind, Counts, Place
from monitor.consumables.exposure_air import COLDEST_C, HOTTEST_C, NEVER_S, AirStretch
from monitor.consumables.exposure_limits import HOUR_S, ClockRules


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
    seen_hottest_c: float = 0.0
    by_hand: bool = False
    hot_s: float = 0.0
    bake_s: float = 0.0
    ramp_s: float = 0.0
    baking: bool = False
    baked_here: bool = False  # a bake was counted in this stay
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
    most_bakes: float


_NEVER = float("inf")


class _Reading(NamedTuple):
    time_s: float
    temperature_c: float
    by_hand: bool
    hottest_c: float  # of all sensors there: whatever has an upper end is judged by it


def _heated(place: Place, rules: ClockRules) -> bool:
    """Whether heat matters there: an oven, a quiver, or the heated cabinet that keeps flux."""
    return place in HOT_PLACES or rules.counts(place) is Counts.STOPS_HOT


def still_hot(heat: Heat, stretch: AirStretch, rules: ClockRules) -> bool:
    """Whether the last reading was hot and the next is not overdue yet."""
    if heat.seen_s is None or not _heated(stretch.place, rules):
        return False
    fresh = stretch.until_s - heat.seen_s <= rules.speaks_in_s(stretch.zone)
    return fresh and heat.seen_c >= _bands(stretch.place, rules).hot_c


class Shown(NamedTuple):
    """What a stretch's readings prove: holds and bakes with their moments, and when it was hot."""

    proved: list[tuple[float, Proved]]
    hot: list[tuple[float, float]]  # in order of time, from one reading to the next
    by_hand: list[tuple[float, float]]  # of those, where one of the two was read by a person


NOTHING_SHOWN = Shown([], [], [])


def heat_after(heat: Heat, stretch: AirStretch, rules: ClockRules) -> tuple[Heat, Shown]:
    """What is known at the end of a stretch of the stay, and what was shown in it.

    Of a hold only the length is judged here; of a bake also its slow first step, that it is not one too many
    and that nothing was too hot before. Whether it may bring the package back is the clock's matter.
    """
    if not _heated(stretch.place, rules):
        return heat, NOTHING_SHOWN
    bands, shown = _bands(stretch.place, rules), Shown([], [], [])
    for reading in _readings(stretch, heat):
        _note_hot(shown, heat, reading, (stretch, rules, bands))
        heat = _unread(heat, reading.time_s, stretch, rules)
        before, heat = heat, _read(heat, reading, _between_s(heat, reading, stretch, rules), bands)
        if before.hot_s < bands.hold_s <= heat.hot_s:
            shown.proved.append((reading.time_s, Proved.HOLD))
        sound = not heat.overheated and heat.rebakes <= bands.most_bakes
        if sound and before.bake_s < bands.time_s <= heat.bake_s and heat.ramp_s >= bands.ramp_s:
            shown.proved.append((reading.time_s, Proved.BAKE))
    return _unread(heat, stretch.until_s, stretch, rules), shown


def _note_hot(
    shown: Shown, heat: Heat, reading: _Reading, where: tuple[AirStretch, ClockRules, _Bands]
) -> None:
    """The time since the reading before, where both were hot and the time between is short enough."""
    stretch, rules, bands = where
    if heat.seen_s is None or min(heat.seen_c, reading.temperature_c) < bands.hot_c:
        return
    by_hand = heat.by_hand or reading.by_hand
    most_s = max(rules.speaks_in_s(stretch.zone), rules.check_speaks_s if by_hand else 0.0)
    if reading.time_s - heat.seen_s <= most_s:
        shown.hot.append((heat.seen_s, reading.time_s))
        if by_hand:
            shown.by_hand.append((heat.seen_s, reading.time_s))


def _unread(heat: Heat, until_s: float, stretch: AirStretch, rules: ClockRules) -> Heat:
    """A bake that nobody read for an hour or so counts as one: unknown counts against it."""
    redry, gap = rules.consumable.redry, rules.consumable.care.heat_gap_h
    began_s = heat.since_s if heat.seen_s is None else heat.seen_s
    if stretch.place is not Place.REDRY or heat.baked_here or until_s <= heat.since_s:
        return heat
    if redry is None:  # what is never baked
        spoilt = rules.consumable.kind is ConsumableKind.COVERED_ELECTRODE
        return heat._replace(overheated=heat.overheated or spoilt)
    most_s = max(rules.speaks_in_s(stretch.zone), gap.value * HOUR_S if gap is not None else 0.0)
    if began_s <= NEVER_S or until_s - began_s <= most_s:  # no stay begun, or not an hour yet
        return heat
    return heat._replace(rebakes=heat.rebakes + 1, baking=True, baked_here=True)


def _bands(place: Place, rules: ClockRules) -> _Bands:
    care, redry, hot_c = rules.consumable.care, rules.consumable.redry, rules.hot_from_c(place)
    hold_s = _NEVER if care.hold_min_h is None or place not in OVENS else care.hold_min_h.value * HOUR_S
    hot_c = _NEVER if hot_c is None else hot_c
    if redry is None:
        return _Bands(hot_c, _NEVER, _NEVER, -_NEVER, 0.0, hold_s, _NEVER, _NEVER)
    stepped = redry.ramp_max_c is not None and redry.ramp_time_h is not None
    return _Bands(
        hot_c=hot_c,
        bake_c=redry.min_c.value,
        most_c=redry.max_c.value if rules.stands_heat else float(np.nextafter(redry.min_c.value, -_NEVER)),
        ramp_c=redry.ramp_max_c.value if redry.ramp_max_c is not None else min(hot_c, redry.min_c.value),
        ramp_s=redry.ramp_time_h.value * HOUR_S if stepped and redry.ramp_time_h is not None else 0.0,
        hold_s=hold_s,
        time_s=redry.time_h.value * HOUR_S if place is Place.REDRY else _NEVER,
        most_bakes=redry.max_count.value if redry.max_count is not None else _NEVER,
    )


def _readings(stretch: AirStretch, heat: Heat) -> list[_Reading]:
    """Temperatures read since the package went in, in order of time; of two at once the colder first."""
    since_s, seen_s = heat.since_s, heat.seen_s
    samples = stretch.samples
    use = samples.believed & (samples.times_s >= since_s) & (samples.times_s <= stretch.until_s)
    use = use & (samples.temperature_c >= COLDEST_C) & (samples.temperature_c <= HOTTEST_C)
    if seen_s is not None:
        use = use & (samples.times_s > seen_s)
    hottest_c = samples.temperature_c if samples.hottest_c is None else samples.hottest_c
    columns = (column[use].tolist() for column in (samples.times_s, samples.temperature_c, hottest_c))
    measured = [_Reading(at_s, warm_c, False, hot_c) for at_s, warm_c, hot_c in zip(*columns, strict=True)]
    by_hand = [
        _Reading(check.time_s, check.temperature_c, True, check.temperature_c)
        for check in stretch.checks
        if check.temperature_c is not None
        and since_s <= check.time_s <= stretch.until_s
        and (seen_s is None or (check.time_s, -check.temperature_c) > (seen_s, -heat.seen_c))
    ]
    return _worse_first_and_last(sorted([*measured, *by_hand]))


def _worse_first_and_last(readings: list[_Reading]) -> list[_Reading]:
    """Where two readings of one moment differ, the colder stands before and after the other."""
    found: list[_Reading] = []
    for _, group in groupby(readings, key=lambda reading: reading.time_s):
        alike = list(group)
        found += alike if len(alike) == 1 else [*alike, alike[0]]
    return found


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
    warm_c, hottest_c, joined_s = reading.temperature_c, reading.hottest_c, between_s or 0.0

    def unbroken_s(before_s: float, low_c: float, high_c: float) -> float:
        held = low_c <= min(warm_c, heat.seen_c) and max(hottest_c, heat.seen_hottest_c) <= high_c
        return _ms(before_s + joined_s) if held and between_s is not None else 0.0

    baking, ramp_s, rebakes, hasty = heat.baking, heat.ramp_s, heat.rebakes, heat.rebakes_without_ramp
    if between_s is None:  # what happened since the reading before is not known
        ramp_s = 0.0
    if hottest_c <= bands.ramp_c and hottest_c < bands.bake_c:
        ramp_s = 0.0 if baking else unbroken_s(ramp_s, -_NEVER, bands.ramp_c)
        baking = False  # it has cooled down: the next heat is another bake
    elif hottest_c >= bands.bake_c and not baking:
        baking, rebakes = True, rebakes + 1
        hasty += 1 if ramp_s < bands.ramp_s else 0
    below_bake_c = float(np.nextafter(bands.bake_c, -_NEVER))
    return heat._replace(
        seen_s=reading.time_s,
        seen_c=warm_c,
        seen_hottest_c=hottest_c,
        by_hand=reading.by_hand,
        hot_s=unbroken_s(heat.hot_s, bands.hot_c, below_bake_c),
        bake_s=unbroken_s(heat.bake_s, bands.bake_c, bands.most_c),
        ramp_s=ramp_s,
        baking=baking,
        baked_here=heat.baked_here or baking,
        rebakes=rebakes,
        rebakes_without_ramp=hasty,
        overheated=heat.overheated or reading.hottest_c > bands.most_c,
    )


def _ms(value_s: float) -> float:
    """Sums of whole milliseconds, kept whole: live steps and one long batch then agree exactly."""
    return round(value_s, 3)
