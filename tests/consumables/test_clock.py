"""What counts on the exposure clocks, checked against the code's rules place by place."""

from collections.abc import Callable

import numpy as np
import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import NO_AIR, AirSamples, AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock, clock_over, happened, start_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.stays import DatedHappening, Happening, Stay, StoreReading
from monitor.model.errors import InputError
from monitor.model.shop_rule import ShopRule

H = 3600.0
AS_THE_TRADE = ShopRule(hold_restarts_clock=True, document="WPS 7")
Rules = Callable[..., ClockRules]
Air = Callable[..., AirSamples]


def lay(
    clock: ExposureClock,
    rules: ClockRules,
    place: Place,
    hours: float,
    samples: AirSamples = NO_AIR,
    hand: tuple[StoreReading, ...] = (),
) -> ExposureClock:
    return advance_clock(clock, AirStretch(place, "zone", clock.time_s + hours * H, samples, hand), rules)


def test_open_air_counts_hour_for_hour_and_reference_air_weighs_one(
    rules_for: Rules, steady_air: Air
) -> None:
    # reference of the absorbed-moisture test, 27 degC / 80 % RH (AWS A5.1, A5.5)
    rules = rules_for("e7018")
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 3.0, steady_air(27.0, 0.80, 0.0, 3 * H))
    assert clock.open_s == 3 * H
    assert clock.weighted_s == pytest.approx(3 * H, rel=1e-12)
    assert clock.unknown_s == 0.0


@pytest.mark.parametrize(
    ("temperature_c", "rh_frac", "pressure_pa"),
    # vapour pressures tabulated in the psychrometric check values (Hyland-Wexler), 0.1 %
    [
        (15.0, 0.60, 1023.0),
        (20.0, 0.50, 1169.0),
        (25.0, 0.80, 2535.0),
        (30.0, 0.70, 2972.0),
        (30.0, 0.90, 3821.0),
    ],
)
def test_weighted_hours_go_with_vapour_pressure(
    rules_for: Rules, steady_air: Air, temperature_c: float, rh_frac: float, pressure_pa: float
) -> None:
    rules = rules_for("e7018")
    air = steady_air(temperature_c, rh_frac, 0.0, 2 * H)
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 2.0, air)
    reference_pa = 2854.0  # 3567 Pa (steam tables, 27 degC) times 0.80
    assert clock.weighted_s == pytest.approx(2 * H * pressure_pa / reference_pa, rel=2e-3)


def test_a_sensor_gap_counts_as_the_reference_air_and_is_told(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("e7018")
    air = steady_air(15.0, 0.40, 0.0, 1 * H)  # dry air, then silence; the last reading speaks 15 min more
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 3.0, air)
    known_s = 59 * 60.0 + rules.reading_speaks_s
    assert clock.open_s == 3 * H
    assert clock.unknown_s == 3 * H - known_s
    dry = clock.weighted_s - clock.unknown_s
    assert 0.0 < dry < 0.3 * known_s


def test_a_gap_after_air_wetter_than_the_reference_keeps_counting_as_that(
    rules_for: Rules, steady_air: Air
) -> None:
    rules = rules_for("e7018")
    air = steady_air(32.0, 0.90, 0.0, 1 * H)
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 3.0, air)
    assert clock.unknown_s > 0.0
    assert clock.weighted_s > 1.4 * clock.open_s


def test_readings_not_believed_are_no_readings(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("e7018")
    air = steady_air(10.0, 0.10, 0.0, 2 * H, believed=False)
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 2.0, air)
    assert clock.unknown_s == clock.open_s == clock.weighted_s == 2 * H


