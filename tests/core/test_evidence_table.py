"""The table of evidence: each kind of input, each way in which it can fail, and the level that must be shown.

Every cell runs the real core on temporary stores, is held by another test that is named, or says why there is
no such case. A cell passes where what it names is shown at one of the levels given, and safe is in none.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.consumables.classes import Place
from monitor.history.entries import Moved, Opened, PlateBroughtIn, StoreChecked
from monitor.model.errors import InputError
from monitor.model.event import EventKind, NewEvent
from monitor.model.level import Level
from tests.engine.evidence_yard import EvidenceYard, steady
from tests.engine.yard import START_S

INPUTS = ("reading", "hand reading", "entry", "setting", "forecast", "calendar", "clock")
FAILURES = (
    "absent",
    "old",
    "partial",
    "contradicting",
    "impossible",
    "frozen",
    "swapped",
    "in another unit",
    "removed",
)
DRY = steady(12.0, 0.40)
DAMP = steady(12.0, 0.80)
ROOT = Path(__file__).parents[1]
NOT_SAFE = frozenset({Level.UNKNOWN, Level.CAUTION, Level.DANGER})
UNKNOWN = frozenset({Level.UNKNOWN})
RODS = Opened("Rods 7", "e7018", "slip-bay")
SENSOR = '[[sensors]]\nid = "bay-1"'
OVEN = '\n[[zones]]\nid = "rod-oven"\nsite = "yard"\nname = "Oven"\nkind = "oven"\nmin_temperature_c = 120\n'
CABINET = (
    '\n[[zones]]\nid = "cabinet"\nsite = "yard"\nname = "Cabinet"\nkind = "cabinet"\n'
    "max_relative_humidity_frac = 0.25\n"
)
OVEN_SENSOR = (
    '\n[[sensors]]\nid = "oven-1"\nzone = "rod-oven"\ninterval_s = 60\n[[sensors.measures]]\n'
    'quantity = "air_temperature_c"\nunit = "Cel"\naccuracy = 2\nmax = 450\nmax_rate_per_min = 500\n'
)
NEIGHBOUR = (
    '\n[[sensors]]\nid = "bay-2"\nzone = "slip-bay"\nstale_after_s = 900\n[[sensors.measures]]\n'
    'quantity = "air_temperature_c"\nunit = "Cel"\naccuracy = 0.3\n[[sensors.measures]]\n'
    'quantity = "relative_humidity_frac"\nunit = "%RH"\naccuracy = 0.02\n'
)
OFF = '\n[[shifts]]\nsite = "yard"\nname = "Early"\ndays = ["mon"]\nstart = "06:00"\nend = "14:00"\n'

Seen = list[tuple[Level, frozenset[Level]]]
Cell = Callable[[EvidenceYard], Seen]


def both(yard: EvidenceYard, allowed: frozenset[Level] = UNKNOWN) -> Seen:
    return [(yard.zone().level, allowed), (yard.body().level, allowed)]


def no_reading(yard: EvidenceYard) -> Seen:
    yard.goes_on(0.5)
    return both(yard)


def old_readings(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=DRY)
    assert yard.zone().level is Level.SAFE  # so it is the silence that makes it unknown
    yard.goes_on(0.5)
    return both(yard)


def temperature_alone(yard: EvidenceYard) -> Seen:
    for _ in range(20):
        readings = yard.readings("bay-1", DRY, yard.now_s + 30.0)
        yard.series.append(readings[:1])
        yard.goes_on(1 / 60.0)
    return both(yard)


def impossible_humidity(yard: EvidenceYard) -> Seen:
    yard.goes_on(0.5, bay_1=steady(12.0, 1.8))
    return both(yard)


def swapped_channels(yard: EvidenceYard) -> Seen:
    yard.goes_on(0.5, bay_1=steady(80.0, 0.12))
    return both(yard)


def one_humid_one_dry(yard: EvidenceYard) -> Seen:
    yard.stops()
    yard.settings_are(NEIGHBOUR)
    yard.goes_on(1.0, bay_1=DAMP, bay_2=DRY)
    return [(yard.zone().level, NOT_SAFE), (yard.body().level, NOT_SAFE)]


def fraction_sent_as_percent(yard: EvidenceYard) -> Seen:
    yard.goes_on(0.5, bay_1=steady(12.0, 0.0061))
    return both(yard)


def a_wet_bodys_sensor_removed(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=steady(2.0, 0.80))
    yard.goes_on(1.0, bay_1=steady(16.0, 0.90))
    assert yard.body().level is Level.DANGER
    yard.goes_on(5.0)
    assert "when last known, " in yard.body().reason
    return [(yard.zone().level, UNKNOWN), (yard.body().level, frozenset({Level.DANGER}))]


def with_stores(yard: EvidenceYard, more: str = "") -> None:
    yard.stops()
    yard.settings_are(OVEN + CABINET + more)
    yard.goes_on(0.2, bay_1=DRY)


def nobody_read_the_oven(yard: EvidenceYard) -> Seen:
    with_stores(yard)
    return [(yard.zone("rod-oven").level, UNKNOWN), (yard.zone("cabinet").level, UNKNOWN)]


def read_yesterday(yard: EvidenceYard) -> Seen:
    with_stores(yard)
    yard.enters("rod-oven", StoreChecked(150.0))
    yard.enters("cabinet", StoreChecked(24.0, 0.15))
    assert yard.zone("rod-oven").level is yard.zone("cabinet").level is Level.SAFE
    yard.goes_on(14.0, bay_1=DRY)
    return [(yard.zone("rod-oven").level, UNKNOWN), (yard.zone("cabinet").level, UNKNOWN)]


def half_a_reading(yard: EvidenceYard) -> Seen:
    """A cabinet's temperature says nothing of how dry it is."""
    with_stores(yard)
    yard.keeper.record(store_reading(yard, "cabinet", temperature_c=24.0), yard.now_s)
    return [(yard.zone("cabinet").level, UNKNOWN)]


