"""Judges each message as it comes from the network: read, repeated, retained, or set aside."""

import logging
from collections import Counter
from collections.abc import Mapping, Sequence

from monitor.model.payload import KEPT_PAYLOAD_BYTES, kept_topic
from monitor.model.reading import Reading
from monitor.mqtt.arrivals import RepeatGuard
from monitor.mqtt.decode import decode, given_time_s
from monitor.mqtt.missing_messages import SequenceGaps
from monitor.mqtt.pending_batch import BrokerDelivery, PendingBatch, content_of
from monitor.mqtt.rate_budget import Budget, allowance_from
from monitor.mqtt.rejection import Decoded, Rejection, RejectionReason
from monitor.mqtt.remarks import Remarks
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.settings.reference import load_toml
from monitor.store.contract import SetAside

KEPT_FAULTS = 5
SAME_FAULT_EVERY_S = 3_600.0  # a message that was read in part is kept as a sample this often
FAULTS_REMEMBERED = 4_096
MISSED_S = 86_400.0  # so long it is said of a sensor that messages are missing

log = logging.getLogger(__name__)


class Intake:
    """Turns messages into a batch. Used by the network thread alone; counters may be read anywhere."""

    def __init__(self, catalogue: SensorCatalogue, guard: RepeatGuard) -> None:
        self._catalogue = catalogue
        self._guard = guard
        self._budget = Budget(catalogue.interval_s, allowance_from(load_toml("quality.toml")))
        self.remarks = Remarks()
        self._unacknowledged: dict[int, BrokerDelivery] = {}
        self._kept_at: dict[tuple[str, RejectionReason], float] = {}
        self.own_topics: set[str] = set()
        self.counts: Counter[str] = Counter()
        self.rejected: Counter[str] = Counter()
        self.last_message_s: float | None = None
        self.heard_s: float | None = None  # when the newest message was measured, also of an earlier run
        self.gaps = SequenceGaps()

    def forget_deliveries(self) -> None:
        """The broker lost the session: it will not repeat what it delivered before."""
        self._unacknowledged.clear()

    def redelivered(self, mid: int, topic: str, payload: bytes, connection: int) -> BrokerDelivery | None:
        """The delivery that a resumed session repeats, moved to this connection; None for a new message.

        Only what is not acknowledged is remembered, so the broker cannot have given the identifier
        to another message meanwhile.
        """
        delivery = self._unacknowledged.get(mid)
        if delivery is None or delivery.connection == connection:
            return None
        if delivery.content != content_of(topic, payload):
            return None
        delivery.connection = connection
        self.counts["redelivered"] += 1
        return delivery

    def acknowledged(self, delivery: BrokerDelivery) -> None:
        """The broker has been told; the identifier is free again."""
        if self._unacknowledged.get(delivery.mid) is delivery:
            del self._unacknowledged[delivery.mid]

    def take(
        self,
        topic: str,
        payload: bytes,
        *,
        retained: bool,
        arrived_s: float,
        into: PendingBatch,
        delivery: BrokerDelivery | None,
    ) -> None:
        """Read one message into the batch."""
        into.messages += 1
        self.counts["messages"] += 1
        self.last_message_s = arrived_s
        if delivery is None:
            self.counts["unprotected"] += 1
        else:
            self._unacknowledged[delivery.mid] = delivery
            into.deliveries.append(delivery)
        if topic in self.own_topics:
            return
        readings, rejections = decode(topic, payload, arrived_s, self._catalogue)
        if retained and (rejections or not all(reading.time_from_device for reading in readings)):
            self.counts["retained_ignored"] += 1
            return
        if readings and not readings[0].time_from_device:
            self._look_at_clock(topic, payload, readings[0])
        if readings:
            self._note_heard(readings[0])
            admitted = self._guard.admit(readings)
            if admitted:
                into.readings += self._within_budget(admitted)
            else:
                self.counts["repeated"] += len(readings)
        if rejections:
            self._set_aside(topic, payload, arrived_s, Decoded(readings, rejections), into)

    def recall(self, readings: Sequence[Reading]) -> None:
        """Learn from the newest readings of an earlier run, the oldest first."""
        self._guard.remember(readings)
        for reading in readings:
            self._note_heard(reading)

    def _note_heard(self, reading: Reading) -> None:
        self.heard_s = min(reading.time_s, reading.arrived_s)
        if reading.sequence is not None:
            self.gaps.note(reading.key.source, reading.sequence, reading.arrived_s)

    def _look_at_clock(self, topic: str, payload: bytes, reading: Reading) -> None:
        """How far a stamp was off that was not used; read again once a minute at most."""
        sensor, arrived_s = reading.key.source, reading.arrived_s
        if self.remarks.looks_at_clock(sensor, arrived_s):
            given_s = given_time_s(self._catalogue.topics[topic], payload)
            self.remarks.unstamped(sensor, arrived_s, None if given_s is None else given_s - arrived_s)

    def _within_budget(self, readings: list[Reading]) -> list[Reading]:
        kept = self._budget.admit(readings)
        if len(kept) < len(readings):
            sensor = readings[0].key.source
            self.counts["left_out"] += len(readings) - len(kept)
            self.remarks.flooded(sensor, readings[0].arrived_s, self._budget.left_out[sensor])
        return kept

    def remarked(self, now_s: float) -> Mapping[str, str]:
        """By sensor, what is to be said of it now that its readings cannot tell."""
        return self.remarks.words(now_s, self._guard.distrusted(), self.gaps.missing(now_s - MISSED_S))

    def unreadable(
        self, topic: str, payload: bytes, arrived_s: float, error: Exception, into: PendingBatch
    ) -> None:
        """Keep a message that met a defect of ours; it must not come back for ever."""
        topic = kept_topic(topic)
        log.error("a message on %s could not be taken in", topic, exc_info=error)
        self.rejected["defect"] += 1
        detail = f"message: found {type(error).__name__}: {error}; this is a defect, please report it"
        into.set_aside.append(_cut(topic, payload, arrived_s, "defect", detail))

    def _set_aside(
        self, topic: str, payload: bytes, arrived_s: float, decoded: Decoded, into: PendingBatch
    ) -> None:
        reason = decoded.rejections[0].reason
        self.rejected[reason.value] += 1
        for plan in self._catalogue.topics.get(topic, ()):
            self.remarks.unread(plan.sensor, arrived_s, str(decoded.rejections[0].fault))
        if decoded.readings and not self._is_due(topic, reason, arrived_s):
            return
        into.set_aside.append(_cut(topic, payload, arrived_s, reason.value, _detail(decoded.rejections)))

    def _is_due(self, topic: str, reason: RejectionReason, arrived_s: float) -> bool:
        topic = kept_topic(topic)
        kept_s = self._kept_at.get((topic, reason))
        if kept_s is not None and arrived_s - kept_s < SAME_FAULT_EVERY_S:
            return False
        if len(self._kept_at) >= FAULTS_REMEMBERED:
            self._kept_at.clear()
        self._kept_at[topic, reason] = arrived_s
        return True


def _cut(topic: str, payload: bytes, arrived_s: float, reason: str, detail: str) -> SetAside:
    """A message as it waits to be kept: no longer than it will be, so that many of them are not much."""
    if len(payload) > KEPT_PAYLOAD_BYTES:
        detail = f"{detail}\n{len(payload)} bytes, of which the first {KEPT_PAYLOAD_BYTES} are kept"
    return SetAside(kept_topic(topic), payload[:KEPT_PAYLOAD_BYTES], arrived_s, reason, detail)


def _detail(rejections: tuple[Rejection, ...]) -> str:
    text = "\n".join(str(rejection.fault) for rejection in rejections[:KEPT_FAULTS])
    more = len(rejections) - KEPT_FAULTS
    return f"{text}\nand {more} more" if more > 0 else text
