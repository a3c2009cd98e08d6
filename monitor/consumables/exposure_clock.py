"""The exposure clocks of one package: plain open-air hours, hours weighted by the air, and water taken up."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from monitor.consumables.classes import HOT_PLACES, Counts, Place
from monitor.consumables.exposure_air import (
    NO_AIR,
    AirSamples,
    AirStretch,
    HeldAir,
    Segments,
    Speaks,
    segments,
)
from monitor.consumables.exposure_limits import HOUR_S, ClockRules
from monitor.consumables.heat import NOTHING_READ, Heat, Proved, Shown, heat_after, still_hot
from monitor.consumables.stays import DatedHappening, Happening, Stay, checked_history
from monitor.consumables.storage_places import (
    OPEN_PLACES,
    SHUT_PLACES,
    Marks,
    Run,
    marks_of,
    runs_of,
    water_air,
)
from monitor.physics.sorption import advance_state, remove_outer, uniform_state

AirLookup = Callable[[str, float, float], AirSamples]
_CLOSED = frozenset({Counts.STOPS, Counts.STOPS_FOR_A_TIME})


class Sums(NamedTuple):
    """What has counted up to a moment."""

    open_s: float = 0.0
    weighted_s: float = 0.0
    unknown_s: float = 0.0
    unproven_s: float = 0.0
    beyond_s: float = 0.0
    whole_open_s: float = 0.0


@dataclass(frozen=True, slots=True)
class ExposureClock:
    """What is accounted of one package up to `time_s`; plain numbers only, so that it can be stored.

    The `…_s` counts run since the package was opened, redried or restarted by a hold in the oven:
    `open_s` exposed by the rules of its places, `weighted_s` the same weighted by vapour pressure,
    `unknown_s` the part in air nobody measured, `unproven_s` the part in a bag, cabinet or oven that was not
    shown to protect, `beyond_s` the part in air wetter than that of the rating's test. Not counted are
    `bag_s`, `cabinet_s` and `heated_s`, which a bag, a cabinet or shown heat stopped.
    """

    time_s: float
    opened_s: float
    place: Place = Place.OPEN_AIR
    zone: str | None = None
    bagged_s: float | None = None  # when its bag was first shut, or given fresh desiccant; it ages from there
    air: HeldAir | None = None
    wettest_pa: float = 0.0  # the highest vapour pressure it was ever shown to lie in, ovens left out
    open_s: float = 0.0
    weighted_s: float = 0.0
    unknown_s: float = 0.0
    unproven_s: float = 0.0
    beyond_s: float = 0.0
    bag_s: float = 0.0  # stopped by a bag
    cabinet_s: float = 0.0  # stopped by a dry cabinet
    heated_s: float = 0.0  # stopped by heat that was shown; of that by a person's readings:
    by_hand_s: float = 0.0
    whole_open_s: float = 0.0  # never reset
    at_reading: Sums | None = None  # at the last reading of this heated stay
    counting: bool = True  # whether the clock was running at time_s
    restarts: int = 0
    heat: Heat = NOTHING_READ  # what was read of the oven
    wet: bool = False
    withdrawn: bool = False
    unsound_beads: int = 0  # in a row
    uptake_kgkg: tuple[float, ...] = ()

    @property
    def rebakes(self) -> int:
        """How often bake heat was read."""
        return self.heat.rebakes

    @property
    def rebakes_without_ramp(self) -> int:
        """How many of those were not shown to have begun slowly."""
        return self.heat.rebakes_without_ramp

    @property
    def overheated(self) -> bool:
        """Whether more heat was read than its redrying allows."""
        return self.heat.overheated


def start_clock(
    opened_s: float, rules: ClockRules, place: Place = Place.OPEN_AIR, zone: str | None = None
) -> ExposureClock:
    """A package that leaves its sealed container, or a proper bake, at `opened_s`."""
    uptake = tuple(uniform_state(0.0).tolist()) if rules.sorption is not None else ()
    return ExposureClock(
        time_s=opened_s,
        opened_s=opened_s,
        place=place,
        zone=zone,
        bagged_s=opened_s if place in SHUT_PLACES else None,
        counting=rules.counts(place) not in _CLOSED,
        heat=Heat(since_s=opened_s),
        uptake_kgkg=uptake,
    )


def advance_clock(clock: ExposureClock, stretch: AirStretch, rules: ClockRules) -> ExposureClock:
    """The clock at the end of a stretch in one place; a stretch that ends in the past changes nothing."""
    if stretch.until_s <= clock.time_s:
        return clock
    if (stretch.place, stretch.zone) != (clock.place, clock.zone):
        clock = _moved(clock, stretch)
    clock = _in_bag(clock, stretch)
    heat, shown = heat_after(clock.heat, stretch, rules)
    clock = replace(
        clock,
        heat=heat,
        heated_s=_ms(clock.heated_s + sum(end_s - start_s for start_s, end_s in shown.hot)),
        by_hand_s=_ms(clock.by_hand_s + sum(end_s - start_s for start_s, end_s in shown.by_hand)),
    )
    for time_s, what in shown.proved:
        clock = _counted(clock, replace(stretch, until_s=time_s), rules, shown)
        clock = _after_hold(clock, rules) if what is Proved.HOLD else _after_bake(clock, rules)
    return _counted(clock, stretch, rules, shown)


def _counted(clock: ExposureClock, stretch: AirStretch, rules: ClockRules, shown: Shown) -> ExposureClock:
    """The hours and the water up to the stretch's end.

    In a heated place every hour counts until the next reading shows that it was hot; then it is taken back.
    """
    if stretch.until_s <= clock.time_s:
        return clock
    bag = rules.consumable.care.bag_protects_h
    cut_s = None
    if bag is not None and clock.bagged_s is not None:
        cut_s = clock.bagged_s + bag.value * HOUR_S
    speaks = Speaks(rules.speaks_in_s(stretch.zone), rules.check_speaks_s)
    spans, air = segments(stretch, clock.time_s, clock.air, speaks, cut_s, clock.wettest_pa)
    if clock.place in HOT_PLACES:  # the vapour in a hot oven says nothing of the air of the shop
        spans = replace(spans, wettest_pa=np.full(spans.start_s.shape, clock.wettest_pa))
    marks = marks_of(spans, stretch.place, cut_s, rules, shown.hot)
    if clock.at_reading is not None and any(start_s < clock.time_s < end_s for start_s, end_s in shown.hot):
        clock = _with_sums(clock, clock.at_reading)
    seen_s = -np.inf if clock.heat.seen_s is None else clock.heat.seen_s
    last = int(np.searchsorted(spans.start_s, seen_s))
    for run in runs_of(spans, marks, rules, slice(0, last)):
        clock = _after_run(clock, run)
    if clock.time_s <= seen_s <= stretch.until_s:
        clock = replace(clock, at_reading=_sums(clock))
    for run in runs_of(spans, marks, rules, slice(last, None)):
        clock = _after_run(clock, run)
    if still_hot(clock.heat, stretch, rules):
        clock = replace(clock, counting=False)
    uptake = _water(clock, spans, marks, rules)
    wettest_pa = float(spans.wettest_pa[-1])
    return replace(clock, time_s=stretch.until_s, air=air, wettest_pa=wettest_pa, uptake_kgkg=uptake)


def _sums(clock: ExposureClock) -> Sums:
    return Sums(
        clock.open_s,
        clock.weighted_s,
        clock.unknown_s,
        clock.unproven_s,
        clock.beyond_s,
        clock.whole_open_s,
    )


def _with_sums(clock: ExposureClock, sums: Sums) -> ExposureClock:
    return replace(
        clock,
        open_s=sums.open_s,
        weighted_s=sums.weighted_s,
        unknown_s=sums.unknown_s,
        unproven_s=sums.unproven_s,
        beyond_s=sums.beyond_s,
        whole_open_s=sums.whole_open_s,
    )


def happened(clock: ExposureClock, event: DatedHappening, rules: ClockRules) -> ExposureClock:
    """The clock after a happening."""
    if event.kind is Happening.GOT_WET:
        return replace(clock, wet=True)
    if event.kind is Happening.WITHDRAWN:
        return replace(clock, withdrawn=True)
    if event.kind is Happening.BEAD_SOUND:
        return replace(clock, unsound_beads=0)
    if event.kind is Happening.BEAD_NOT_SOUND:
        return replace(clock, unsound_beads=clock.unsound_beads + 1)
    if rules.sorption is None or not clock.uptake_kgkg:
        return clock
    left = remove_outer(np.array(clock.uptake_kgkg), event.depth_m, rules.sorption)
    return replace(clock, uptake_kgkg=tuple(left.tolist()))


def clock_over(
    stays: Sequence[Stay],
    air_lookup: AirLookup,
    rules: ClockRules,
    until_s: float,
    events: Sequence[DatedHappening] = (),
) -> ExposureClock:
    """The clock after a whole history; `air_lookup(zone, start_s, end_s)` gives the readings of a zone.

    Raises InputError where the history cannot be true.
    """
    history = checked_history(stays, events, until_s)
    clock = start_clock(history[0].start_s, rules, history[0].place, history[0].zone)
    pending = sorted(events, key=lambda event: event.time_s)
    for stay in history:
        end_s = until_s if stay.end_s is None else min(stay.end_s, until_s)
        while pending and pending[0].time_s < end_s:
            event = pending.pop(0)
            clock = _through(clock, stay, event.time_s, air_lookup, rules)
            clock = happened(clock, event, rules)
        clock = _through(clock, stay, end_s, air_lookup, rules)
    for event in pending:
        clock = happened(clock, event, rules)
    return clock


def _through(
    clock: ExposureClock, stay: Stay, end_s: float, air_lookup: AirLookup, rules: ClockRules
) -> ExposureClock:
    checks = stay.readings
    back_s = rules.speaks_in_s(stay.zone)
    # A person's reading speaks only where no sensor has spoken since, so that is looked for as far back.
    start_s = clock.time_s - (max(back_s, rules.check_speaks_s) if checks else back_s)
    samples = NO_AIR if stay.zone is None else air_lookup(stay.zone, start_s, end_s)
    stretch = AirStretch(stay.place, stay.zone, end_s, samples, checks, stay.desiccant_s)
    return advance_clock(clock, stretch, rules)


def _moved(clock: ExposureClock, stretch: AirStretch) -> ExposureClock:
    return replace(
        clock,
        place=stretch.place,
        zone=stretch.zone,
        air=None if stretch.zone != clock.zone else clock.air,
        heat=clock.heat.moved(clock.time_s),
        at_reading=None,
    )


def _in_bag(clock: ExposureClock, stretch: AirStretch) -> ExposureClock:
    """A bag ages from when it was first shut, wherever it is carried and however often it is opened.

    Only fresh desiccant that somebody entered begins that anew.
    """
    if stretch.place not in SHUT_PLACES:
        return clock
    known = [time_s for time_s in (clock.bagged_s, stretch.desiccant_s) if time_s is not None]
    return replace(clock, bagged_s=max(known, default=clock.time_s))


def _after_run(clock: ExposureClock, run: Run) -> ExposureClock:
    """The clock after one run."""
    clock = replace(clock, counting=run.runs)
    if run.runs:
        unproven = 0.0 if clock.place in OPEN_PLACES else run.duration_s
        return replace(
            clock,
            open_s=_ms(clock.open_s + run.duration_s),
            weighted_s=clock.weighted_s + run.weighted_s,
            unknown_s=_ms(clock.unknown_s + run.unknown_s),
            unproven_s=_ms(clock.unproven_s + unproven),
            beyond_s=_ms(clock.beyond_s + run.beyond_s),
            whole_open_s=_ms(clock.whole_open_s + run.duration_s),
        )
    if clock.place in SHUT_PLACES:
        return replace(clock, bag_s=_ms(clock.bag_s + run.duration_s))
    if clock.place is Place.DRY_CABINET:
        return replace(clock, cabinet_s=_ms(clock.cabinet_s + run.duration_s))
    return clock


def _after_hold(clock: ExposureClock, rules: ClockRules) -> ExposureClock:
    """A proved hold in the oven, begun before the hours were used up, starts the count anew."""
    if not rules.hold_restarts_clock or clock.open_s == 0.0 or not _may_return(clock, rules):
        return clock
    return replace(_from_zero(clock), restarts=clock.restarts + 1)


def _after_bake(clock: ExposureClock, rules: ClockRules) -> ExposureClock:
    """A proved bake of a package that may be redried starts the count anew, and dries."""
    if not rules.redry_allowed or clock.wet or clock.withdrawn:
        return clock
    dry = tuple(uniform_state(0.0).tolist()) if clock.uptake_kgkg else ()
    return replace(_from_zero(clock), uptake_kgkg=dry)


def _may_return(clock: ExposureClock, rules: ClockRules) -> bool:
    """Whether the hours are not used up, by column A, the governing limit and the weighted clock alike."""
    plain, governing = rules.consumable.limit_h, rules.limit_h
    code_h = rules.code_hours(air_shown=air_shown(clock))
    if plain is None or governing is None or code_h is None:
        return False
    open_h = min(plain.value, governing, code_h)
    return clock.open_s < open_h * HOUR_S and clock.weighted_s < governing * HOUR_S


def air_shown(clock: ExposureClock) -> bool:
    """Whether all the air it was open in was measured and no wetter than the air its hours were proved in."""
    return clock.beyond_s == 0.0 and clock.unknown_s == 0.0


def _from_zero(clock: ExposureClock) -> ExposureClock:
    begun = _with_sums(clock, Sums(whole_open_s=clock.whole_open_s))
    again = None if clock.at_reading is None else _sums(begun)
    return replace(begun, at_reading=again, bag_s=0.0, cabinet_s=0.0, heated_s=0.0, by_hand_s=0.0)


def _ms(value_s: float) -> float:
    """Sums of whole milliseconds, kept whole: live steps and one long batch then agree exactly."""
    return round(value_s, 3)


def _water(clock: ExposureClock, spans: Segments, marks: Marks, rules: ClockRules) -> tuple[float, ...]:
    if rules.sorption is None or not clock.uptake_kgkg:
        return clock.uptake_kgkg
    temperature, humidity = water_air(spans, marks, clock.place)
    duration = np.where(marks.shut, 0.0, spans.duration_s)
    state = advance_state(np.array(clock.uptake_kgkg), duration, temperature, humidity, rules.sorption)
    return tuple(state.tolist())