def store_reading(yard: EvidenceYard, zone: str, **numbers: float) -> NewEvent:
    body = {"entry": "checked", **numbers}
    return NewEvent(EventKind.STORAGE, zone, yard.now_s, "Ann", body, "as the test says", f"{zone}/{numbers}")


def hot_by_hand_cold_by_sensor(yard: EvidenceYard) -> Seen:
    with_stores(yard, OVEN_SENSOR)
    yard.goes_on(0.5, bay_1=DRY, oven_1=steady(35.0, 0.0))
    yard.enters("rod-oven", StoreChecked(150.0))
    yard.goes_on(0.1, bay_1=DRY, oven_1=steady(35.0, 0.0))
    return [(yard.zone("rod-oven").level, frozenset({Level.DANGER}))]


def no_such_oven(yard: EvidenceYard) -> Seen:
    with_stores(yard)
    for zone, value in (("rod-oven", StoreChecked(5000.0)), ("cabinet", StoreChecked(24.0, 1.8))):
        refused(lambda zone=zone, value=value: yard.enters(zone, value))
    return [(yard.zone("rod-oven").level, UNKNOWN), (yard.zone("cabinet").level, UNKNOWN)]


def the_same_number_again_and_again(yard: EvidenceYard) -> Seen:
    """What is typed every hour from habit does not outweigh a sensor that speaks."""
    with_stores(yard, OVEN_SENSOR)
    for _ in range(4):
        yard.enters("rod-oven", StoreChecked(150.0))
        yard.goes_on(1.0, bay_1=DRY, oven_1=steady(35.0, 0.0))
    return [(yard.zone("rod-oven").level, frozenset({Level.DANGER}))]


def a_fraction_by_hand(yard: EvidenceYard) -> Seen:
    with_stores(yard)
    return refused(lambda: yard.enters("cabinet", StoreChecked(24.0, 0.0015)))


def reading_taken_back(yard: EvidenceYard) -> Seen:
    with_stores(yard)
    yard.enters("rod-oven", StoreChecked(150.0))
    assert yard.zone("rod-oven").level is Level.SAFE
    slip = yard.ledger.events(kinds=[EventKind.STORAGE])[-1]
    body = {"of": slip.number, "void": True}
    event = NewEvent(
        EventKind.CORRECTION, "rod-oven", yard.now_s, "Ann", body, "the other oven", "taken back"
    )
    yard.keeper.record(event, yard.now_s)
    return [(yard.zone("rod-oven").level, UNKNOWN)]


