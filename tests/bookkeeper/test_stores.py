"""Ovens, cabinets and what a person reads on them: state, words, and what it means for what lies there."""

from dataclasses import replace

import pytest

from monitor.consumables.classes import Place
from monitor.core.heated_stores import store_now
from monitor.core.mixing import hear
from monitor.core.package_clocks import zone_samples
from monitor.core.zone_air import NOTHING_HEARD, ZoneAir
from monitor.history.entries import DesiccantRenewed, Moved, Opened, StoreChecked
from monitor.model.errors import InputError
from monitor.model.level import Level
from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.bookkeeper.test_clocks import RODS, anew, clock_of, same
from tests.bookkeeper.yard import HOUR, START_S, Yard

SPOOL = Opened("Spool 9", "fcaw-folded-h8", "slip-bay")
DAY = 24 * HOUR


def zone(yard: Yard, name: str) -> tuple[Level, str, str]:
    now = next(one for one in yard.loop.snapshot().zones if one.id == name)
    return now.level, now.reason, now.action


def test_an_oven_with_a_sensor_says_whether_it_is_hot_enough(yard: Yard) -> None:
    """Holding oven at least 250 °F (120 °C): AWS D1.1/D1.1M:2015, 5.3.2.1."""
    yard.air["rod-oven"] = lambda t: (130.0 if t < START_S + HOUR else 112.0, None)
    yard.run_to(START_S + 0.5 * HOUR)
    assert zone(yard, "rod-oven") == (Level.SAFE, "hot enough", "")
    yard.run_to(START_S + 1.5 * HOUR)
    level, reason, action = zone(yard, "rod-oven")
    assert (level, reason) == (Level.DANGER, "below its minimum")
    assert "counts as open" in action


def test_a_persons_reading_speaks_for_an_oven_without_a_sensor_for_half_a_day(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    assert zone(yard, "quay-oven")[0] is Level.UNKNOWN
    yard.enter("quay-oven", StoreChecked(125.0))
    assert zone(yard, "quay-oven")[:2] == (Level.SAFE, "hot enough, read by hand 0 min ago")
    yard.run_to(START_S + 4 * HOUR)
    assert zone(yard, "quay-oven")[1] == "hot enough, read by hand 4 h ago"
    yard.loop.resume(START_S + 13 * HOUR)
    assert zone(yard, "quay-oven")[0] is Level.UNKNOWN
    assert "Read the oven's own thermometer" in zone(yard, "quay-oven")[2]


def test_a_sensor_has_the_word_where_there_is_one(yard: Yard) -> None:
    yard.air["rod-oven"] = lambda _: (100.0, None)
    yard.run_to(START_S + 600)
    yard.enter("rod-oven", StoreChecked(140.0))
    assert zone(yard, "rod-oven")[0] is Level.DANGER


def test_a_cold_reading_is_a_danger_and_counts_against_the_rods(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("quay-oven", StoreChecked(95.0))
    assert zone(yard, "quay-oven")[0] is Level.DANGER
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "quay-oven"))
    yard.run_to(START_S + 600 + 2 * HOUR)
    assert clock_of(yard, "rods-3").unproven_s == pytest.approx(2 * HOUR, abs=121)


def test_rods_in_an_oven_read_hot_by_hand_stand_still_between_readings_and_not_after_the_last(
    yard: Yard,
) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("quay-oven", StoreChecked(125.0))
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "quay-oven"))
    yard.run_to(START_S + 600 + 3 * HOUR)
    assert clock_of(yard, "rods-3").open_s == pytest.approx(3 * HOUR, abs=121)  # one number: nobody knows
    yard.enter("quay-oven", StoreChecked(125.0))
    assert clock_of(yard, "rods-3").open_s == pytest.approx(0.0, abs=121)
    yard.run_to(START_S + 600 + 4 * HOUR)
    live = clock_of(yard, "rods-3")
    assert live.open_s == pytest.approx(HOUR, abs=121)
    same(live, anew(yard, "rods-3"))


def test_a_reading_entered_late_derives_what_lay_there_anew(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "quay-oven"))
    yard.run_to(START_S + 600 + 3 * HOUR)
    assert clock_of(yard, "rods-3").open_s > 2.9 * HOUR
    yard.enter("quay-oven", StoreChecked(125.0), START_S + 600)
    slip = yard.enter("quay-oven", StoreChecked(125.0))
    assert clock_of(yard, "rods-3").open_s == pytest.approx(0.0, abs=121)
    yard.correct(slip, void=True)
    assert clock_of(yard, "rods-3").open_s > 2.9 * HOUR
    same(clock_of(yard, "rods-3"), anew(yard, "rods-3"))


