"""What is believed, reading by reading."""

import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.device import Measure as MeasureSettings
from monitor.model.device import Sensor as SensorSettings
from monitor.model.errors import InputError
from monitor.model.reading import Quantity
from monitor.model.sensor import SensorStatus
from monitor.sensors.accuracy import standard_uncertainty
from monitor.sensors.judge import judge, judge_many
from monitor.sensors.quality_rules import defaults_from
from monitor.sensors.track import DoubtReason, SensorTrack, Verdict, new_track
from monitor.settings.reference import load_toml
from tests.sensors.sensors import AIR, RH, START_S, defaults, device, measure, reading, rules

RULES = rules()


def judged(values: list[float], quantity: Quantity = AIR, every_s: float = 30.0) -> list[Verdict]:
    readings = [reading(v, START_S + every_s * n, quantity) for n, v in enumerate(values)]
    return judge_many(new_track("bay-1", START_S), readings, RULES)[1]


def believed(verdicts: list[Verdict]) -> list[bool]:
    return [v.believed for v in verdicts]


def test_an_ordinary_reading_is_believed() -> None:
    assert judged([18.2, 18.3, 18.2]) == [Verdict(True, True, SensorStatus.GOOD, DoubtReason.NONE, "")] * 3


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -300.0, 999.0])
def test_a_value_outside_its_range_is_a_failure_with_words(value: float) -> None:
    verdict = judged([value])[0]
    assert not verdict.believed
    assert verdict.status is SensorStatus.FAILURE
    assert "outside -40.0 °C to 85.0 °C" in verdict.words


def test_a_single_glitch_costs_one_reading_only() -> None:
    assert believed(judged([18.0, 999.0, 18.1])) == [True, False, True]


def test_after_a_lasting_failure_three_good_readings_are_asked_for() -> None:
    verdicts = judged([18.0, 999.0, 999.0, 999.0, 999.0, 18.1, 18.1, 18.1])
    assert believed(verdicts) == [True, False, False, False, False, False, False, True]
    assert verdicts[5].status is SensorStatus.FUNCTION_CHECK
    assert "1 of 3" in verdicts[5].words


def test_one_spike_is_doubtful_and_the_next_reading_is_believed() -> None:
    verdicts = judged([18.0, 31.0, 18.1])
    assert believed(verdicts) == [True, False, True]
    assert verdicts[1].status is SensorStatus.OUT_OF_SPECIFICATION
    assert "jumped from 18.0 °C to 31.0 °C" in verdicts[1].words


def test_a_new_level_is_believed_once_it_has_held_for_three_readings() -> None:
    assert believed(judged([18.0, 31.0, 31.1, 31.0, 31.1])) == [True, False, False, True, True]


def test_two_different_spikes_do_not_make_a_level() -> None:
    assert believed(judged([18.0, 31.0, 5.0, 31.0, 5.0, 18.0])) == [True, False, False, False, False, True]


def test_the_bay_door_opened_in_frost_is_believed() -> None:
    """A wall sensor falling by 1.5 K in a minute and 8 %RH with it is an open door, not a fault."""
    assert all(believed(judged([12.0 - 0.75 * n for n in range(12)])))
    assert all(believed(judged([0.55 + 0.04 * n for n in range(8)], RH)))


def test_after_a_long_silence_any_level_in_range_is_believed() -> None:
    track, _ = judge(new_track("bay-1", START_S), reading(18.0, START_S), RULES)
    _, verdict = judge(track, reading(2.0, START_S + 6 * 3600.0), RULES)
    assert verdict.believed


def test_late_and_repeated_readings_do_not_move_the_present() -> None:
    track, _ = judge(new_track("bay-1", START_S), reading(18.0, START_S), RULES)
    for time_s in (START_S, START_S - 30.0, START_S - 86_400.0):
        late = reading(2.0, time_s, arrived_s=START_S + 5.0)
        after, verdict = judge(track, late, RULES)
        assert after == track
        assert (verdict.believed, verdict.current) == (True, False)
    after, verdict = judge(track, reading(999.0, START_S - 30.0, arrived_s=START_S), RULES)
    assert after == track
    assert (verdict.believed, verdict.current) == (False, False)


def test_a_reading_from_the_future_neither_counts_nor_blocks_the_next() -> None:
    track, _ = judge(new_track("bay-1", START_S), reading(18.0, START_S), RULES)
    track, verdict = judge(track, reading(18.0, START_S + 9_000.0, arrived_s=START_S + 30.0), RULES)
    assert (verdict.believed, verdict.reason) == (False, DoubtReason.CLOCK_AHEAD)
    _, verdict = judge(track, reading(18.0, START_S + 60.0), RULES)
    assert verdict.believed


