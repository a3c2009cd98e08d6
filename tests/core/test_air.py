"""The one air of a zone: of several sensors the one against us, with its uncertainty carried along."""

import math

import psychrolib
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.core.mixing import assumed, forget, hear
from monitor.core.zone_air import Heard, Sample, ZoneAir, air_state
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.physics.saturation import dew_point_from_rh_c
from monitor.sensors.accuracy import dew_point_by_sensor_std_k, humidity_std_frac, temperature_std_k
from monitor.sensors.agreement import PeerReading, PeerSpread, compare
from tests.sensors.sensors import RH, START_S, rules

FRESH_S = 900.0
SENSOR = rules()
JUDGED_TO_C = SENSOR.channels[RH].judged_to_c
psychrolib.SetUnitSystem(psychrolib.SI)


def heard(*pairs: tuple[float, float], at_s: float = START_S) -> dict[str, Heard]:
    return {f"bay-{n}": Heard(at_s, warm, at_s, damp) for n, (warm, damp) in enumerate(pairs)}


def told(sensor: str, warm: float, damp: float, at_s: float) -> list[Reading]:
    return [
        Reading(SeriesKey("slip-bay", sensor, quantity), at_s, at_s, value)
        for quantity, value in ((Quantity.AIR_TEMPERATURE, warm), (Quantity.RELATIVE_HUMIDITY, damp))
    ]


@pytest.mark.parametrize(
    ("pairs", "humidity", "dew_at_least_c"),
    [
        pytest.param(((18.0, 0.0), (18.0, 0.85)), 0.85, 15.4, id="one dry, one wet"),
        pytest.param(((28.0, 0.45), (20.0, 0.60)), 0.60, 14.9, id="a warm roof over a damp floor"),
        pytest.param(((12.0, 0.90), (30.0, 0.40)), 0.90, 14.8, id="a cold corner and a warm one"),
        pytest.param(((18.0, 0.50), (18.0, 0.50), (18.0, 0.81)), 0.81, 14.6, id="one of three"),
    ],
)
def test_of_sensors_that_differ_the_worse_speaks_for_every_question(
    pairs: tuple[tuple[float, float], ...], humidity: float, dew_at_least_c: float
) -> None:
    air = assumed(heard(*pairs), START_S, FRESH_S, JUDGED_TO_C)
    assert air is not None
    assert air.relative_humidity_frac == humidity
    dew_c = dew_point_from_rh_c(air.temperature_c, air.relative_humidity_frac)
    assert dew_c >= dew_at_least_c
    by_reference = [psychrolib.GetTDewPointFromRelHum(t, rh) for t, rh in pairs if rh > 0.0]
    assert dew_c == pytest.approx(max(by_reference), abs=0.1)


airs = st.tuples(st.floats(-20.0, 45.0), st.floats(0.05, 1.0))


@given(st.lists(airs, min_size=1, max_size=4))
def test_the_air_of_a_zone_is_never_drier_nor_milder_than_any_of_its_sensors(
    pairs: list[tuple[float, float]],
) -> None:
    air = assumed(heard(*pairs), START_S, FRESH_S, JUDGED_TO_C)
    assert air is not None
    dew_c = dew_point_from_rh_c(air.temperature_c, air.relative_humidity_frac)
    assert min(t for t, _ in pairs) - 1e-6 <= air.temperature_c <= max(t for t, _ in pairs) + 1e-6
    for celsius, humidity in pairs:
        assert air.relative_humidity_frac >= humidity
        assert dew_c >= dew_point_from_rh_c(celsius, humidity) - 1e-4


@given(st.floats(5.0, 30.0), st.floats(-4.0, 4.0), st.floats(0.3, 1.0), st.floats(0.3, 1.0))
def test_a_bodys_margin_in_the_long_run_is_the_least_that_any_sensor_gives(
    celsius: float, apart_k: float, one: float, other: float
) -> None:
    """In still air a body takes its air's temperature; the depression at one humidity grows by 3 % in 4 K."""
    pairs = ((celsius, one), (celsius + apart_k, other))
    air = assumed(heard(*pairs), START_S, FRESH_S, JUDGED_TO_C)
    assert air is not None
    margin_k = air.temperature_c - dew_point_from_rh_c(air.temperature_c, air.relative_humidity_frac)
    least_k = min(t - dew_point_from_rh_c(t, rh) for t, rh in pairs)
    assert margin_k <= 1.05 * least_k + 0.05


def test_a_sensor_alone_speaks_as_it_reads() -> None:
    assert assumed(heard((17.3, 0.612)), START_S, FRESH_S, JUDGED_TO_C) == Sample(START_S, 17.3, 0.612)


def test_of_several_in_a_hot_place_the_coldest_counts() -> None:
    air = assumed(heard((85.0, 0.02), (160.0, 0.01)), START_S, FRESH_S, JUDGED_TO_C)
    assert air is not None
    assert air.temperature_c == 85.0 > JUDGED_TO_C


