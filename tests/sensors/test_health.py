"""What is said of a sensor by the clock (status signals of NAMUR NE 107)."""

import csv
import gzip
import math
import os
import random
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import msgspec
import pytest

from monitor.model.reading import Quantity
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.sensors.agreement import Apart, PeerReading, compare, remembered
from monitor.sensors.health import resumed, tick
from monitor.sensors.judge import judge
from monitor.sensors.quality_rules import SensorRules
from monitor.sensors.track import DoubtReason, SensorTrack, new_track
from tests.sensors.sensors import AIR, BATTERY, RH, SKIN, START_S, defaults, device, measure, reading, rules

HOUR_S = 3600.0
RULES = rules()
Rows = Iterable[tuple[float, dict[Quantity, float]]]


def run(
    rows: Rows, sensor_rules: SensorRules = RULES, track: SensorTrack | None = None
) -> tuple[SensorTrack, list[SensorHealth]]:
    """Judge rows of (time, values), ticking after each; the changes of health."""
    track = track or new_track("bay-1", START_S)
    changes = []
    for time_s, values in rows:
        for quantity, value in values.items():
            track, _ = judge(track, reading(value, time_s, quantity), sensor_rules)
        track, change = tick(track, sensor_rules, time_s)
        if change is not None:
            changes.append(change)
    return track, changes


def statuses(changes: list[SensorHealth]) -> list[SensorStatus]:
    return [change.status for change in changes]


def weather(n: int, digits: int = 2, seed: int = 1) -> list[dict[Quantity, float]]:
    """A day's course of a bay, every minute, with sensor noise."""
    chance = random.Random(seed)
    rows = []
    for k in range(n):
        phase = 2.0 * math.pi * k / 1440.0
        temperature = 15.0 + 4.0 * math.sin(phase) + chance.gauss(0.0, 0.03)
        humidity = 0.65 - 0.12 * math.sin(phase) + chance.gauss(0.0, 0.003)
        rows.append({AIR: round(temperature, digits), RH: round(humidity, digits + 2)})
    return rows


def timed(rows: list[dict[Quantity, float]], start_s: float = START_S) -> Rows:
    return [(start_s + 60.0 * n, row) for n, row in enumerate(rows)]


def test_a_working_sensor_is_good_and_stays_so() -> None:
    _, changes = run(timed(weather(3 * 1440)))
    assert statuses(changes) == [SensorStatus.GOOD]


def test_silence_is_a_failure_since_the_last_reading_and_the_next_reading_ends_it() -> None:
    track, _ = run(timed(weather(10)))
    last_s = START_S + 9 * 60.0
    track, change = tick(track, RULES, last_s + 300.0)
    assert change is None
    track, change = tick(track, RULES, last_s + 301.0)
    assert change is not None
    assert (change.status, change.since_s) == (SensorStatus.FAILURE, last_s)
    assert change.reason == "no reading for more than 5 min"
    track, again = tick(track, RULES, last_s + 4000.0)
    assert again is None
    _, changes = run([(last_s + 4060.0, {AIR: 15.0, RH: 0.6})], track=track)
    assert statuses(changes) == [SensorStatus.GOOD]


def test_a_sensor_that_never_spoke_is_a_failure_too() -> None:
    track, change = tick(new_track("bay-1", START_S), RULES, START_S + 10.0)
    assert change is not None
    assert (change.status, track.reason) == (SensorStatus.FUNCTION_CHECK, DoubtReason.NOT_HEARD_YET)
    _, change = tick(track, RULES, START_S + 301.0)
    assert change is not None
    assert "no reading since it was set up" in change.reason


def test_a_pause_of_the_service_is_not_held_against_the_sensor() -> None:
    track, _ = run(timed(weather(10)))
    later_s = START_S + 8 * HOUR_S
    track, change = tick(resumed(track, later_s), RULES, later_s + 10.0)
    assert change is None
    _, change = tick(track, RULES, later_s + 301.0)
    assert change is not None
    assert change.status is SensorStatus.FAILURE


def test_a_clock_set_back_does_not_blind_the_sensor() -> None:
    track, _ = run(timed(weather(120)))
    back_s = START_S + 3600.0
    track, _ = tick(track, RULES, back_s)
    track, verdict = judge(track, reading(15.0, back_s + 60.0), RULES)
    assert verdict.current


@pytest.mark.parametrize("frozen", [{AIR}, {RH}, {AIR, RH}])
def test_a_sensor_that_sticks_while_the_air_moves_is_found(frozen: set[Quantity]) -> None:
    rows = weather(3 * 1440)
    stuck_at = rows[2000]
    for row in rows[2000:]:
        row.update({quantity: stuck_at[quantity] for quantity in frozen})
    _, changes = run(timed(rows))
    assert statuses(changes) == [SensorStatus.GOOD, SensorStatus.FAILURE]
    assert "has stood still" in changes[1].reason
    assert changes[1].since_s == START_S + 2000 * 60.0