def sensor_removed(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=DRY)
    yard.stops()
    text = yard.file.read_text(encoding="utf-8")
    start, end = text.index("[[sensors]]"), text.index("[[plates]]")
    yard.settings_are("", without=text[start:end])
    yard.goes_on(0.5)
    return both(yard)


def plate_without_temperature(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=DAMP)
    yard.enters("deck", PlateBroughtIn("Deck plate", "slip-bay", 0.025))
    yard.goes_on(0.1, bay_1=DAMP)
    return [(yard.body("deck").level, UNKNOWN)]


def rods_opened_long_ago(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=DRY)
    yard.enters("rods-7", RODS, hours_ago=200.0)
    yard.goes_on(0.1, bay_1=DRY)
    return [(yard.package("rods-7").level, frozenset({Level.DANGER}))]


def rods_somewhere(yard: EvidenceYard) -> Seen:
    yard.goes_on(1.0, bay_1=DRY)
    yard.enters("rods-7", RODS, hours_ago=0.5)
    yard.enters("rods-7", Moved(Place.UNKNOWN, ""))
    yard.goes_on(0.5, bay_1=DRY)
    return [(yard.package("rods-7").level, NOT_SAFE)]


def refused(what: Callable[[], None]) -> Seen:
    with pytest.raises(InputError):
        what()
    return []


def moved_before_it_was_opened(yard: EvidenceYard) -> Seen:
    yard.goes_on(3.0, bay_1=DRY)
    yard.enters("rods-7", RODS, hours_ago=1.0)
    return refused(lambda: yard.enters("rods-7", Moved(Place.SEALED, "slip-bay"), hours_ago=2.0))


def opened_tomorrow(yard: EvidenceYard) -> Seen:
    return refused(lambda: yard.enters("rods-7", RODS, hours_ago=-24.0))


def label_of_another_thing(yard: EvidenceYard) -> Seen:
    return refused(lambda: yard.enters("plate-keel", RODS))


def zone_without_a_sensor(yard: EvidenceYard) -> Seen:
    yard.stops()
    yard.settings_are('\n[[zones]]\nid = "shed"\nsite = "yard"\nname = "Shed"\nkind = "hall"\n')
    yard.enters("deck", PlateBroughtIn("Deck plate", "shed", 0.025))
    yard.enters("rods-7", Opened("Rods 7", "e7018", "shed"))
    posted = yard.goes_on(1.0, bay_1=DRY)
    assert any("not watched" in note.title.lower() for note in posted)
    things = (yard.zone("shed"), yard.body("deck"), yard.package("rods-7"))
    return [(thing.level, NOT_SAFE) for thing in things]


def sensor_of_temperature_alone(yard: EvidenceYard) -> Seen:
    start = yard.file.read_text(encoding="utf-8").index('[[sensors.measures]]\nquantity = "relative')
    text = yard.file.read_text(encoding="utf-8")
    yard.stops()
    yard.settings_are("", without=text[start : text.index("[[plates]]")])
    return temperature_alone(yard)


def a_bay_called_outdoor(yard: EvidenceYard) -> Seen:
    """Outdoor air is not judged humid, but what lies in it is in that air."""
    yard.stops()
    text = yard.file.read_text(encoding="utf-8").replace('kind = "bay"', 'kind = "outdoor"')
    yard.file.write_text(text, encoding="utf-8")
    yard.starts()
    yard.enters("rods-7", RODS)
    yard.goes_on(1.0, bay_1=DAMP)
    return [(yard.zone().level, frozenset({Level.CAUTION}))]


def nobody_is_said_to_work(yard: EvidenceYard) -> Seen:
    """Another site's shifts: they may keep a message back, and never a level."""
    yard.stops()
    yard.settings_are(OFF)
    yard.goes_on(1.0, bay_1=DAMP)
    return [(yard.zone().level, frozenset({Level.CAUTION}))]