@pytest.mark.parametrize(
    ("name", "place", "counts"),
    [
        ("e7018", Place.OPEN_AIR, True),
        ("e7018", Place.ON_MACHINE, True),
        ("e7018", Place.UNKNOWN, True),
        ("e7018", Place.BAGGED, True),  # D1.1:2015 5.3.2.1: sealed container or oven, nothing else
        ("e7018", Place.DRY_CABINET, True),
        ("e7018", Place.SEALED, True),  # opened once, it is the maker's seal no more
        ("fcaw-folded-h8", Place.OPEN_AIR, True),
        ("fcaw-folded-h8", Place.ON_MACHINE, True),
        ("fcaw-folded-h8", Place.UNKNOWN, True),
        ("fcaw-folded-h8", Place.BAGGED, False),  # D1.8: stops in sealed or heated storage (from memory)
        ("fcaw-folded-h8", Place.SEALED, False),
        ("saw-flux-agglomerated", Place.BAGGED, True),
    ],
)
def test_each_place_counts_by_its_own_rule(
    rules_for: Rules, steady_air: Air, name: str, place: Place, counts: bool
) -> None:
    rules = rules_for(name)
    clock = lay(start_clock(0.0, rules), rules, place, 2.0, steady_air(22.0, 0.55, 0.0, 2 * H))
    assert clock.open_s == (2 * H if counts else 0.0)
    assert clock.counting is counts


def test_a_dry_cabinet_stops_the_wire_clock_only_while_it_is_dry(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("fcaw-folded-h8", ShopRule(cabinet_permission="the maker's letter of 3 May"))
    dry = lay(start_clock(0.0, rules), rules, Place.DRY_CABINET, 5.0, steady_air(25.0, 0.30, 0.0, 5 * H))
    damp = lay(start_clock(0.0, rules), rules, Place.DRY_CABINET, 5.0, steady_air(25.0, 0.55, 0.0, 5 * H))
    silent = lay(start_clock(0.0, rules), rules, Place.DRY_CABINET, 5.0)
    looked_at = lay(
        start_clock(0.0, rules), rules, Place.DRY_CABINET, 5.0, hand=(StoreReading(0.0, rh_frac=0.25),)
    )
    assert (dry.open_s, looked_at.open_s) == (0.0, 0.0)
    assert damp.open_s == damp.unproven_s == 5 * H
    assert silent.open_s == silent.unproven_s == silent.unknown_s == 5 * H


def test_a_bag_protects_only_while_its_desiccant_is_fresh(rules_for: Rules) -> None:
    # common practice: a pack has a life of about a month; an old one only keeps rain out
    rules = rules_for("fcaw-folded-h8")
    clock = lay(start_clock(0.0, rules), rules, Place.BAGGED, 720.0 + 10.0)
    assert clock.open_s == clock.unproven_s == 10 * H


def test_the_oven_stops_the_clock_at_its_minimum_and_not_below(rules_for: Rules, steady_air: Air) -> None:
    # D1.1:2015 5.3.2.1: at least 120 degC
    rules = rules_for("e7018")
    for temperature, expected in ((120.0, 0.0), (119.0, 2 * H)):
        air = steady_air(temperature, np.nan, 0.0, 2 * H + 1.0)  # to its very end
        clock = lay(start_clock(0.0, rules), rules, Place.HOLDING_OVEN, 2.0, air)
        assert clock.open_s == clock.unproven_s == expected
    assert lay(start_clock(0.0, rules), rules, Place.HOLDING_OVEN, 2.0).open_s == 2 * H
    once = lay(start_clock(0.0, rules), rules, Place.HOLDING_OVEN, 2.0, hand=(StoreReading(0.0, 130.0),))
    both = (StoreReading(0.0, 130.0), StoreReading(2 * H, 130.0))
    twice = lay(start_clock(0.0, rules), rules, Place.HOLDING_OVEN, 2.0, hand=both)
    assert (once.open_s, twice.open_s) == (2 * H, 0.0)  # one number proves nothing of the time after it


@pytest.mark.parametrize(
    ("open_h", "hold_h", "left_over_h"),
    [
        (3.0, 4.0, 0.0),  # D1.1:2015 5.3.2.2: below column A and at least 4 h hot: may be reissued
        (3.0, 3.9, 3.0),  # held too short
        (4.5, 8.0, 4.5),  # over column A: a hold does not bring it back
        (4.0, 8.0, 4.0),  # "less than" column A
    ],
)
def test_a_proven_hold_restarts_the_count_when_the_hours_were_not_used_up(
    rules_for: Rules, steady_air: Air, open_h: float, hold_h: float, left_over_h: float
) -> None:
    rules = rules_for("e7018", AS_THE_TRADE)
    clock = lay(
        start_clock(0.0, rules), rules, Place.OPEN_AIR, open_h, steady_air(20.0, 0.5, 0.0, open_h * H)
    )
    hot = steady_air(125.0, np.nan, clock.time_s, clock.time_s + hold_h * H + 1.0)  # to its very end
    clock = lay(clock, rules, Place.HOLDING_OVEN, hold_h, hot)
    assert clock.open_s == left_over_h * H
    assert clock.whole_open_s == open_h * H
    assert clock.restarts == (1 if left_over_h == 0.0 else 0)


def test_a_shop_may_refuse_the_restart(rules_for: Rules) -> None:
    rules = rules_for("e7018", AS_THE_TRADE.model_copy(update={"hold_restarts_clock": False}))
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 3.0)
    hourly = tuple(StoreReading((3.0 + n) * H, 130.0) for n in range(7))
    held = lay(clock, rules_for("e7018", AS_THE_TRADE), Place.HOLDING_OVEN, 6.0, hand=hourly)
    clock = lay(clock, rules, Place.HOLDING_OVEN, 6.0, hand=hourly)
    assert (held.open_s, clock.open_s) == (0.0, 3 * H)


