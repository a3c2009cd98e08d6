"""Only what was measured or entered stops, slows or resets a clock; what is not known counts against it."""

from collections.abc import Callable, Sequence
from dataclasses import fields, replace

import numpy as np
import pytest

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import NO_AIR, AirSamples, HeldAir
from monitor.consumables.exposure_clock import ExposureClock, clock_over
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.standing import Standing
from monitor.consumables.stays import Stay
from monitor.consumables.verdict import PackageVerdict, package_verdict
from monitor.model.shop_rule import ProvedHours, ShopRule

H = 3600.0
Rules = Callable[..., ClockRules]
Air = Callable[..., AirSamples]
Part = tuple[Place, str, float]
TESTED = ShopRule(
    tested=ProvedHours(limit_h=9.0, temperature_c=27.0, rh_frac=0.80, document="test report 31")
)


def through(
    rules: ClockRules, parts: Sequence[Part], air: AirSamples = NO_AIR, fresh: frozenset[int] = frozenset()
) -> tuple[ExposureClock, PackageVerdict]:
    """A package through places one after the other (hours each); `fresh`: moves with new desiccant."""
    stays, start_s = [], 0.0
    for n, (place, zone, hours) in enumerate(parts):
        end_s = start_s + hours * H
        stays.append(Stay(place, zone, start_s, end_s, desiccant_s=start_s if n in fresh else None))
        start_s = end_s

    def lookup(_zone: str, from_s: float, to_s: float) -> AirSamples:
        use = (air.times_s >= from_s) & (air.times_s <= to_s)
        return AirSamples(air.times_s[use], air.temperature_c[use], air.rh_frac[use], air.believed[use])

    clock = clock_over(stays, lookup, rules, start_s)
    return clock, package_verdict(clock, rules)


@pytest.mark.parametrize(("name", "shop"), [("e7018-r", None), ("e7018m", None), ("e7018", TESTED)])
def test_hours_proved_in_a_tests_air_are_kept_only_where_the_air_was_measured(
    rules_for: Rules, steady_air: Air, name: str, shop: ShopRule | None
) -> None:
    # D1.1:2015 5.3.2.3: not where the air exceeds the test's; nobody knows that it did not
    rules = rules_for(name, shop)
    lain = [(Place.OPEN_AIR, "bay", 6.0)]
    _, unknown = through(rules, lain)
    assert (unknown.standing, unknown.clocks[0].limit_h) == (Standing.OVER, 4.0)
    assert any("hold only where the air was measured: 4 h are taken" in note for note in unknown.notes)
    _, dry = through(rules, lain, steady_air(20.0, 0.5, -600.0, 6 * H))
    assert dry.clocks[0].limit_h == 9.0
    assert dry.standing is not Standing.OVER
    _, gap = through(rules, lain, steady_air(20.0, 0.5, -600.0, 5 * H))
    assert gap.clocks[0].limit_h == 4.0


def test_a_bag_carried_from_zone_to_zone_gets_no_new_desiccant(rules_for: Rules) -> None:
    # common practice: a pack has a life of about a month (720 h)
    rules = rules_for("fcaw-folded-h8")
    monthly = [(Place.BAGGED, f"zone-{n % 2}", 700.0) for n in range(12)]
    clock, verdict = through(rules, monthly)
    assert clock.open_s == (8400.0 - 720.0) * H
    assert verdict.standing is Standing.OVER
    renewed, verdict = through(rules, monthly, fresh=frozenset(range(12)))
    assert renewed.open_s == 0.0
    assert any("taken as sealed storage for 720 h from its first shutting" in note for note in verdict.notes)


def test_a_minute_out_of_its_bag_makes_no_spool_better(rules_for: Rules) -> None:
    rules = rules_for("fcaw-folded-h8")
    minute = 1.0 / 60.0
    shut, _ = through(rules, [(Place.BAGGED, "bay", 800.0)])
    opened, verdict = through(
        rules,
        [
            (Place.BAGGED, "bay", 400.0),
            (Place.OPEN_AIR, "bay", minute),
            (Place.BAGGED, "bay", 400.0 - minute),
        ],
    )
    assert opened.open_s >= shut.open_s == 80 * H
    assert verdict.standing is Standing.OVER


def test_desiccant_that_is_renewed_gives_back_no_hour_that_was_used(rules_for: Rules) -> None:
    rules = rules_for("fcaw-folded-h8")
    parts = [(Place.BAGGED, "bay", 800.0), (Place.BAGGED, "bay", 100.0)]
    clock, verdict = through(rules, parts, fresh=frozenset({1}))
    assert clock.open_s == 80 * H
    assert verdict.standing is Standing.OVER