def zone_removed(yard: EvidenceYard) -> Seen:
    extra = '\n[[zones]]\nid = "shed"\nsite = "yard"\nname = "Shed"\nkind = "hall"\n'
    yard.stops()
    yard.settings_are(extra)
    yard.enters("deck", PlateBroughtIn("Deck plate", "shed", 0.025))
    yard.enters("rods-7", Opened("Rods 7", "e7018", "shed"))
    yard.goes_on(0.5, bay_1=DRY)
    yard.stops()
    yard.settings_are("")
    posted = yard.goes_on(0.5, bay_1=DRY)
    assert any("Nobody watches it" in note.title for note in posted)
    things = (yard.zone("shed"), yard.body("deck"), yard.package("rods-7"))
    return [(thing.level, NOT_SAFE) for thing in things]


CELLS: dict[tuple[str, str], Cell] = {
    ("reading", "absent"): no_reading,
    ("reading", "old"): old_readings,
    ("reading", "partial"): temperature_alone,
    ("reading", "contradicting"): one_humid_one_dry,
    ("reading", "in another unit"): fraction_sent_as_percent,
    ("reading", "impossible"): impossible_humidity,
    ("reading", "swapped"): swapped_channels,
    ("reading", "removed"): sensor_removed,
    ("hand reading", "absent"): nobody_read_the_oven,
    ("hand reading", "old"): read_yesterday,
    ("hand reading", "partial"): half_a_reading,
    ("hand reading", "contradicting"): hot_by_hand_cold_by_sensor,
    ("hand reading", "impossible"): no_such_oven,
    ("hand reading", "frozen"): the_same_number_again_and_again,
    ("hand reading", "in another unit"): a_fraction_by_hand,
    ("hand reading", "removed"): reading_taken_back,
    ("entry", "absent"): plate_without_temperature,
    ("entry", "old"): rods_opened_long_ago,
    ("entry", "partial"): rods_somewhere,
    ("entry", "contradicting"): moved_before_it_was_opened,
    ("entry", "impossible"): opened_tomorrow,
    ("entry", "swapped"): label_of_another_thing,
    ("setting", "absent"): zone_without_a_sensor,
    ("setting", "partial"): sensor_of_temperature_alone,
    ("setting", "swapped"): a_bay_called_outdoor,
    ("setting", "removed"): zone_removed,
    ("calendar", "swapped"): nobody_is_said_to_work,
}
BOUNDS = "test_settings_bounds.py::test_a_"
SHIFTS, OUTLOOK = "outlook/test_shifts.py::test_", "outlook/test_shift_outlook.py::test_a_"
WEATHER, CALENDARS = "weather/test_providers.py::test_", "engine/test_calendars.py::test_"
STANDS_STILL = "engine/test_stands_still.py::test_"
HELD_BY: dict[tuple[str, str], str] = {
    ("reading", "frozen"): "engine/test_false_readings.py::test_a_frozen_sensors_zone_is_unknown_from",
    (
        "setting",
        "impossible",
    ): "engine/test_evidence.py::test_a_package_declared_as_opened_in_the_future_is_there",
    ("setting", "contradicting"): f"{BOUNDS}setting_that_nobody_can_mean_is_a_fault",
    ("setting", "in another unit"): f"{BOUNDS}setting_that_nobody_can_mean_is_a_fault",
    ("forecast", "absent"): "engine/test_night_yard.py::test_a_yard_without_a_forecast_is_told_wet_and_why",
    ("forecast", "old"): f"{WEATHER}a_provider_that_is_away_says_so_and_the_last_forecast_is_used",
    ("forecast", "partial"): f"{OUTLOOK}zone_without_a_forecast_makes_the_shift_unknown_and_never_safe",
    ("forecast", "contradicting"): "core/test_standing.py::test_a_mean_margin_that_is_clear_is_not_safe",
    ("forecast", "impossible"): f"{WEATHER}each_break_of_the_schema_is_named",
    ("forecast", "frozen"): f"{OUTLOOK}shift_beyond_the_foreseen_hours_says_so",
    ("forecast", "swapped"): f"{BOUNDS}site_that_lies_elsewhere_than_its_clock_is_a_fault",
    ("forecast", "in another unit"): f"{WEATHER}each_break_of_the_schema_is_named",
    ("forecast", "removed"): "engine/test_night_yard.py::test_the_clouds_of_a_site_come_from_its_forecast",
    ("calendar", "absent"): "core/test_hours.py::test_a_site_without_shifts_is_always_at_work",
    ("calendar", "old"): f"{CALENDARS}a_calendar_that_has_run_out_gives_no_leave",
    ("calendar", "partial"): "core/test_hours.py::test_a_rest_ends_with_a_shift_that_is_known",
    ("calendar", "contradicting"): "core/test_hours.py::test_where_settings_and_calendar_differ_work_counts",
    ("calendar", "impossible"): f"{CALENDARS}what_was_changed_is_read_and_what_was_spoiled",
    ("calendar", "frozen"): f"{CALENDARS}a_calendar_that_has_run_out_gives_no_leave",
    ("calendar", "in another unit"): f"{SHIFTS}a_floating_event_is_read_in_the_time_of_the_site",
    ("calendar", "removed"): f"{CALENDARS}a_calendar_nobody_could_read_gives_no_leave",
    ("clock", "absent"): f"{STANDS_STILL}a_device_that_tells_no_time_is_judged_by_arrival",
    ("clock", "old"): "engine/test_evidence.py::test_after_a_stop_the_daily_word_waits",
    ("clock", "partial"): "engine/test_faults_clock.py::test_a_machine_that_slept_is_a_gap_too",
    (
        "clock",
        "contradicting",
    ): "engine/test_false_readings.py::test_a_fault_in_humid_air_never_shows",
    ("clock", "impossible"): f"{STANDS_STILL}what_has_arrived_in_the_future_is_judged_as_of_now",
    ("clock", "frozen"): f"{STANDS_STILL}a_machines_clock_that_stands_still_is_not_safe_and_does_not_hide",
    ("clock", "swapped"): "engine/test_faults_clock.py::test_the_night_the_clocks_change_is_judged",
    ("clock", "in another unit"): "mqtt/test_decode.py::test_a_time_is_rfc_3339_with_an_offset_or_epoch",
    ("clock", "removed"): f"{STANDS_STILL}a_device_that_tells_no_time_is_judged_by_arrival",
}
NO_CASE: dict[tuple[str, str], str] = {
    ("entry", "frozen"): "an entry does not repeat itself",
    ("entry", "in another unit"): "pages carry the unit beside the field; sizes have bounds, tests/things",
    ("entry", "removed"): "taking an entry back is a person's word that it was a slip",
    (
        "hand reading",
        "swapped",
    ): "two numbers in each other's field are both possible; the page names field and unit beside each",
    ("setting", "old"): "settings have no age",
    ("setting", "frozen"): "settings stand still by nature",
}


