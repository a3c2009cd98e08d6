"""The table of evidence: each kind of input, each way in which it can fail, and the level that must be shown.

Every cell runs the real core on temporary stores, is held by another test that is named, or says why there is
no such case. A cell passes where what it names is shown at one of the levels given, and safe is in none.
"""

from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.consumables.classes import Place
from monitor.history.entries import Moved, Opened, PlateBroughtIn
from monitor.model.errors import InputError
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
    ("reading", "impossible"): impossible_humidity,
    ("reading", "swapped"): swapped_channels,
    ("reading", "removed"): sensor_removed,
    ("entry", "absent"): plate_without_temperature,
    ("entry", "old"): rods_opened_long_ago,
    ("entry", "partial"): rods_somewhere,
    ("entry", "contradicting"): moved_before_it_was_opened,
    ("entry", "impossible"): opened_tomorrow,
    ("entry", "swapped"): label_of_another_thing,
    ("setting", "absent"): zone_without_a_sensor,
    ("setting", "removed"): zone_removed,
}
HELD_BY: dict[tuple[str, str], str] = {
    (
        "setting",
        "impossible",
    ): "engine/test_evidence.py::test_a_package_declared_as_opened_in_the_future_is_there",
    ("forecast", "absent"): "alarms/test_ahead.py::test_what_is_not_known_of_the_coming_shifts_is_said",
    ("calendar", "absent"): "core/test_hours.py::test_a_site_without_shifts_is_always_at_work",
    ("calendar", "old"): "engine/test_calendars.py::test_a_calendar_that_has_run_out_gives_no_leave",
    ("calendar", "partial"): "core/test_hours.py::test_a_rest_ends_with_a_shift_that_is_known",
    (
        "calendar",
        "impossible",
    ): "engine/test_calendars.py::test_what_was_changed_is_read_and_what_was_spoiled",
    ("calendar", "removed"): "engine/test_calendars.py::test_a_calendar_nobody_could_read_gives_no_leave",
    ("clock", "old"): "engine/test_evidence.py::test_after_a_stop_the_daily_word_waits",
}
NO_CASE: dict[tuple[str, str], str] = {
    ("entry", "frozen"): "an entry does not repeat itself",
    ("entry", "in another unit"): "pages carry the unit beside the field; sizes have bounds, tests/things",
    ("entry", "removed"): "taking an entry back is a person's word that it was a slip",
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


def test_no_cell_is_told_twice_and_all_are_of_the_table() -> None:
    told = [*CELLS, *HELD_BY, *NO_CASE]
    assert len(told) == len(set(told))
    assert all(given in INPUTS and failure in FAILURES for given, failure in told)