def test_a_sensor_not_heard_lately_does_not_speak() -> None:
    both = {**heard((18.0, 0.85), at_s=START_S - 2 * FRESH_S), "bay-9": Heard(START_S, 18.0, START_S, 0.4)}
    assert assumed(both, START_S, FRESH_S, JUDGED_TO_C) == Sample(START_S, 18.0, 0.4)
    half = {"bay-1": Heard(START_S, 18.0, START_S - 2 * FRESH_S, 0.4)}
    assert assumed(half, START_S, FRESH_S, JUDGED_TO_C) is None


def test_what_is_no_longer_believed_leaves_the_air_at_once() -> None:
    air = hear(ZoneAir(), told("bay-1", 18.0, 0.40, START_S), FRESH_S, JUDGED_TO_C)
    assert air_state(air, START_S + 10.0, FRESH_S, 101_325.0, {}, JUDGED_TO_C) is not None
    gone = forget(air, "bay-1", FRESH_S, JUDGED_TO_C)
    assert air_state(gone, START_S + 10.0, FRESH_S, 101_325.0, {}, JUDGED_TO_C) is None
    both = hear(air, told("bay-2", 18.0, 0.85, START_S + 5.0), FRESH_S, JUDGED_TO_C)
    left = air_state(
        forget(both, "bay-2", FRESH_S, JUDGED_TO_C), START_S + 10.0, FRESH_S, 101_325.0, {}, JUDGED_TO_C
    )
    assert left is not None
    assert left.relative_humidity_frac == 0.40


@pytest.mark.parametrize(
    ("celsius", "humidity", "low_k", "high_k"),
    [
        # JCGM 100, 5.1.2 with Magnus' slope 17.62 × 243.12 / (243.12 + dew)²: at 10 °C and 95 %RH a
        # temperature sure to 0.3/√3 K and a humidity sure to 4/√3 % give 0.17 K and 0.36 K.
        pytest.param(10.0, 0.95, 0.39, 0.48, id="nearly saturated, where it matters most"),
        pytest.param(20.0, 0.50, 0.36, 0.45, id="in the middle of the range"),
    ],
)
def test_the_dew_points_deviation_is_that_of_its_humidity(
    celsius: float, humidity: float, low_k: float, high_k: float
) -> None:
    air = hear(ZoneAir(), told("bay-1", celsius, humidity, START_S), FRESH_S, JUDGED_TO_C)
    now = air_state(air, START_S, FRESH_S, 101_325.0, {"bay-1": SENSOR}, JUDGED_TO_C)
    assert now is not None
    assert low_k <= now.dew_point_std_k <= high_k


@pytest.mark.parametrize(("celsius", "humidity"), [(10.0, 0.95), (20.0, 0.50), (30.0, 0.70)])
def test_a_devices_errors_count_as_independent(celsius: float, humidity: float) -> None:
    """JCGM 100, 5.1.2, with slopes taken from PsychroLib's dew point by central differences."""

    def dew_c(warm: float, damp: float) -> float:
        return float(psychrolib.GetTDewPointFromRelHum(warm, damp))

    by_temperature = (dew_c(celsius + 0.1, humidity) - dew_c(celsius - 0.1, humidity)) / 0.2
    by_humidity = (dew_c(celsius, humidity + 0.001) - dew_c(celsius, humidity - 0.001)) / 0.002
    warm_k = by_temperature * temperature_std_k(SENSOR, celsius)
    damp_k = by_humidity * humidity_std_frac(SENSOR, humidity)
    found = dew_point_by_sensor_std_k(SENSOR, celsius, humidity)
    assert found == pytest.approx(math.hypot(warm_k, damp_k), rel=0.01)


def test_of_several_the_least_sure_sensors_deviation_is_carried() -> None:
    air = hear(
        ZoneAir(),
        told("bay-1", 20.0, 0.50, START_S) + told("bay-2", 20.0, 0.85, START_S + 1.0),
        FRESH_S,
        JUDGED_TO_C,
    )
    both = {"bay-1": SENSOR, "bay-2": SENSOR}
    now = air_state(air, START_S + 1.0, FRESH_S, 101_325.0, both, JUDGED_TO_C)
    assert now is not None
    alone = max(dew_point_by_sensor_std_k(SENSOR, 20.0, rh) for rh in (0.50, 0.85))
    assert math.isclose(now.dew_point_std_k, alone)


def test_one_alone_on_the_wet_side_is_named_and_stays_in_use() -> None:
    witnesses = [PeerReading("a", 45.0, 1.0), PeerReading("b", 46.0, 1.0), PeerReading("c", 85.0, 1.0)]
    spread = PeerSpread(8.0, "humidity", "%RH")
    apart = compare(witnesses, rules().judging, spread, drop_above=False)
    assert apart.keys() == {"c"}
    assert not apart["c"].odd_one
    dry = [PeerReading("a", 5.0, 1.0), PeerReading("b", 84.0, 1.0), PeerReading("c", 85.0, 1.0)]
    assert compare(dry, rules().judging, spread, drop_above=False)["a"].odd_one
