"""Laws of the exposure clocks that hold for every history and every air."""

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.consumables.classes import HOT_PLACES, Place
from monitor.consumables.exposure_air import AirSamples, AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock, clock_over, start_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.standing import Standing
from monitor.consumables.stays import Stay
from monitor.consumables.verdict import package_verdict
from monitor.model.shop_rule import ShopRule

Rules = Callable[..., ClockRules]
ORDER = list(Standing)
AS_THE_TRADE = ShopRule(hold_restarts_clock=True, document="WPS 7")
NAMES = st.sampled_from(["e7018", "e7018-r", "e8018-x", "fcaw-folded-h8", "saw-flux-agglomerated", "e6013"])
PLACES = st.sampled_from(list(Place))
COUNTING = ("open_s", "weighted_s", "unknown_s", "unproven_s", "beyond_s", "whole_open_s")


@st.composite
def shop_air(draw: st.DrawFn, length_s: float) -> AirSamples:
    """Readings at odd times, with gaps, doubtful ones and oven heat among them."""
    count = draw(st.integers(0, 40))
    times = draw(st.lists(st.integers(0, int(length_s * 1000)), min_size=count, max_size=count))
    heat = st.one_of(st.floats(-15.0, 45.0), st.floats(80.0, 420.0))
    humid = st.one_of(st.floats(0.0, 1.1), st.just(float("nan")))
    return AirSamples(
        np.sort(np.array(times, dtype=np.float64)) / 1000.0,
        np.array(draw(st.lists(heat, min_size=count, max_size=count)), dtype=np.float64),
        np.array(draw(st.lists(humid, min_size=count, max_size=count)), dtype=np.float64),
        np.array(draw(st.lists(st.booleans(), min_size=count, max_size=count)), dtype=np.bool_),
    )


@st.composite
def histories(draw: st.DrawFn) -> tuple[tuple[Stay, ...], float, AirSamples]:
    marks = sorted(set(draw(st.lists(st.integers(1, 200_000), min_size=1, max_size=6))) | {0})
    stays = tuple(
        Stay(
            draw(PLACES),
            draw(st.sampled_from(["bay", "store", None])),
            float(start),
            float(end),
            draw(st.sampled_from([None, None, 130.0, 300.0])),
            draw(st.sampled_from([None, None, 0.3])),
            draw(st.sampled_from([None, None, float(start)])),
        )
        for start, end in pairwise(marks)
    )
    return stays, float(marks[-1]), draw(shop_air(float(marks[-1])))


def lookup(air: AirSamples) -> Callable[[str, float, float], AirSamples]:
    def between(_zone: str, start_s: float, end_s: float) -> AirSamples:
        use = (air.times_s >= start_s) & (air.times_s <= end_s)
        return AirSamples(air.times_s[use], air.temperature_c[use], air.rh_frac[use], air.believed[use])

    return between


def live(
    stays: tuple[Stay, ...], cuts: list[float], air: AirSamples, rules: ClockRules
) -> list[ExposureClock]:
    """The clock as a service would carry it: a step at every cut and at every move."""
    clocks = [start_clock(stays[0].start_s, rules, stays[0].place, stays[0].zone)]
    for stay in stays:
        assert stay.end_s is not None
        steps = [cut for cut in sorted(cuts) if stay.start_s < cut < stay.end_s] + [stay.end_s]
        for until_s in steps:
            clock = clocks[-1]
            back_s = rules.check_speaks_s if stay.readings else rules.reading_speaks_s
            samples = lookup(air)("", clock.time_s - back_s, until_s)
            if stay.zone is None:
                samples = lookup(air)("", 1.0, 0.0)
            stretch = AirStretch(stay.place, stay.zone, until_s, samples, stay.readings, stay.desiccant_s)
            clocks.append(advance_clock(clock, stretch, rules))
    return clocks