def test_a_cabinet_is_judged_by_its_sensor_or_by_hand_and_a_spool_in_it_by_the_same(
    worded_yard: Yard,
) -> None:
    """Cored wire stands still in a cabinet at 40 %RH, on somebody's word (`shared/consumables.toml`)."""
    yard = worded_yard
    yard.run_to(START_S + 600)
    assert zone(yard, "dry-cabinet")[:2] == (Level.SAFE, "dry enough: 15 %RH")
    yard.enter("quay-cabinet", StoreChecked(None, 0.55))
    level, reason, action = zone(yard, "quay-cabinet")
    assert (level, reason) == (Level.CAUTION, "humid: 55 %RH, limit 25 %RH, read by hand 0 min ago")
    assert action.startswith("Shut the door, renew the desiccant")
    yard.enter("spool-9", SPOOL)
    yard.enter("spool-9", Moved(Place.DRY_CABINET, "quay-cabinet"))
    yard.run_to(START_S + 600 + HOUR)
    assert clock_of(yard, "spool-9").unproven_s == pytest.approx(HOUR, abs=121)
    yard.enter("quay-cabinet", StoreChecked(24.0, 0.20))
    yard.run_to(START_S + 600 + 2 * HOUR)
    live = clock_of(yard, "spool-9")
    assert live.open_s == pytest.approx(HOUR, abs=121)
    same(live, anew(yard, "spool-9"))


def test_desiccant_is_due_after_its_days(yard: Yard) -> None:
    """Packs have a life: renew or regenerate (common practice; 30 days in this shop's settings)."""
    yard.run_to(START_S + 600)
    renewed = yard.enter("dry-cabinet", DesiccantRenewed())
    now = next(one for one in yard.loop.snapshot().zones if one.id == "dry-cabinet")
    assert now.desiccant_due_s == renewed.time_s + 30 * DAY
    assert now.level is Level.SAFE
    yard.loop.resume(START_S + 33 * DAY)
    yard.fed_s = START_S + 33 * DAY
    yard.run_to(yard.fed_s + 600)
    level, reason, action = zone(yard, "dry-cabinet")
    assert (level, reason) == (Level.CAUTION, "desiccant due 3 days ago; dry enough: 15 %RH")
    assert action == "Renew or regenerate the desiccant and enter it."
    yard.enter("dry-cabinet", DesiccantRenewed())
    assert zone(yard, "dry-cabinet")[0] is Level.SAFE
    yard.restart()
    now = next(one for one in yard.loop.snapshot().zones if one.id == "dry-cabinet")
    assert now.desiccant_due_s == pytest.approx(yard.fed_s + 30 * DAY, abs=1)


def test_a_hot_quiver_stops_the_rods_clock_and_starts_nothing_anew(yard: Yard) -> None:
    """At 250 °F (120 °C) or more as for the holding oven, AWS D1.1/D1.1M:2015, 5.3.2.1; a hold of 4 h that
    allows reissue (5.3.2.2) is the oven's alone."""
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.run_to(START_S + 600 + HOUR)
    yard.enter("rods-3", Moved(Place.HEATED_QUIVER, "quiver-1"))
    yard.run_to(START_S + 600 + 6 * HOUR)
    now = clock_of(yard, "rods-3")
    assert now.open_s == pytest.approx(HOUR, abs=121)
    assert now.restarts == 0
    assert "plugged in" in yard.package("rods-3").action
    assert zone(yard, "quiver-1") == (Level.SAFE, "hot enough", "")
    same(now, anew(yard, "rods-3"))


def test_a_quiver_that_is_off_is_a_box_of_the_air_around_it(yard: Yard) -> None:
    yard.air["quiver-1"] = lambda _: (18.0, None)
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-4", replace(RODS, name="Rods 4", zone="slip-bay"))
    yard.enter("rods-3", Moved(Place.HEATED_QUIVER, "quiver-1"))
    yard.run_to(START_S + 600 + 2 * HOUR)
    boxed, out = clock_of(yard, "rods-3"), clock_of(yard, "rods-4")
    assert boxed.open_s == out.open_s
    assert boxed.unknown_s == 0.0
    assert boxed.unproven_s == pytest.approx(2 * HOUR, abs=121)
    assert boxed.weighted_s == pytest.approx(out.weighted_s, rel=0.01)
    assert zone(yard, "quiver-1")[:2] == (Level.DANGER, "below its minimum")
    same(boxed, anew(yard, "rods-3"))


def test_between_cold_and_hot_is_not_shown_to_protect(yard: Yard) -> None:
    yard.air["quiver-1"] = lambda _: (90.0, None)
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HEATED_QUIVER, "quiver-1"))
    yard.run_to(START_S + 600 + 2 * HOUR)
    assert clock_of(yard, "rods-3").open_s == pytest.approx(2 * HOUR, abs=121)


def test_a_cold_quiver_with_nothing_in_it_is_no_danger(yard: Yard) -> None:
    yard.air["quiver-1"] = lambda _: (18.0, None)
    yard.run_to(START_S + 600)
    assert zone(yard, "quiver-1")[:2] == (Level.SAFE, "cold and empty")