def test_a_quantity_that_is_not_in_the_settings_is_not_believed() -> None:
    _, verdict = judge(new_track("bay-1", START_S), reading(0.5, START_S, Quantity.BATTERY), RULES)
    assert (verdict.believed, verdict.reason) == (False, DoubtReason.NOT_DECLARED)


def test_the_settings_own_limits_win_over_the_defaults() -> None:
    own = rules(device(measures=(measure(AIR, min=5.0, max=30.0, max_rate_per_min=0.1, accuracy=0.05),)))
    track, verdict = judge(new_track("bay-1", START_S), reading(18.0, START_S), own)
    assert verdict.believed
    track, verdict = judge(track, reading(18.3, START_S + 30.0), own)
    assert verdict.reason is DoubtReason.JUMP
    _, verdict = judge(track, reading(4.9, START_S + 60.0), own)
    assert verdict.reason is DoubtReason.OUT_OF_RANGE


def test_the_real_settings_of_a_sensor_fit() -> None:
    sensor = SensorSettings(
        id="bay-1",
        zone="slip-bay",
        measures=(MeasureSettings(quantity=AIR, unit="Cel", accuracy=0.2),),
    )
    assert rules(sensor).channels[AIR].accuracy == 0.2  # type: ignore[arg-type]


def test_a_range_the_wrong_way_round_is_named() -> None:
    with pytest.raises(InputError, match=r"bay-1: air_temperature_c range: found 30 to 5"):
        rules(device(measures=(measure(AIR, min=30.0, max=5.0),)))


def test_every_fault_in_the_defaults_is_named() -> None:
    data = {
        "quantities": {"air_temperature_c": {"minimum": {"value": 1.0}}, "lux": {}},
        "judging": {"hold_n": 3},
    }
    with pytest.raises(InputError) as error:
        defaults_from(data)
    fields = {fault.field for fault in error.value.faults}
    assert {"quantities.lux", "quantities.air_temperature_c.minimum"} <= fields
    assert {"judging.coverage", "stillness.known_s"} <= fields


def test_every_default_says_where_it_comes_from() -> None:
    data = load_toml("quality.toml")
    rows = [row for table in data["quantities"].values() for row in table.values()]
    for row in [*rows, *data["judging"].values(), *data["stillness"].values()]:
        assert row["status"] in {"published", "common practice", "from memory"}
        assert row["source"]
        assert row["unit"]


def test_standard_uncertainty_of_a_uniform_distribution() -> None:
    """JCGM 100:2008, 4.4.5: half width a gives a/√3; F.2.2.1: a last digit δ gives 0.29 δ."""
    humidity = RULES.channels[RH]
    assert standard_uncertainty(humidity, 0.5) == pytest.approx(0.02 / math.sqrt(3.0))
    assert standard_uncertainty(humidity, 0.9) == pytest.approx(0.04 / math.sqrt(3.0))
    fine = standard_uncertainty(humidity, 0.5)
    coarse = standard_uncertainty(humidity, 0.5, resolution=0.01)
    assert math.sqrt(coarse**2 - fine**2) == pytest.approx(0.29 * 0.01, rel=0.01)


def test_a_makers_single_figure_keeps_the_usual_widening_towards_both_ends() -> None:
    own = rules(device(measures=(measure(RH, accuracy=0.03),)))
    assert own.channels[RH].accuracy_outer == pytest.approx(0.06)
    assert defaults().limits[RH]["accuracy_outer"] == 0.04


values = st.one_of(
    st.floats(-60.0, 120.0), st.sampled_from([math.nan, math.inf, 18.0, 18.1, 31.0]), st.floats(17.5, 18.5)
)
steps = st.sampled_from([-3600.0, -30.0, 0.0, 1.0, 30.0, 600.0, 90_000.0])


@given(st.lists(st.tuples(values, steps, st.sampled_from([AIR, RH])), max_size=60))
def test_any_readings_keep_the_laws(rows: list[tuple[float, float, Quantity]]) -> None:
    track, now_s = new_track("bay-1", START_S), START_S
    for value, step_s, quantity in rows:
        now_s += step_s
        before = track.channels.get(quantity)
        track, verdict = judge(track, reading(value, now_s, quantity), RULES)
        after = track.channels[quantity]
        limits = RULES.channels[quantity]
        if verdict.believed:
            assert limits.minimum <= value <= limits.maximum
            assert verdict.status is SensorStatus.GOOD
        else:
            assert verdict.words
            assert verdict.status is not SensorStatus.GOOD
        if before is not None:
            assert after.last_time_s >= before.last_time_s
            if not verdict.current:
                assert after == before
        coded = msgspec.msgpack.encode(track)
        assert msgspec.msgpack.decode(coded, type=SensorTrack) == track or any(
            v != v for c in track.channels.values() for v in c if isinstance(v, float)
        )