@settings(deadline=None, max_examples=150)
@given(NAMES, histories(), st.lists(st.integers(1, 200_000), max_size=25), st.booleans())
def test_live_steps_and_one_long_batch_agree(
    rules_for: Rules,
    name: str,
    history: tuple[tuple[Stay, ...], float, AirSamples],
    cuts: list[int],
    restarts: bool,
) -> None:
    rules = rules_for(name, AS_THE_TRADE if restarts and name.startswith("e7018") else ShopRule())
    stays, until_s, air = history
    batch = clock_over(stays, lookup(air), rules, until_s)
    stepped = live(stays, [float(cut) for cut in cuts], air, rules)[-1]
    for field in COUNTING:
        assert getattr(stepped, field) == pytest.approx(getattr(batch, field), rel=1e-12, abs=1e-6), field
    for field in ("open_s", "unknown_s", "unproven_s", "beyond_s", "whole_open_s"):
        assert getattr(stepped, field) == getattr(batch, field), field
    for field in ("bag_s", "cabinet_s", "bagged_s", "wettest_pa"):
        assert getattr(stepped, field) == getattr(batch, field), field
    for field in ("restarts", "rebakes", "rebakes_without_ramp", "overheated", "counting", "heat"):
        assert getattr(stepped, field) == getattr(batch, field), field
    assert stepped.uptake_kgkg == pytest.approx(batch.uptake_kgkg, rel=1e-9, abs=1e-15)
    assert package_verdict(stepped, rules).standing is package_verdict(batch, rules).standing


@settings(deadline=None, max_examples=100)
@given(NAMES, histories(), st.lists(st.integers(1, 200_000), max_size=25))
def test_exposure_never_decreases_but_by_a_bake_or_a_hold(
    rules_for: Rules, name: str, history: tuple[tuple[Stay, ...], float, AirSamples], cuts: list[int]
) -> None:
    rules = rules_for(name)
    stays, _, air = history
    for before, after in pairwise(live(stays, [float(cut) for cut in cuts], air, rules)):
        if after.place not in HOT_PLACES:  # there the next reading may take back what counted until it
            assert after.whole_open_s >= before.whole_open_s
        assert after.open_s <= after.whole_open_s
        if after.restarts == before.restarts and not (after.heat.baking and after.heat.bake_s > 0.0):
            for field in COUNTING:
                assert getattr(after, field) >= getattr(before, field), field
            worse = ORDER.index(package_verdict(after, rules).standing)
            assert after.place in {Place.HOLDING_OVEN, Place.REDRY} or worse >= 0


@settings(deadline=None, max_examples=100)
@given(st.floats(0.0, 100_000.0), st.floats(-20.0, 45.0), st.floats(0.0, 1.0))
def test_no_air_lets_a_package_stay_usable_longer_than_its_code(
    rules_for: Rules, open_s: float, temperature_c: float, rh_frac: float
) -> None:
    rules = rules_for("e7018")
    times = np.arange(0.0, open_s + 1.0, 600.0)
    shape = times.shape
    air = AirSamples(
        times, np.full(shape, temperature_c), np.full(shape, rh_frac), np.ones(shape, dtype=bool)
    )
    stretch = AirStretch(Place.OPEN_AIR, "bay", open_s, air)
    clock = advance_clock(start_clock(0.0, rules), stretch, rules)
    found = package_verdict(clock, rules)
    if round(open_s, 3) > 4.0 * 3600.0:
        assert ORDER.index(found.standing) >= ORDER.index(Standing.OVER)
    assert found.left_h is not None
    assert found.left_h <= max(4.0 - round(open_s, 3) / 3600.0, 0.0) + 1e-9


@settings(deadline=None, max_examples=60)
@given(st.floats(1.0, 40_000.0), st.floats(0.0, 40.0), st.floats(0.2, 0.9), st.floats(0.0, 0.1))
def test_wetter_air_never_improves_a_verdict(
    rules_for: Rules, open_s: float, temperature_c: float, rh_frac: float, more: float
) -> None:
    rules = rules_for("e7018-r")
    found = []
    for humidity in (rh_frac, rh_frac + more):
        times = np.arange(0.0, open_s, 600.0)
        shape = times.shape
        air = AirSamples(
            times, np.full(shape, temperature_c), np.full(shape, humidity), np.ones(shape, dtype=bool)
        )
        clock = advance_clock(start_clock(0.0, rules), AirStretch(Place.OPEN_AIR, "bay", open_s, air), rules)
        found.append(package_verdict(clock, rules))
    drier, wetter = found
    assert ORDER.index(wetter.standing) >= ORDER.index(drier.standing)
    assert wetter.uptake is not None
    assert drier.uptake is not None
    assert wetter.uptake.uptake_kgkg >= drier.uptake.uptake_kgkg - 1e-15
