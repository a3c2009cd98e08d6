"""A jump to damper air is believed at once where two sensors show it, and in no other case."""

from collections.abc import Iterator
from pathlib import Path

import pytest

from monitor.model.reading import Quantity, Reading, SeriesKey
from tests.engine.offline import Offline
from tests.engine.test_false_readings import SECOND_SENSOR
from tests.engine.yard import write_shop

AIR, HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY
Said = dict[str, tuple[float, float]]  # temperature and humidity by sensor
DRY: Said = {"bay-1": (15.0, 0.50), "bay-2": (15.1, 0.51)}


class TwoSensors(Offline):
    """One bay with two sensors that speak every ten seconds."""

    def hears(self, said: Said, count: int = 1) -> float | None:
        """The humidity that the bay is taken to have after so many messages of each."""
        for _ in range(count):
            self.now_s += 10.0
            wobble = 0.001 * (round(self.now_s) // 10 % 3)
            self.series.append(
                [
                    Reading(SeriesKey("slip-bay", sensor, quantity), self.now_s, self.now_s, value + wobble)
                    for sensor, (celsius, humidity) in said.items()
                    for quantity, value in ((AIR, celsius), (HUMIDITY, humidity))
                ]
            )
        self.now_s += 0.5
        self.loop.advance_to(self.now_s)
        self.now_s -= 0.5
        last = self.loop.state.heard["slip-bay"].last
        return None if last is None else round(last.relative_humidity_frac, 1)


@pytest.fixture
def bay(tmp_path: Path) -> Iterator[TwoSensors]:
    file = write_shop(tmp_path, 1, "http://127.0.0.1:1/")
    text = file.read_text(encoding="utf-8").replace("max_rate_per_min = 5\n", "max_rate_per_min = 0.2\n")
    file.write_text(text + SECOND_SENSOR, encoding="utf-8")
    yard = TwoSensors(file)
    assert yard.hears(DRY, 60) == 0.5
    yield yard
    yard.close()


def test_a_rise_that_both_show_is_believed_in_the_same_moment(bay: TwoSensors) -> None:
    assert bay.hears({"bay-1": (15.0, 0.9), "bay-2": (15.1, 0.9)}) == 0.9


def test_a_rise_that_one_shows_waits_until_it_holds(bay: TwoSensors) -> None:
    alone = {**DRY, "bay-1": (15.0, 0.9)}
    assert [bay.hears(alone) for _ in range(3)] == [0.5, 0.5, 0.9]


def test_a_rise_that_the_second_shows_differently_waits(bay: TwoSensors) -> None:
    assert bay.hears({"bay-1": (15.0, 0.95), "bay-2": (15.1, 0.7)}) == 0.5


def test_a_fall_that_both_show_waits_until_it_holds(bay: TwoSensors) -> None:
    """Nothing is taken for dry any earlier."""
    wet = {"bay-1": (15.0, 0.9), "bay-2": (15.1, 0.9)}
    bay.hears(wet, 40)
    assert [bay.hears(DRY) for _ in range(3)] == [0.9, 0.9, 0.5]


def test_a_draught_that_cools_both_sensors_brings_no_water_and_waits(bay: TwoSensors) -> None:
    assert bay.hears({"bay-1": (5.0, 0.9), "bay-2": (5.1, 0.9)}) == 0.5


def test_a_second_sensor_that_is_not_believed_vouches_for_nothing(bay: TwoSensors) -> None:
    dead = {"bay-1": (15.0, 0.5), "bay-2": (15.1, 1.5)}  # out of its range, for a while
    bay.hears(dead, 40)
    assert bay.hears({"bay-1": (15.0, 0.9), "bay-2": (15.1, 0.9)}) == 0.5