def test_a_cold_spell_in_the_oven_breaks_the_hold(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("e7018", AS_THE_TRADE)
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 1.0, steady_air(20.0, 0.5, 0.0, H))
    times = np.arange(H, 6 * H, 60.0)
    heat = np.where((times >= 4 * H) & (times < 4.5 * H), 90.0, 130.0)
    nothing = np.full(times.shape, np.nan)
    air = AirSamples(times, heat, nothing, np.ones(times.shape, dtype=np.bool_))
    clock = lay(clock, rules, Place.HOLDING_OVEN, 5.0, air)
    assert clock.restarts == 0
    assert (
        clock.open_s == 1.5 * H + 120.0
    )  # with the minute in which it cooled and the one after the last reading


def bake(start_s: float, ramp_h: float, bake_h: float, bake_c: float) -> AirSamples:
    times = np.arange(start_s, start_s + (ramp_h + bake_h) * H + 61.0, 60.0)  # to its very end
    heat = np.where(times <= start_s + ramp_h * H, 115.0, bake_c)
    return AirSamples(times, heat, np.full(times.shape, np.nan), np.ones(times.shape, dtype=np.bool_))


@pytest.mark.parametrize(
    ("name", "bake_c", "bake_h", "restored"),
    [
        ("e7018", 300.0, 2.0, True),  # A5.1 types: 260-430 degC, 2 h
        ("e7018", 300.0, 1.9, False),
        ("e7018", 250.0, 3.0, False),
        ("e8018-x", 400.0, 1.0, True),  # A5.5 types: 370-430 degC, 1 h (D1.1:2015 5.3.2.4)
        ("e8018-x", 300.0, 3.0, False),
        ("e7018", 450.0, 2.0, False),
    ],
)
def test_a_proper_bake_restores_a_package_once(
    rules_for: Rules, name: str, bake_c: float, bake_h: float, restored: bool
) -> None:
    rules = rules_for(name)
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 12.0)
    clock = lay(clock, rules, Place.REDRY, 0.5 + bake_h + 1 / 60, bake(clock.time_s, 0.5, bake_h, bake_c))
    assert (clock.open_s == 0.0) is restored
    assert clock.overheated is (bake_c > 430.0)
    if restored:
        assert clock.rebakes == 1
        assert clock.rebakes_without_ramp == 0
        assert max(clock.uptake_kgkg) == 0.0


def test_a_second_bake_restores_nothing(rules_for: Rules) -> None:
    # D1.1:2015 5.3.2.1: rebaked only once
    rules = rules_for("e7018")
    clock = start_clock(0.0, rules)
    for _ in range(2):
        clock = lay(clock, rules, Place.OPEN_AIR, 5.0)
        clock = lay(clock, rules, Place.REDRY, 2.6, bake(clock.time_s, 0.6, 2.0, 300.0))
    assert clock.rebakes == 2
    assert clock.open_s > 5 * H


