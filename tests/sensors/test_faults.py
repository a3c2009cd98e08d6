"""Each fault of a sensor, and what must be shown: whether its numbers are believed, its status, its cause."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import pytest

from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorStatus
from monitor.sensors.device_clock import dated, may_tell_of_the_past
from monitor.sensors.health import tick
from monitor.sensors.judge import judge
from monitor.sensors.quality_rules import SensorRules
from monitor.sensors.track import DoubtReason, SensorTrack, new_track
from tests.sensors.sensors import AIR, RH, START_S, device, rules

HOUR_S = 3600.0
OPEN, CABINET = rules(), rules(steady_place=True)
EVERY_S = 30.0
Course = Callable[[int], tuple[float | None, float | None]]  # by n: temperature and humidity


def lively(n: int) -> float:
    return 0.01 * (n % 7) + 0.02 * (n % 3)


@dataclass(frozen=True)
class Outcome:
    """What a fault leads to at the end of its time."""

    track: SensorTrack
    believed: int  # of the last ten readings
    first_s: float | None  # after which time the status was first this one


def messages(course: Course, hours: float, lag: Callable[[float], float]) -> Iterator[list[Reading]]:
    for n in range(int(hours * HOUR_S / EVERY_S)):
        arrived_s = START_S + n * EVERY_S
        yield [
            Reading(SeriesKey("slip-bay", "bay-1", q), arrived_s - lag(arrived_s), arrived_s, v, n, True)
            for q, v in zip((AIR, RH), course(n), strict=True)
            if v is not None
        ]


def run(
    course: Course,
    hours: float = 1.0,
    sensor_rules: SensorRules = OPEN,
    lag: Callable[[float], float] = lambda _: 0.0,
    peers: Callable[[float], list[SensorTrack]] = lambda _: [],
) -> Outcome:
    track, recent, first_s = new_track("bay-1", START_S), [], START_S
    for n, message in enumerate(messages(course, hours, lag)):
        now_s = START_S + n * EVERY_S
        for reading in message:
            track, as_judged = dated(track, reading, sensor_rules)
            track, verdict = judge(track, as_judged, sensor_rules)
            recent.append(verdict.believed and verdict.current)
        before = track.reason
        track, _ = tick(track, sensor_rules, now_s + 1.0, peers(now_s))
        if track.reason is not before:
            first_s = now_s
    return Outcome(track, sum(recent[-10:]), first_s - START_S)


FAIL, OUT, CARE, CHECK = (
    SensorStatus.FAILURE,
    SensorStatus.OUT_OF_SPECIFICATION,
    SensorStatus.MAINTENANCE_REQUIRED,
    SensorStatus.FUNCTION_CHECK,
)
HUMID: Course = lambda n: (15.0 + lively(n), 0.85 + 0.01 * lively(n))  # noqa: E731


@pytest.mark.parametrize(
    ("course", "hours", "place", "status", "words"),
    [
        pytest.param(lambda n: (15.0 + lively(n), 0.0), 1, OPEN, OUT, "dead element", id="dead at 0 %RH"),
        pytest.param(
            lambda n: (15.0 + lively(n), 0.85 if n < 40 else 0.0), 1, OPEN, OUT, "dead or unplugged",
            id="died at 0 %RH",
        ),
        pytest.param(
            lambda n: (15.0 + lively(n), 0.30 if n < 40 else 0.0), 2, CABINET, OUT, "end of its range",
            id="died at 0 %RH in a cabinet",
        ),
        pytest.param(
            lambda n: (15.0 + lively(n), 0.0061 + 1e-5 * lively(n)), 1, OPEN, OUT,
            'fraction sent as percent? send 61 or give the unit as "/"', id="a fraction sent as percent",
        ),
        pytest.param(
            lambda n: (15.0 + lively(n), 0.0061 + 1e-5 * lively(n)), 1, CABINET, OUT,
            "hold the sensor in room air once", id="a fraction sent as percent from a cabinet",
        ),
        pytest.param(
            lambda n: (68.0 + lively(n), 0.61 + 0.01 * lively(n)), 1, OPEN, OUT, "Fahrenheit",
            id="68 °F sent as °C",
        ),
        pytest.param(
            lambda n: (80.0 + lively(n), 0.15 + 0.01 * lively(n)), 1, OPEN, OUT, "swapped with humidity",
            id="temperature and humidity swapped",
        ),
        pytest.param(
            lambda n: (293.0 + lively(n), 0.61), 1, OPEN, FAIL, "out of range", id="kelvin sent as °C"
        ),
        pytest.param(lambda n: (85.0, 0.61 + 0.01 * lively(n)), 1, OPEN, OUT, "hotter", id="power-on 85 °C"),
        pytest.param(
            lambda n: (15.0 + lively(n), 1.0), 30, OPEN, CARE, "taken as wet", id="a day at 100 %RH, alone"
        ),
        pytest.param(
            lambda n: (15.23 + lively(n) * (n < 99), 0.8512 + 0.01 * lively(n) * (n < 99)), 4, OPEN, FAIL,
            "has stood still", id="frozen",
        ),
        pytest.param(
            lambda n: (18.0, 0.5), 13, OPEN, FAIL, "has stood still", id="frozen from the first on"
        ),
        pytest.param(lambda n: (None, None), 0.05, OPEN, CHECK, "not heard yet", id="never heard, so far"),
        pytest.param(lambda n: (None, None), 1, OPEN, FAIL, "no reading since", id="never heard"),
        pytest.param(
            lambda n: HUMID(n) if n < 40 else (None, None), 1, OPEN, FAIL, "no reading for more than",
            id="silent",
        ),
        pytest.param(
            lambda n: (15.0 + (30.0 * (n % 2)), 0.6), 1, OPEN, CARE, "doubtful", id="swinging to and fro"
        ),
    ],
)  # fmt: skip
def test_a_fault_is_named_and_its_numbers_are_not_shown_as_safe(
    course: Course, hours: float, place: SensorRules, status: SensorStatus, words: str
) -> None:
    health = run(course, hours, place).track.health
    assert health is not None
    assert health.status is status
    assert words in health.reason


@pytest.mark.parametrize(
    ("course", "place"),
    [
        pytest.param(lambda n: (15.0 + lively(n), 0.35 - 0.0005 * min(n, 698)), CABINET, id="dry cabinet"),
        pytest.param(lambda n: (150.0 + lively(n), 0.0036), CABINET, id="oven at 150 °C, dew point 15 °C"),
        pytest.param(lambda n: (15.0 + lively(n), 1.0), OPEN, id="a night of fog"),
        pytest.param(
            lambda n: (22.0 + lively(n), 0.039 + 0.001 * lively(n)), OPEN, id="heated in hard frost"
        ),
    ],
)
def test_what_is_genuine_at_the_ends_of_the_range_is_believed(course: Course, place: SensorRules) -> None:
    found = run(course, 8.0, place)
    assert found.track.health is not None
    assert found.track.health.status is SensorStatus.GOOD
    assert found.believed == 10


def test_a_wet_element_with_a_drier_neighbour_is_out_of_specification_after_the_usual_wait() -> None:
    def neighbour(now_s: float) -> list[SensorTrack]:
        track = new_track("bay-2", START_S)
        for quantity, value in ((AIR, 15.0), (RH, 0.6)):
            reading = Reading(SeriesKey("slip-bay", "bay-2", quantity), now_s, now_s, value)
            track, _ = judge(track, reading, OPEN)
        return [track]

    health = run(lambda n: (15.0 + lively(n), 1.0), 6.5, peers=neighbour).track.health
    assert health is not None
    assert (health.status, "drier neighbour" in health.reason) == (OUT, True)


@pytest.mark.parametrize(
    ("lag", "words"),
    [
        pytest.param(lambda _: HOUR_S, "60 min behind", id="an hour behind"),
        pytest.param(lambda _: 86_400.0, "24 h behind", id="a day behind"),
        pytest.param(lambda _: 10 * 86_400.0, "10 days behind", id="ten days behind"),
        pytest.param(lambda _: -200.0, "3 min ahead", id="minutes ahead"),
        pytest.param(
            lambda t: HOUR_S if t > START_S + 1800.0 else 0.0, "60 min behind", id="set back an hour"
        ),
        pytest.param(lambda t: 3600.0 + 977.0 * (t // 30 % 5), "jumps", id="jumping"),
    ],
)
def test_a_device_whose_clock_is_wrong_is_named_and_judged_by_arrival(
    lag: Callable[[float], float], words: str
) -> None:
    found = run(HUMID, 1.0, lag=lag)
    assert found.track.health is not None
    assert found.track.health.status is SensorStatus.MAINTENANCE_REQUIRED
    assert words in found.track.health.reason
    assert "judged by arrival" in found.track.health.reason
    assert found.believed == 10
    newest_s = found.track.channels[AIR].last_time_s
    assert newest_s == START_S + HOUR_S - EVERY_S


def test_a_wrong_clock_fills_no_gap_of_the_past_and_a_backlog_does() -> None:
    """Until its clock is found wrong, a device a day behind would tell of the air of yesterday."""
    track, told = new_track("bay-1", START_S), 0
    for n in range(10):
        arrived_s = START_S + EVERY_S * n
        key = SeriesKey("slip-bay", "bay-1", AIR)
        track, as_judged = dated(track, Reading(key, arrived_s - 86_400.0, arrived_s, 15.0, n, True), OPEN)
        told += may_tell_of_the_past(track.clock) and as_judged.time_s < arrived_s - HOUR_S
    assert told == 0
    track, told = new_track("bay-1", START_S), 0
    for n in range(100):
        stamp_s = START_S - HOUR_S + EVERY_S * n
        track, _ = dated(track, Reading(key, stamp_s, START_S, 15.0, n, True), OPEN)
        told += may_tell_of_the_past(track.clock)
    assert told == 99


@pytest.mark.parametrize("times_as_fast", [2.0, 10.0, 1000.0])
def test_a_backlog_that_catches_up_is_no_clock_fault(times_as_fast: float) -> None:
    """A day's backlog is sent faster than time runs; it is late and stays dated as it was measured."""
    track = new_track("bay-1", START_S)
    sent = 0
    stamp_s, arrived_s = START_S - 6 * HOUR_S, START_S
    while stamp_s < arrived_s and sent < 5000:
        reading = Reading(SeriesKey("slip-bay", "bay-1", AIR), stamp_s, arrived_s, 15.0, sent, True)
        track, as_judged = dated(track, reading, OPEN)
        assert as_judged.time_s == stamp_s
        stamp_s += EVERY_S
        arrived_s += EVERY_S / times_as_fast
        sent += 1
    assert not track.clock.wrong
    assert not track.clock.jumps