def test_a_quiver_is_for_rods(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("spool-9", SPOOL)
    with pytest.raises(InputError, match="covered electrodes"):
        yard.enter("spool-9", Moved(Place.HEATED_QUIVER, "quiver-1"))
    with pytest.raises(InputError, match="is not for a place of heated quiver"):
        yard.enter("spool-9", Moved(Place.HEATED_QUIVER, "rod-oven"))


def test_a_reading_by_hand_does_not_speak_again_after_the_sensor_showed_the_oven_cold(yard: Yard) -> None:
    """150 °C by hand at ten past, then the sensor falls to 35 °C and is silent: cold until something says
    otherwise, to the page, the alarm and the clock of the rods (D1.1:2015, 5.3.2: at least 120 °C)."""
    cold_s, silent_s = START_S + HOUR, START_S + 1.5 * HOUR
    yard.air["rod-oven"] = lambda t: None if t >= silent_s else (150.0 if t < cold_s else 35.0, None)
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    yard.enter("rod-oven", StoreChecked(150.0))
    yard.run_to(silent_s - 60)
    assert zone(yard, "rod-oven")[:2] == (Level.DANGER, "below its minimum")
    for hours in (0.5, 1.0, 4.0, 5.0):
        yard.run_to(silent_s + hours * HOUR)
        level, reason, _ = zone(yard, "rod-oven")
        assert level is Level.DANGER
        assert reason.startswith("below its minimum when last read, ")
        standing = {alarm.condition for alarm in yard.loop.snapshot().alarms}
        assert any("rod-oven" in name and "below_minimum" in name for name in standing)
    live = clock_of(yard, "rods-3")
    assert live.restarts == 0
    assert live.open_s > 5 * HOUR
    same(live, anew(yard, "rods-3"))
    yard.enter("rod-oven", StoreChecked(150.0))  # newer evidence: somebody looked
    assert zone(yard, "rod-oven")[0] is Level.SAFE


def test_an_oven_found_cold_by_hand_stays_cold_when_nobody_looks_again(yard: Yard) -> None:
    yard.run_to(START_S + 600)
    yard.enter("quay-oven", StoreChecked(95.0))
    yard.loop.resume(START_S + 14 * HOUR)
    assert zone(yard, "quay-oven")[:2] == (Level.DANGER, "below its minimum when last read, 14 h ago")


def test_a_cabinets_humidity_read_by_hand_does_not_speak_again_after_its_sensor_did(yard: Yard) -> None:
    yard.air["dry-cabinet"] = lambda t: None if t >= START_S + HOUR else (24.0, 0.60)
    yard.run_to(START_S + 300)
    yard.enter("dry-cabinet", StoreChecked(24.0, 0.15))
    yard.run_to(START_S + 2 * HOUR)
    assert zone(yard, "dry-cabinet")[0] is Level.UNKNOWN
    yard.enter("dry-cabinet", StoreChecked(24.0, 0.15))
    assert zone(yard, "dry-cabinet")[0] is Level.SAFE


def test_of_two_probes_in_one_oven_the_colder_counts_also_when_it_falls_silent(yard: Yard) -> None:
    shop, state = yard.loop.shop, yard.loop.state
    heard = {
        "lower": NOTHING_HEARD._replace(temperature_time_s=START_S - 3000.0, temperature_c=85.0),
        "upper": NOTHING_HEARD._replace(temperature_time_s=START_S, temperature_c=160.0),
    }
    state = replace(state, heard={**state.heard, "rod-oven": ZoneAir(heard)})
    now = store_now(shop, state, shop.zones["rod-oven"], START_S + 10.0)
    assert now.temperature_c == 85.0
    assert zone_samples(shop, state, START_S + 10.0)["rod-oven"][:2] == (START_S, 85.0)


def test_the_hotter_of_two_probes_tells_of_too_much_heat_also_when_counted_anew(yard: Yard) -> None:
    """E7018 above 430 °C (800 °F: D1.1/D1.1M:2015, 5.3.2.4) is spoilt, though one corner is at 130 °C."""
    yard.run_to(START_S + 600)
    yard.enter("rods-3", RODS)
    yard.enter("rods-3", Moved(Place.HOLDING_OVEN, "rod-oven"))
    key = SeriesKey("rod-oven", "upper", Quantity.AIR_TEMPERATURE)
    heard = yard.loop.state.heard["rod-oven"].heard
    upper = hear(
        ZoneAir(heard), [Reading(key, START_S + 700, START_S + 700, 480.0)], 300.0, yard.loop.shop.judged_to_c
    )
    yard.loop._state = replace(yard.loop.state, heard={**yard.loop.state.heard, "rod-oven": upper})
    yard.run_to(START_S + HOUR)
    live = clock_of(yard, "rods-3")
    assert live.overheated
    same(live, anew(yard, "rods-3"))
    shown = next(one for one in yard.loop.snapshot().packages if one.id == "rods-3")
    assert shown.level is Level.DANGER
