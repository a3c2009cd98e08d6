"""The ingest session: readings from the broker into the store, acknowledged only when durable."""

import itertools
import logging
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from monitor.clock import Clock
from monitor.model.back_off import BackOff
from monitor.mqtt.arrivals import ArrivalTimes, RepeatGuard
from monitor.mqtt.broker_link import BrokerLink
from monitor.mqtt.embedded_broker import EMBEDDED_WINDOW
from monitor.mqtt.intake import Intake
from monitor.mqtt.missing_messages import LostSession
from monitor.mqtt.pending_batch import PendingBatch, PendingReadings
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.mqtt.topic_filters import wanted
from monitor.settings.schema import MqttSection
from monitor.store.contract import SeriesStore, StoreUnavailableError

REMEMBERED_READINGS = 10_000
RETRY = BackOff(first_s=0.5, most_s=30.0)

log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class IngestStatus:
    """How ingest stands, for pages and metrics; counters run since the start of the session."""

    broker: str
    connected: bool
    subscribed: bool
    since_s: float
    last_error: str  # of the link; empty while all is well
    store_error: str  # why nothing is acknowledged now; empty while all is well
    pending: int
    watermark_s: float
    last_message_s: float | None
    counts: Mapping[str, int]
    rejected: Mapping[str, int]
    remarks: Mapping[str, str]  # by sensor: what its readings cannot tell
    lost_sessions: tuple[LostSession, ...] = ()  # the oldest first


class IngestSession:
    """Takes readings from the broker. `on_committed` is called after each commit, on its thread."""

    def __init__(
        self,
        settings: MqttSection,
        catalogue: SensorCatalogue,
        store: SeriesStore,
        clock: Clock,
        *,
        address: tuple[str, int] | None = None,
        on_committed: Callable[[], None] = lambda: None,
    ) -> None:
        self._store = store
        self._clock = clock
        self._on_committed = on_committed
        self._address = address or (settings.host, settings.port)
        self._intake = Intake(catalogue, RepeatGuard())
        arrivals = ArrivalTimes(clock, _recall(store, self._intake))
        self._pending = PendingReadings(arrivals, _group(settings), settings.commit_s)
        topics = wanted(settings.topic_root, settings.extra_topics, catalogue.topics)
        self._link = BrokerLink(settings, self._address, topics, clock)
        self._stopping = threading.Event()
        self._committer = threading.Thread(target=self._commit_all, name="ingest-commit", daemon=True)
        self._stored = dict.fromkeys(("commits", "stored", "repeated", "contradicting", "set_aside"), 0)
        self._store_error = ""

    def start(self) -> None:
        """Begin; returns at once, whether the broker is there or not."""
        self._committer.start()
        self._link.start(self._intake, self._pending)

    def stop(self, timeout_s: float = 10.0) -> None:
        """Commit and acknowledge what is here, leave the rest with the broker, and disconnect."""
        self._link.take_no_more()
        self._stopping.set()
        self._pending.flush()
        if self._committer.ident is not None:
            self._committer.join(timeout_s)
        self._link.stop(timeout_s)

    def publish(self, topic: str, payload: bytes, expires_s: int | None = None) -> str | None:
        """Publish retained state at QoS 1; None when the broker has it, else the reason.

        The broker forgets it after `expires_s`; over MQTT 3.1.1 it never does.
        """
        return self._link.publish(topic, payload, expires_s)

    def say_state(self, state: str) -> None:
        """What the service's retained state topic says from now on, also after the broker was away."""
        self._link.say_state(state)

    def watermark_s(self) -> float:
        """Everything that arrived before this is in the store, and nothing older will follow."""
        return self._pending.watermark_s()

    def status(self) -> IngestStatus:
        """How ingest stands now."""
        state = self._link.state
        counts = dict(self._intake.counts)
        counts["repeated"] = counts.get("repeated", 0) + self._stored["repeated"]
        return IngestStatus(
            broker=f"{self._address[0]}:{self._address[1]}",
            connected=state.connected,
            subscribed=state.subscribed,
            since_s=state.since_s,
            last_error=state.last_error,
            store_error=self._store_error,
            pending=self._pending.messages(),
            watermark_s=self.watermark_s(),
            last_message_s=self._intake.last_message_s,
            counts=MappingProxyType(self._stored | counts),
            rejected=MappingProxyType(dict(self._intake.rejected)),
            remarks=self._intake.remarked(self._clock.now_s()),
            lost_sessions=tuple(self._link.lost_sessions),
        )

    def _commit_all(self) -> None:
        while (batch := self._pending.take()) is not None:
            if not self._commit(batch):
                return
            self._pending.committed()
            self._link.acknowledge(batch.deliveries)
            try:
                self._on_committed()
            except Exception:  # loop border: what follows must not stop commits
                log.exception("what follows a commit met a defect")

    def _commit(self, batch: PendingBatch) -> bool:
        """Store a batch, however long it takes; false when the service stops before it could."""
        for failures in itertools.count(1):
            try:
                result = self._store.append(batch.readings, batch.set_aside)
            except StoreUnavailableError as error:
                problem = str(error)
            except Exception as error:  # loop border: nothing may be acknowledged or lost
                log.exception("the store met a defect")
                problem = f"defect: {type(error).__name__}: {error}"
            else:
                self._store_error = ""
                self._stored["commits"] += 1
                self._stored["set_aside"] += len(batch.set_aside)
                for name in ("stored", "repeated", "contradicting"):
                    self._stored[name] += getattr(result, name)
                return True
            if self._store_error != problem:
                log.error("the store takes nothing, nothing is acknowledged: %s", problem)
            self._store_error = problem
            if self._stopping.wait(RETRY.wait_s(failures)):
                break
        return False


def _group(settings: MqttSection) -> int:
    """Messages a commit: at most half of what the broker sends ahead, so that it never has to wait."""
    window = settings.receive_maximum
    if settings.broker == "embedded":
        window = min(window, EMBEDDED_WINDOW)
    return max(1, min(settings.commit_count, window // 2))


def _recall(store: SeriesStore, intake: Intake) -> float | None:
    """Learn the newest readings of an earlier run; returns when the last of them arrived."""
    try:
        last = store.last_order()
        recent = [
            item.reading
            for item in store.readings_after(max(0, last - REMEMBERED_READINGS), REMEMBERED_READINGS)
        ]
    except StoreUnavailableError as error:
        log.warning("the store cannot be read yet: %s", error)
        return None
    intake.recall(recent)
    return recent[-1].arrived_s if recent else None