def test_a_stuck_value_is_doubted_and_moving_again_ends_it() -> None:
    rows = weather(3 * 1440)
    for row in rows[2000:]:
        row[RH] = rows[2000][RH]
    track, _ = run(timed(rows))
    end_s = START_S + 3 * 1440 * 60.0
    track, verdict = judge(track, reading(rows[2000][RH], end_s, RH), RULES)
    assert (verdict.believed, verdict.reason) == (False, DoubtReason.STUCK)
    track, changes = run(timed(weather(10, seed=2), end_s + 60.0), track=track)
    assert statuses(changes) == [SensorStatus.GOOD]


def test_a_steady_oven_is_not_called_stuck() -> None:
    oven = rules(device(measures=(measure(AIR), measure(RH))), steady_place=True)
    rows = [{AIR: 120.0, RH: 0.01} for _ in range(3 * 1440)]
    _, changes = run(timed(rows), oven)
    assert statuses(changes) == [SensorStatus.GOOD]


def test_an_oven_on_a_whole_degree_thermostat_is_not_called_stuck() -> None:
    oven = rules(device(measures=(measure(AIR, max=400.0),)), steady_place=True)
    rows = [{AIR: 120.0 + (n // 400) % 2} for n in range(4 * 1440)]
    _, changes = run(timed(rows), oven)
    assert statuses(changes) == [SensorStatus.GOOD]


def test_a_coarse_sensor_in_a_steady_store_is_not_called_stuck() -> None:
    """Whole percents and half degrees stand still for hours in a dry, heated store."""
    rows = [{AIR: 20.0 + 0.5 * (n // 700 % 2), RH: 0.40 + 0.01 * (n // 500 % 2)} for n in range(6 * 1440)]
    _, changes = run(timed(rows))
    assert statuses(changes) == [SensorStatus.GOOD]


def test_a_night_of_fog_at_a_hundred_percent_is_not_called_stuck() -> None:
    rows = weather(1440)
    for row in rows:
        row[RH] = 1.0
    _, changes = run(timed(rows))
    assert statuses(changes) == [SensorStatus.GOOD]


def test_a_still_probe_is_stuck_only_if_a_neighbour_moved() -> None:
    probe_rules = rules(device(measures=(measure(SKIN),)))
    track, _ = run(timed([{SKIN: 15.0}] * 800), probe_rules)
    now_s = START_S + 799 * 60.0
    track, change = tick(track, probe_rules, now_s, ())
    assert change is None
    neighbour, _ = run(timed([{SKIN: r[AIR]} for r in weather(800)]), probe_rules)
    _, change = tick(track, probe_rules, now_s, (neighbour,))
    assert change is not None
    assert change.status is SensorStatus.FAILURE


def test_readings_that_keep_coming_without_one_to_believe_are_a_failure() -> None:
    rows = timed(weather(10) + [{AIR: 999.0, RH: 0.6}] * 10)
    _, changes = run(rows)
    assert statuses(changes) == [SensorStatus.GOOD, SensorStatus.FAILURE]
    assert "out of range" in changes[1].reason


def test_settling_after_a_failure_is_a_function_check_and_then_good() -> None:
    rows = timed(weather(10) + [{AIR: 999.0, RH: 0.6}] * 10 + [{AIR: 15.0, RH: 0.6}] * 4)
    _, changes = run(rows)
    assert statuses(changes)[1:] == [
        SensorStatus.FAILURE,
        SensorStatus.FUNCTION_CHECK,
        SensorStatus.GOOD,
    ]


def test_one_spike_does_not_change_what_is_said_of_the_sensor() -> None:
    rows = weather(60)
    rows[30][AIR] += 15.0
    _, changes = run(timed(rows))
    assert statuses(changes) == [SensorStatus.GOOD]


def test_many_spikes_within_the_hour_call_for_maintenance() -> None:
    rows = weather(60)
    for n in range(10, 50, 4):
        rows[n][AIR] += 15.0
    _, changes = run(timed(rows))
    assert SensorStatus.MAINTENANCE_REQUIRED in statuses(changes)
    assert "doubtful readings within the hour" in changes[1].reason


def test_calibration_falls_due_at_midnight_after_its_days() -> None:
    due = rules(device(calibrated_on=date(2024, 10, 10), calibration_days=365))
    assert due.calibration_due_s == 1_760_054_400.0  # 2025-10-10T00:00Z
    track, changes = run([(1_760_054_399.0, {AIR: 15.0, RH: 0.6})], due)
    assert statuses(changes) == [SensorStatus.GOOD]
    _, changes = run([(1_760_054_400.0, {AIR: 15.0, RH: 0.6})], due, track)
    assert [(c.status, c.reason) for c in changes] == [
        (SensorStatus.MAINTENANCE_REQUIRED, "calibration is due")
    ]


def test_a_low_battery_calls_for_maintenance_and_its_readings_stay_believed() -> None:
    sensor_rules = rules(device(measures=(measure(AIR), measure(BATTERY))))
    track, changes = run([(START_S, {AIR: 15.0, BATTERY: 0.08})], sensor_rules)
    assert [(c.status, c.reason) for c in changes] == [
        (SensorStatus.MAINTENANCE_REQUIRED, "battery down to 8.0 %")
    ]
    assert judge(track, reading(15.0, START_S + 30.0), sensor_rules)[1].believed


def test_the_worst_status_is_shown_and_the_others_are_told() -> None:
    sensor_rules = rules(device(calibrated_on=date(2020, 1, 1)))
    track, _ = run(timed(weather(5)), sensor_rules)
    _, change = tick(track, sensor_rules, START_S + 4000.0)
    assert change is not None
    assert change.status is SensorStatus.FAILURE
    assert "no reading for" in change.reason
    assert "also: calibration is due" in change.reason


JUDGING = defaults().judging


def test_neighbours_within_their_uncertainty_and_the_rooms_spread_agree() -> None:
    assert compare([PeerReading("a", 15.0, 0.2), PeerReading("b", 16.5, 0.2)], JUDGING) == {}
    assert compare([PeerReading("a", 15.0, 0.2)], JUDGING) == {}


def test_of_two_that_differ_both_are_named_and_neither_is_called_wrong() -> None:
    found = compare([PeerReading("a", 15.0, 0.2), PeerReading("b", 21.0, 0.2)], JUDGING)
    assert set(found) == {"a", "b"}
    assert not any(apart.odd_one for apart in found.values())
    assert "6.0 K from b" in found["a"].words


def test_of_three_the_odd_one_out_is_named_alone() -> None:
    found = compare(
        [PeerReading("a", 15.0, 0.2), PeerReading("b", 15.4, 0.2), PeerReading("c", 21.0, 0.2)], JUDGING
    )
    assert set(found) == {"c"}
    assert found["c"].odd_one


def test_a_lasting_odd_one_out_is_kept_out_of_decisions_until_it_agrees_again() -> None:
    track, _ = run(timed(weather(10)))
    now_s = START_S + 540.0
    apart = Apart(True, "air temperature differs by 6.0 K from the 2 others in its air")
    for minute in range(32):
        now_s = START_S + 540.0 + 60.0 * minute
        track, _ = judge(track, reading(15.0, now_s), RULES)
        track, _ = judge(track, reading(0.6, now_s, RH), RULES)
        track, _ = tick(remembered(track, apart, now_s), RULES, now_s)
    assert track.health is not None
    assert track.health.status is SensorStatus.OUT_OF_SPECIFICATION
    _, verdict = judge(track, reading(15.0, now_s + 60.0), RULES)
    assert (verdict.believed, verdict.words) == (False, apart.words)
    track, change = tick(remembered(track, None, now_s), RULES, now_s)
    assert change is not None
    assert change.status is SensorStatus.GOOD
    assert judge(track, reading(15.0, now_s + 60.0), RULES)[1].believed


def test_two_that_differ_call_for_maintenance_and_stay_in_use() -> None:
    track, _ = run(timed(weather(10)))
    now_s = START_S + 540.0
    track = remembered(track, Apart(False, "differs"), now_s - 1800.0)
    track, change = tick(track, RULES, now_s)
    assert change is not None
    assert change.status is SensorStatus.MAINTENANCE_REQUIRED
    assert judge(track, reading(15.0, now_s + 60.0), RULES)[1].believed


def test_a_track_survives_a_restart_at_any_moment() -> None:
    rows = weather(2400)
    for n in range(100, 110):
        rows[n][AIR] = 999.0
    for row in rows[1800:]:
        row[RH] = rows[1800][RH]
    plain, changes = run(timed(rows))
    track, again = new_track("bay-1", START_S), []
    for time_s, row in timed(rows):
        coded = msgspec.msgpack.encode(track)
        track, more = run([(time_s, row)], track=msgspec.msgpack.decode(coded, type=SensorTrack))
        again += more
    assert (track, again) == (plain, changes)


@pytest.mark.skipif("DRYSHIFT_OPEN_DATA" not in os.environ, reason="DRYSHIFT_OPEN_DATA is not set")
def test_four_months_of_a_measured_house_are_believed() -> None:
    """Five rooms, 10-minute means; Candanedo et al. 2017, doi:10.1016/j.enbuild.2017.01.083.

    The bathroom's real showers move humidity by tens of percent in ten minutes and must pass.
    """
    path = Path(os.environ["DRYSHIFT_OPEN_DATA"]) / "house_rooms_1_to_5.csv.gz"
    with gzip.open(path, "rt", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    slow = replace(RULES, stale_after_s=1800.0)
    for room in range(1, 6):
        rows = [
            (START_S + 600.0 * n, {AIR: float(row[f"T{room}"]), RH: float(row[f"RH_{room}"]) / 100.0})
            for n, row in enumerate(table)
        ]
        doubted = 0
        track, changes = new_track("bay-1", START_S), []
        for time_s, values in rows:
            for quantity, value in values.items():
                track, verdict = judge(track, reading(value, time_s, quantity), slow)
                doubted += not verdict.believed
            track, change = tick(track, slow, time_s)
            changes += [change] if change else []
        assert doubted == 0
        assert statuses(changes) == [SensorStatus.GOOD]