def test_a_gateway_that_gathers_for_a_quarter_of_an_hour_is_no_clock_fault() -> None:
    track = new_track("bay-1", START_S)
    for batch in range(20):
        arrived_s = START_S + 900.0 * (batch + 1)
        for n in range(30):
            stamp_s = arrived_s - 900.0 + 30.0 * (n + 1)
            reading = Reading(SeriesKey("slip-bay", "bay-1", AIR), stamp_s, arrived_s, 15.0, n, True)
            track, as_judged = dated(track, reading, OPEN)
            assert as_judged.time_s == stamp_s
    assert not track.clock.wrong


def test_a_clock_set_right_is_believed_again_at_once() -> None:
    found = run(HUMID, 1.0, lag=lambda t: HOUR_S if t < START_S + 1800.0 else 0.0)
    assert found.track.health is not None
    assert found.track.health.status is SensorStatus.GOOD
    assert found.believed == 10


def test_a_fine_sensor_that_freezes_is_found_within_hours_not_within_a_day() -> None:
    frozen = lambda n: (15.23 + lively(n) * (n < 99), 0.8512 + 0.01 * lively(n) * (n < 99))  # noqa: E731
    found = run(frozen, 6.0)
    assert found.track.reason is DoubtReason.STUCK
    assert found.first_s is not None
    assert found.first_s - 99 * EVERY_S <= 2.1 * HOUR_S


def test_from_one_end_of_the_range_to_the_other_the_time_counts_anew() -> None:
    swings = lambda n: (15.0 + lively(n), 0.5 if n < 10 else 1.0 if n < 100 else 0.0)  # noqa: E731
    found = run(swings, 0.9, CABINET)
    assert found.track.channels[RH].end_since_s >= START_S + 100 * EVERY_S


def test_a_unit_once_proved_stays_proved() -> None:
    dried = lambda n: (15.0 + lively(n), max(0.005, 0.4 - 0.001 * n) + 1e-4 * lively(n))  # noqa: E731
    found = run(dried, 6.0, CABINET)
    assert found.track.channels[Quantity.RELATIVE_HUMIDITY].highest >= 0.4
    assert found.believed == 10


def test_a_sensor_of_one_quantity_is_judged_alone() -> None:
    only = rules(device(measures=tuple(m for m in device().measures if m.quantity is RH)))
    found = run(lambda n: (None, 0.6 + 0.01 * lively(n)), 1.0, only)
    assert found.believed == 10
