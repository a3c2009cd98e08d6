"""A good sensor is looked at closely only where a closer look could find something."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.model.reading import Reading, SeriesKey
from monitor.sensors import health
from monitor.sensors.agreement import Apart, remembered
from monitor.sensors.device_clock import dated
from monitor.sensors.judge import judge
from monitor.sensors.track import SensorTrack, new_track
from tests.sensors.sensors import AIR, BATTERY, RH, START_S, device, measure, rules

SENSOR = replace(
    rules(device(measures=(measure(AIR), measure(RH), measure(BATTERY)))),
    calibration_due_s=START_S + 90_000.0,
)
TURNS = st.lists(
    st.tuples(
        st.sampled_from(("hear", "hear", "hear", "hear", "wait", "differ", "agree")),
        st.sampled_from((10.0, 30.0, 30.0, 30.0, 600.0, 4_000.0, 20_000.0, -300.0)),  # later
        st.sampled_from((18.0, 18.0, 18.3, 19.0, 24.0, 95.0, -60.0)) | st.floats(15.0, 25.0),
        st.sampled_from((0.5, 0.5, 0.53, 0.0, 1.0, 1.3)) | st.floats(0.3, 0.9),
        st.sampled_from((0.9, 0.9, 0.02)),
        st.sampled_from((0.0, 0.0, 0.0, 120.0, 7_200.0, -500.0)),  # how far its clock is behind
    ),
    max_size=60,
)
Turn = tuple[str, float, float, float, float, float]


def played(turns: list[Turn]) -> list[object]:
    """Every health that is told, and the track after every tick."""
    track, peer, now_s, told = new_track("bay-1", START_S), new_track("bay-2", START_S), START_S, []
    for what, later_s, warm, damp, charge, behind_s in turns:
        now_s += later_s
        if what == "hear":
            track = heard(track, now_s, (warm, damp, charge), behind_s)
            peer = heard(peer, now_s, (18.0 + now_s % 7, 0.4 + now_s % 11 / 50.0, 0.9), 0.0)
        elif what != "wait":
            apart = Apart(damp > 0.5, "differs") if what == "differ" else None
            track = remembered(track, apart, now_s)
        track, changed = health.tick(track, SENSOR, now_s, [peer])
        told.append((track, changed))
    return told


def heard(track: SensorTrack, now_s: float, values: tuple[float, ...], behind_s: float) -> SensorTrack:
    for quantity, value in zip((AIR, RH, BATTERY), values, strict=True):
        key = SeriesKey("slip-bay", track.sensor, quantity)
        received = Reading(key, now_s - behind_s, now_s, value, time_from_device=True)
        track, reading = dated(track, received, SENSOR)
        track, _ = judge(track, reading, SENSOR)
    return track


@given(TURNS)
def test_passing_over_good_sensors_tells_what_looking_closely_at_every_tick_tells(turns: list[Turn]) -> None:
    quickly = played(turns)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(health, "still_good", lambda *_: False)
        assert played(turns) == quickly


def test_a_good_sensor_is_passed_over_until_its_silence_is_too_long() -> None:
    track = new_track("bay-1", START_S)
    for n in range(4):
        track = heard(track, START_S + 30.0 * n, (18.0 + n, 0.5 + n / 100.0, 0.9), 0.0)
    last_s = START_S + 90.0
    track, _ = health.tick(track, SENSOR, last_s)
    assert health.still_good(track, SENSOR, last_s + SENSOR.stale_after_s)
    assert not health.still_good(track, SENSOR, last_s + SENSOR.stale_after_s + 1.0)