@pytest.mark.parametrize("cell", CELLS, ids=" ".join)
def test_what_fails_is_shown_as_the_table_says(cell: tuple[str, str], tmp_path: Path) -> None:
    yard = EvidenceYard(tmp_path, start_s=START_S)
    try:
        for level, allowed in CELLS[cell](yard):
            assert level in allowed
            assert level is not Level.SAFE
    finally:
        yard.close()


@pytest.mark.parametrize("cell", HELD_BY, ids=" ".join)
def test_a_cell_that_is_held_elsewhere_is_held_there(cell: tuple[str, str]) -> None:
    file, _, name = HELD_BY[cell].partition("::")
    assert f"def {name}" in (ROOT / file).read_text(encoding="utf-8")


def test_danger_seen_is_not_forgotten_by_silence(tmp_path: Path) -> None:
    yard = EvidenceYard(tmp_path, start_s=START_S)
    try:
        for level, allowed in a_wet_bodys_sensor_removed(yard):
            assert level in allowed
    finally:
        yard.close()


def test_every_cell_of_the_table_is_filled_and_none_is_told_twice() -> None:
    told = [*CELLS, *HELD_BY, *NO_CASE]
    assert len(told) == len(set(told))
    assert set(told) == {(given, failure) for given in INPUTS for failure in FAILURES}
    assert all(NO_CASE.values())
