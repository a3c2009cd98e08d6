"""The same packet is known again while its acknowledgement was not sent, and is a new message afterwards."""

from monitor.mqtt.arrivals import RepeatGuard
from monitor.mqtt.intake import Intake
from monitor.mqtt.pending_batch import BrokerDelivery, PendingBatch, content_of
from tests.mqtt.yard import catalogue_with, sensor

TOPIC, VALUE = "old/logger/4", b"17.4"


def taken(intake: Intake, mid: int, connection: int) -> BrokerDelivery:
    delivery = BrokerDelivery(mid, content_of(TOPIC, VALUE), connection)
    batch = PendingBatch()
    intake.take(TOPIC, VALUE, retained=False, arrived_s=1.0, into=batch, delivery=delivery)
    assert len(batch.readings) == 1
    return delivery


def intake() -> Intake:
    return Intake(catalogue_with(sensor("slip-4", "number", topic=TOPIC)), RepeatGuard())


def test_an_unacknowledged_packet_is_the_same_message_on_the_next_connection() -> None:
    ours = intake()
    first = taken(ours, 7, connection=1)
    assert ours.redelivered(7, TOPIC, VALUE, 2) is first


def test_another_identifier_or_the_same_connection_or_other_content_is_a_new_message() -> None:
    ours = intake()
    taken(ours, 7, connection=1)
    assert ours.redelivered(8, TOPIC, VALUE, 2) is None
    assert ours.redelivered(7, TOPIC, VALUE, 1) is None
    assert ours.redelivered(7, TOPIC, b"17.5", 2) is None
    assert ours.redelivered(7, "old/logger/5", VALUE, 2) is None


def test_after_the_acknowledgement_the_same_packet_is_a_new_message() -> None:
    """MQTT 5 (OASIS, 2019), 4.3.2: irrespective of the flag that says it is repeated."""
    ours = intake()
    ours.acknowledged(taken(ours, 7, connection=1))
    assert ours.redelivered(7, TOPIC, VALUE, 2) is None


def test_a_session_that_was_forgotten_repeats_nothing() -> None:
    ours = intake()
    taken(ours, 7, connection=1)
    ours.forget_deliveries()
    assert ours.redelivered(7, TOPIC, VALUE, 2) is None
