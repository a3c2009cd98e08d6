"""One sensor cannot fill the store, and what is left out of a flood hides nothing that matters."""

import json

import pytest

from monitor.engine.page_answers import with_remarks
from monitor.model.level import Level
from monitor.model.picture import Picture, ZoneNow
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.mqtt.arrivals import RepeatGuard
from monitor.mqtt.intake import Intake
from monitor.mqtt.pending_batch import PendingBatch
from monitor.mqtt.rate_budget import Budget, allowance_from
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.settings.reference import load_toml
from tests.mqtt.yard import NOW_S, sensor, settings_with, topic

AIR, HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY
FLOOD_PER_S = 4_900
ALLOWED = allowance_from(load_toml("quality.toml"))


def message(at_s: float, humidity: float, *, stamp_s: float | None = None) -> list[Reading]:
    time_s = at_s if stamp_s is None else stamp_s
    return [
        Reading(SeriesKey("slip-bay", "bay-1", quantity), time_s, at_s, value, None, stamp_s is not None)
        for quantity, value in ((AIR, 15.0), (HUMIDITY, humidity))
    ]


def test_a_flood_stores_no_more_than_its_budget_and_counts_what_it_leaves_out() -> None:
    budget = Budget({"bay-1": 30.0}, ALLOWED)
    sent = 120 * FLOOD_PER_S
    kept = sum(bool(budget.admit(message(NOW_S + n / FLOOD_PER_S, 0.6))) for n in range(sent))
    assert kept <= ALLOWED.held_n + 121 + 2
    assert budget.left_out["bay-1"] == sent - kept


def test_a_flood_hides_neither_a_peak_nor_its_last_second() -> None:
    budget = Budget({"bay-1": 30.0}, ALLOWED)
    stored: list[Reading] = []
    for n in range(60 * FLOOD_PER_S):
        peak = n == 50 * FLOOD_PER_S + 77
        stored += budget.admit(message(NOW_S + n / FLOOD_PER_S, 0.97 if peak else 0.60))
    humid = [one for one in stored if one.key.quantity is HUMIDITY]
    assert max(one.value for one in humid) == 0.97
    assert NOW_S + 60.0 - humid[-1].arrived_s <= 1.0


def test_a_month_without_a_broker_is_stored_whole() -> None:
    budget = Budget({"bay-1": 30.0}, ALLOWED)
    month = 30 * 2880
    for n in range(month):
        stamp_s = NOW_S - 30.0 * (month - n)
        assert len(budget.admit(message(NOW_S + n / 5000, 0.6, stamp_s=stamp_s))) == 2


def test_a_sensor_ten_times_as_fast_as_its_settings_say_is_stored_whole() -> None:
    budget = Budget({"bay-1": 0.5}, ALLOWED)
    for n in range(100_000):
        assert budget.admit(message(NOW_S + n * 0.5 / ALLOWED.earned_per_interval, 0.6))


def own(at_s: float | None, humidity: object, sequence: int | None = None) -> bytes:
    quantities = {
        "air_temperature": {"value": 15.0, "unit": "Cel"},
        "relative_humidity": {"value": humidity, "unit": "%RH"},
    }
    stamp = {} if at_s is None else {"time": at_s}
    number = {} if sequence is None else {"sequence": sequence}
    return json.dumps({**stamp, **number, "quantities": quantities}).encode()


def remarks_after(payloads: list[tuple[float, bytes]]) -> str:
    intake = Intake(SensorCatalogue.from_settings(settings_with(sensor("slip-1"))), RepeatGuard())
    for arrived_s, payload in payloads:
        intake.take(
            topic("slip-1"), payload, retained=False, arrived_s=arrived_s, into=PendingBatch(), delivery=None
        )
    return intake.remarked(payloads[-1][0]).get("slip-1", "")


@pytest.mark.parametrize(
    ("payloads", "words"),
    [
        pytest.param([(NOW_S + n, b"no json") for n in range(12)], "12 messages were", id="nonsense"),
        pytest.param([(NOW_S, own(NOW_S, "wet"))], "relative_humidity", id="one number is text"),
        pytest.param([(NOW_S, own(NOW_S + 3600.0, 61.0))], "60 min ahead", id="an hour ahead"),
        pytest.param([(NOW_S, own(1000.0, 61.0))], "behind", id="never set"),
        pytest.param(
            [(NOW_S + n, own(None, 61.0, 7)) for n in range(20)], "sequence number stands still", id="stuck"
        ),
        pytest.param(
            [(NOW_S + n / FLOOD_PER_S, own(None, 61.0)) for n in range(25_000)], "left out", id="flood"
        ),
        pytest.param([(NOW_S + n, own(NOW_S + n, 61.0, n)) for n in range(20)], "", id="sound"),
    ],
)  # fmt: skip
def test_what_readings_cannot_tell_of_a_sensor_is_remarked(
    payloads: list[tuple[float, bytes]], words: str
) -> None:
    found = remarks_after(payloads)
    assert words in found
    assert bool(found) == bool(words)


@pytest.mark.parametrize(
    ("before", "after", "reason"),
    [
        (SensorStatus.GOOD, SensorStatus.MAINTENANCE_REQUIRED, "12 messages"),
        (SensorStatus.FAILURE, SensorStatus.FAILURE, "no reading; 12 messages"),
    ],
)
def test_remarks_are_shown_in_the_sensors_health(
    before: SensorStatus, after: SensorStatus, reason: str
) -> None:
    said = "" if before is SensorStatus.GOOD else "no reading"
    health = SensorHealth("slip-1", before, said, NOW_S, NOW_S)
    zone = ZoneNow("bay", "Bay", "yard", "bay", Level.UNKNOWN, "", NOW_S, None, (health,))
    shown = with_remarks(Picture(NOW_S, (zone,), (), (), (), (), (), ()), {"slip-1": "12 messages"})
    (found,) = shown.zones[0].sensors
    assert (found.status, found.reason) == (after, reason)