@pytest.mark.parametrize("place", [Place.SEALED, Place.BAGGED])
@pytest.mark.parametrize(
    ("name", "hours"), [("e7018", 5.0), ("saw-flux-fused", 9.0), ("fcaw-folded-h8", 800.0)]
)
def test_an_opened_package_that_is_shut_again_does_not_stop_for_ever(
    rules_for: Rules, name: str, hours: float, place: Place
) -> None:
    _, verdict = through(rules_for(name), [(Place.OPEN_AIR, "bay", 0.5), (place, "bay", hours)])
    assert verdict.standing is Standing.OVER


def test_an_unheated_cabinet_stops_the_supplements_hours_only_on_a_written_word(
    rules_for: Rules, steady_air: Air
) -> None:
    # AWS D1.8 6.4 (from memory): stops while the spool is back in sealed or heated storage
    air = steady_air(20.0, 0.10, -600.0, 100 * H)
    parts = [(Place.DRY_CABINET, "cabinet", 100.0)]
    _, plain = through(rules_for("fcaw-folded-h8"), parts, air)
    assert (plain.standing, plain.used_h) == (Standing.OVER, 100.0)
    assert "dry cabinet" not in plain.action
    rules = rules_for("fcaw-folded-h8", ShopRule(cabinet_permission="the engineer, letter of 3 May"))
    _, allowed = through(rules, parts, air)
    assert (allowed.standing, allowed.used_h) == (Standing.USABLE, 0.0)
    assert any("on the word of: the engineer, letter of 3 May" in note for note in allowed.notes)


def test_hours_add_up_over_ten_goes_with_a_hold_between_each(rules_for: Rules, steady_air: Air) -> None:
    # D1.1:2015 5.3.2.2 permits reissue after 4 h at 120 °C; that the count begins anew is the trade's reading
    times = np.arange(0.0, 81 * H, 60.0)
    hot = (times / H) % 8.0 >= 3.9
    warm = np.where(hot, 130.0, 20.0)
    air = AirSamples(times, warm, np.where(hot, np.nan, 0.5), np.ones(times.shape, dtype=np.bool_))
    goes: list[Part] = [(Place.OPEN_AIR, "bay", 3.9), (Place.HOLDING_OVEN, "oven", 4.1)] * 10
    clock, verdict = through(rules_for("e7018"), goes, air)
    assert clock.open_s >= 39 * H - 1.0
    assert verdict.standing is Standing.OVER
    trade, told = through(rules_for("e7018", ShopRule(hold_restarts_clock=True, document="WPS 7")), goes, air)
    assert trade.restarts > 0
    assert any("read so by WPS 7" in note for note in told.notes)


def test_after_air_wetter_than_the_reference_unknown_air_counts_as_that_wherever_it_is(
    rules_for: Rules, steady_air: Air
) -> None:
    rules = rules_for("e7018")
    air = steady_air(32.0, 0.90, -600.0, H)
    clock, _ = through(rules, [(Place.OPEN_AIR, "bay", 1.0), (Place.OPEN_AIR, "yard", 2.0)], air)
    assert clock.weighted_s > 1.4 * clock.open_s


@pytest.mark.parametrize("name", ["e7018-r", "fcaw-folded-h8", "saw-flux-fused"])
@pytest.mark.parametrize("field", [field.name for field in fields(HeldAir)])
def test_a_number_that_is_not_there_makes_no_verdict_milder(
    rules_for: Rules, steady_air: Air, name: str, field: str
) -> None:
    rules = rules_for(name)
    for hours in (1.0, 3.0, 5.0, 10.0, 60.0, 80.0):
        parts = [(Place.OPEN_AIR, "bay", hours)]
        clock, known = through(rules, parts, steady_air(20.0, 0.5, -600.0, hours * H))
        assert clock.air is not None
        worse = package_verdict(replace(clock, air=replace(clock.air, **{field: np.nan})), rules)
        order = list(Standing)
        assert order.index(worse.standing) >= order.index(known.standing)
        assert worse.left_h is not None
        assert known.left_h is not None
        assert worse.left_h <= known.left_h


@pytest.mark.parametrize("column", ["times_s", "temperature_c", "rh_frac"])
def test_readings_that_are_no_numbers_count_as_none(rules_for: Rules, steady_air: Air, column: str) -> None:
    rules = rules_for("e7018-r")
    air = steady_air(20.0, 0.5, 0.0, 5 * H)
    void = replace(air, **{column: np.full(air.times_s.shape, np.nan)})
    for place in (Place.OPEN_AIR, Place.DRY_CABINET, Place.HOLDING_OVEN):
        clock, verdict = through(rules, [(place, "bay", 5.0)], void)
        assert clock.open_s == clock.unknown_s == 5 * H
        assert verdict.standing is Standing.OVER
