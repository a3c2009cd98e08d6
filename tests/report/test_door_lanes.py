"""A door's lane shows what its sensor said, for as long as that holds, and nothing where it said nothing."""

from pathlib import Path

import pytest

from monitor.model.reading import Mark, Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.report.chart import Window
from monitor.report.door_lanes import door_lanes
from monitor.store.series.sqlite_series import SqliteSeriesStore

HOUR_S = 3_600.0
DOOR = SeriesKey("bay", "door-1", Quantity.DOOR_OPEN)
WINDOW = Window(0.0, 48 * HOUR_S, 900.0)


@pytest.fixture
def store(tmp_path: Path) -> SqliteSeriesStore:
    store = SqliteSeriesStore(tmp_path / "series.db")
    said = ((2.0, 1.0), (3.0, 0.0), (20.0, 1.0), (40.0, 1.0))  # opened, shut, opened for good; then once more
    store.append([Reading(DOOR, hour * HOUR_S, hour * HOUR_S, value) for hour, value in said])
    return store


def test_a_door_is_open_from_its_word_until_its_next_one_and_not_for_ever(store: SqliteSeriesStore) -> None:
    lanes = door_lanes(store, store.keys(), ["bay"], WINDOW, 48 * HOUR_S)
    hours = [(start / HOUR_S, end / HOUR_S, share) for start, end, share in lanes["bay", "door-1"]]
    # a word holds twelve hours: from 32:00 to 40:00 nobody knows, and nothing is drawn
    assert hours == [(2.0, 3.0, 1.0), (20.0, 32.0, 1.0), (40.0, 48.0, 1.0)]
    store.close()


def test_a_doubted_word_and_another_place_draw_nothing(store: SqliteSeriesStore) -> None:
    order = store.last_order()
    store.mark([Mark(n, SensorStatus.FUNCTION_CHECK, "stuck") for n in range(1, order + 1)])
    assert door_lanes(store, store.keys(), ["bay"], WINDOW, 48 * HOUR_S) == {}
    assert door_lanes(store, store.keys(), ["hall"], WINDOW, 48 * HOUR_S) == {}
    store.close()