def test_a_bake_without_its_slow_first_step_is_used_up_and_restores_nothing(rules_for: Rules) -> None:
    # D1.1:2015 5.3.2.4: half an hour at no more than half the final temperature
    rules = rules_for("e7018")
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 5.0)
    clock = lay(clock, rules, Place.REDRY, 2.1, bake(clock.time_s, 0.0, 2.0, 300.0))
    assert (clock.rebakes, clock.rebakes_without_ramp) == (1, 1)
    assert clock.open_s >= 5 * H  # not shown is not met


def test_cored_wire_is_redried_only_with_the_makers_word(rules_for: Rules, steady_air: Air) -> None:
    for permission, left in (("", 80 * H), ("maker's letter of 3 May, metal spool", 0.0)):
        rules = rules_for("fcaw-folded-h8", ShopRule(redry_permission=permission))
        clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 80.0)
        hot = steady_air(110.0, np.nan, clock.time_s, clock.time_s + 8 * H + 1.0)
        clock = lay(clock, rules, Place.REDRY, 8.0, hot)
        assert clock.open_s == left + (
            0.0 if permission else 8 * H
        )  # an oven nobody allowed does not protect


def test_readings_from_another_zone_do_not_speak_for_a_moved_package(
    rules_for: Rules, steady_air: Air
) -> None:
    rules = rules_for("e7018")
    clock = start_clock(0.0, rules, zone="store")
    stretch = AirStretch(Place.OPEN_AIR, "store", H, steady_air(15.0, 0.3, 0.0, H))
    clock = advance_clock(clock, stretch, rules)
    clock = advance_clock(clock, AirStretch(Place.OPEN_AIR, "yard", 2 * H), rules)
    assert clock.unknown_s == H


def test_a_stretch_in_the_past_changes_nothing(rules_for: Rules) -> None:
    rules = rules_for("e7018")
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 2.0)
    assert advance_clock(clock, AirStretch(Place.OPEN_AIR, "zone", H), rules) is clock


def test_a_hole_in_the_history_counts_as_an_unknown_place(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("fcaw-folded-h8")
    stays = [Stay(Place.SEALED, None, 0.0, H), Stay(Place.SEALED, None, 3 * H)]
    clock = clock_over(stays, lambda _zone, start, end: steady_air(20.0, 0.5, start, end), rules, 5 * H)
    assert clock.open_s == clock.unknown_s == 2 * H


@pytest.mark.parametrize(
    ("stays", "events", "told"),
    [
        ([], [], "say when the package was opened"),
        ([Stay(Place.OPEN_AIR, "z", 5 * H, 4 * H)], [], "is before its start"),
        ([Stay(Place.OPEN_AIR, "z", 30 * H)], [], "lies in the future"),
        ([Stay(Place.OPEN_AIR, "z", 0.0), Stay(Place.SEALED, "z", H)], [], "end this one first"),
        ([Stay(Place.OPEN_AIR, "z", 0.0, 2 * H), Stay(Place.SEALED, "z", H)], [], "one place at a time"),
        ([Stay(Place.OPEN_AIR, "z", H)], [DatedHappening(Happening.GOT_WET, 0.5 * H)], "must lie between"),
        ([Stay(Place.OPEN_AIR, "z", H)], [DatedHappening(Happening.RAN_OFF, 2 * H, -1.0)], "zero or more"),
        ([Stay(Place.DRY_CABINET, "z", H, None, None, 55.0)], [], "write a fraction"),
    ],
)
def test_a_history_that_cannot_be_true_is_refused(
    rules_for: Rules, stays: list[Stay], events: list[DatedHappening], told: str
) -> None:
    with pytest.raises(InputError, match=told):
        clock_over(stays, lambda *_: NO_AIR, rules_for("e7018"), 20 * H, events)


def test_running_off_the_outer_wraps_leaves_drier_wire(rules_for: Rules, steady_air: Air) -> None:
    rules = rules_for("fcaw-folded-h8")
    clock = lay(start_clock(0.0, rules), rules, Place.OPEN_AIR, 500.0, steady_air(25.0, 0.8, 0.0, 500 * H))
    after = happened(clock, DatedHappening(Happening.RAN_OFF, clock.time_s, 2.5e-3), rules)
    assert sum(after.uptake_kgkg) < 0.5 * sum(clock.uptake_kgkg)
    assert after.open_s == clock.open_s
