"""Readings that would make a zone look safe: what the zone and its sensors must show instead.

Each fault comes with humid air that nobody else tells of. Worked through by the same loop as the service.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.cli.replay_commands import replay
from monitor.model.event import EventKind
from monitor.model.level import Level
from monitor.model.picture import Picture
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.settings.file import load
from monitor.settings.schema import Settings
from tests.engine.offline import Offline
from tests.engine.yard import START_S, write_shop

AIR, HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY
HOUR_S = 3600.0
EVERY_S = 30.0
SECOND_SENSOR = """
[[sensors]]
id = "bay-2"
zone = "slip-bay"
stale_after_s = 900
[[sensors.measures]]
quantity = "air_temperature_c"
unit = "Cel"
accuracy = 0.3
[[sensors.measures]]
quantity = "relative_humidity_frac"
unit = "%RH"
accuracy = 0.02
"""


@dataclass(frozen=True)
class Says:
    """What one sensor sends at a moment: temperature, humidity, and how far its stamp lies behind."""

    celsius: float | None
    humidity: float | None
    behind_s: float = 0.0


def flicker(n: int) -> float:
    return 0.01 * (n % 7)


def humid(n: int) -> Says:
    return Says(15.0 + flicker(n), 0.85 + 0.01 * flicker(n))


Course = Callable[[int], Says | None]


def readings(courses: dict[str, Course], hours: float) -> Iterator[Reading]:
    for n in range(int(hours * HOUR_S / EVERY_S)):
        for sensor, course in courses.items():
            said = course(n)
            if said is None:
                continue
            arrived_s = START_S + n * EVERY_S
            for quantity, value in ((AIR, said.celsius), (HUMIDITY, said.humidity)):
                if value is not None:
                    key = SeriesKey("slip-bay", sensor, quantity)
                    yield Reading(key, arrived_s - said.behind_s, arrived_s, value, n, True)


@dataclass(frozen=True)
class Found:
    """What the shop shows at the end, every level its zone has had, and its alarms."""

    snapshot: Picture
    levels: set[Level]
    raised: dict[str, float]
    settings: Settings


def after(folder: Path, courses: dict[str, Course], hours: float, stale_after_s: int = 900) -> Found:
    file = write_shop(folder, 1, "http://127.0.0.1:1/")
    stale = f"stale_after_s = {stale_after_s}"
    file.write_text(file.read_text(encoding="utf-8").replace("stale_after_s = 900", stale), encoding="utf-8")
    if "bay-2" in courses:
        file.write_text(file.read_text(encoding="utf-8") + SECOND_SENSOR, encoding="utf-8")
    settings = load(file)
    settings.service.data_dir.mkdir()
    shop = Offline(file)
    levels = set()
    try:
        shop.series.append(list(readings(courses, hours)))
        for minute in range(0, int(hours * 60) + 1, 5):
            shop.loop.advance_to(START_S + 60.0 * minute)
            levels.add(shop.loop.snapshot().zones[0].level)
        moves = shop.ledger.events(kinds=[EventKind.ALARM_TRANSITION])
        raised = {e.subject: e.time_s for e in moves if e.body["to_state"] == "unacknowledged"}
        live = [(e.subject, e.time_s, e.body["to_state"]) for e in moves]
        given = list(readings(courses, hours))
        again = replay(settings, given) if given else []
        last_s = START_S + hours * HOUR_S - EVERY_S
        replayed = [(e.subject, e.time_s, e.body["to_state"]) for e in again]
        assert not given or replayed == [one for one in live if one[1] <= last_s]
        return Found(shop.loop.snapshot(), levels, raised, settings)
    finally:
        shop.close()


@pytest.mark.parametrize(
    ("fault", "level", "status", "words"),
    [
        pytest.param(
            lambda n: Says(15.0 + flicker(n), 0.0), Level.UNKNOWN, SensorStatus.OUT_OF_SPECIFICATION,
            "dead element", id="dead at 0 %RH",
        ),
        pytest.param(
            lambda n: Says(15.0 + flicker(n), 0.0085 + 1e-5 * flicker(n)), Level.UNKNOWN,
            SensorStatus.OUT_OF_SPECIFICATION, "fraction sent as percent", id="a fraction as percent",
        ),
        pytest.param(
            lambda n: Says(85.0, 0.15 + 0.001 * flicker(n)), Level.UNKNOWN,
            SensorStatus.OUT_OF_SPECIFICATION, "swapped", id="swapped",
        ),
        pytest.param(
            lambda n: Says(15.0 + flicker(n), None), Level.UNKNOWN, SensorStatus.GOOD, "",
            id="temperature only",
        ),
        pytest.param(
            lambda n: Says(None, 0.45 + flicker(n)), Level.UNKNOWN, SensorStatus.GOOD, "", id="humidity only"
        ),
        pytest.param(
            lambda n: Says(15.0 + flicker(n), 0.85, HOUR_S), Level.CAUTION,
            SensorStatus.MAINTENANCE_REQUIRED, "60 min behind", id="an hour behind",
        ),
        pytest.param(
            lambda n: Says(15.0 + flicker(n), 0.85, 24 * HOUR_S), Level.CAUTION,
            SensorStatus.MAINTENANCE_REQUIRED, "24 h behind", id="a day behind",
        ),
        pytest.param(
            lambda n: Says(15.0 + flicker(n), 0.85, -200.0), Level.CAUTION,
            SensorStatus.MAINTENANCE_REQUIRED, "3 min ahead", id="minutes ahead",
        ),
        pytest.param(lambda _: None, Level.UNKNOWN, SensorStatus.FAILURE, "no reading", id="never heard"),
    ],
)  # fmt: skip
def test_a_fault_in_humid_air_never_shows_as_safe_and_is_named(
    tmp_path: Path, fault: Course, level: Level, status: SensorStatus, words: str
) -> None:
    found = after(tmp_path, {"bay-1": fault}, 1.5)
    (zone,) = found.snapshot.zones
    assert Level.SAFE not in found.levels
    assert zone.level is level
    assert zone.sensors[0].status is status
    assert words in zone.sensors[0].reason
    if level is Level.CAUTION:
        assert "zone_humidity_high.slip-bay" in found.raised


@pytest.mark.parametrize(
    ("other", "note"),
    [
        pytest.param(lambda n: Says(15.0 + flicker(n), 0.0), "out", id="dead at 0 %RH from the first"),
        pytest.param(lambda n: Says(15.0 + flicker(n), 0.85 if n < 60 else 0.0), "out", id="died at 0 %RH"),
        pytest.param(lambda n: Says(15.0 + flicker(n), 0.30 + 0.01 * flicker(n)), "apart", id="far too dry"),
        pytest.param(lambda n: Says(15.0 + flicker(n), 0.006 + 1e-5 * flicker(n)), "out", id="a fraction"),
    ],
)
def test_of_two_sensors_the_humid_one_speaks_for_all_of_eight_hours(
    tmp_path: Path, other: Course, note: str
) -> None:
    found = after(tmp_path, {"bay-1": humid, "bay-2": other}, 8.0)
    (zone,) = found.snapshot.zones
    assert Level.SAFE not in found.levels
    assert zone.level is Level.CAUTION
    assert "85 %RH" in zone.reason
    assert "zone_humidity_high.slip-bay" in found.raised
    health = {one.sensor: one for one in zone.sensors}
    assert health["bay-2"].status is not SensorStatus.GOOD
    if note == "apart":
        assert "its sensors differ" in zone.reason
        assert "differs by" in health["bay-1"].reason
        assert "differs by" in health["bay-2"].reason
    else:
        assert health["bay-2"].status is SensorStatus.OUT_OF_SPECIFICATION


def test_a_frozen_sensors_zone_is_unknown_from_the_tick_on_that_finds_it(tmp_path: Path) -> None:
    def frozen(n: int) -> Says:
        return Says(15.23 + flicker(min(n, 100)), 0.4512 + 0.01 * flicker(min(n, 100)))

    file = write_shop(tmp_path, 1, "http://127.0.0.1:1/")
    load(file).service.data_dir.mkdir()
    shop = Offline(file)
    try:
        shop.series.append(list(readings({"bay-1": frozen}, 4.0)))
        now_s = START_S
        while now_s < START_S + 4 * HOUR_S:
            now_s += 10.0
            shop.loop.advance_to(now_s)
            (zone,) = shop.loop.snapshot().zones
            (sensor,) = zone.sensors
            if sensor.status is SensorStatus.FAILURE:
                break
        assert "stood still" in sensor.reason
        assert now_s - START_S <= 3.5 * HOUR_S
        assert zone.level is Level.UNKNOWN
    finally:
        shop.close()


def test_an_alarm_whose_delay_began_before_a_gap_does_not_rise_after_it_in_dry_air(tmp_path: Path) -> None:
    """The dew point rises fast for less than the delay once that is known; silence; then it falls."""

    def course(n: int) -> Says | None:
        minute = n * EVERY_S / 60.0
        if minute < 30.0:
            return Says(15.0 + flicker(n), 0.30 + 0.006 * minute)
        if minute < 65.0:
            return None
        return Says(15.0 + flicker(n), 0.52 - 0.0005 * (minute - 65.0))

    found = after(tmp_path, {"bay-1": course}, 3.0, stale_after_s=90)
    late = {name: at_s for name, at_s in found.raised.items() if at_s > START_S + 65 * 60.0}
    assert not late
