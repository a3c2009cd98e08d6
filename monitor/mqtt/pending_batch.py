"""What has arrived and is not durable yet: grouped for one commit, with the low watermark."""

import threading
from collections import deque
from dataclasses import dataclass, field

from monitor.clock import monotonic_s
from monitor.model.reading import Reading
from monitor.mqtt.arrivals import ArrivalTimes
from monitor.store.contract import SetAside


def content_of(topic: str, payload: bytes) -> int:
    """A number of 64 bits that stands for topic and payload as long as the process lives."""
    return hash((topic, payload))


@dataclass(slots=True, eq=False)
class BrokerDelivery:
    """One message that the broker waits to have acknowledged."""

    mid: int
    content: int  # of topic and payload, which would be much to keep for thousands
    connection: int  # the connection it was last delivered on
    durable: bool = False


@dataclass(slots=True)
class PendingBatch:
    """What goes into the store in one transaction, and who is to be acknowledged after it."""

    readings: list[Reading] = field(default_factory=list)
    set_aside: list[SetAside] = field(default_factory=list)
    deliveries: list[BrokerDelivery] = field(default_factory=list)
    messages: int = 0
    oldest_arrived_s: float = 0.0

    def absorb(self, later: "PendingBatch") -> None:
        """Put a later batch behind this one."""
        self.readings += later.readings
        self.set_aside += later.set_aside
        self.deliveries += later.deliveries
        self.messages += later.messages


class PendingReadings:
    """Hands messages from the network thread to the committing thread; every method is thread-safe."""

    def __init__(self, arrivals: ArrivalTimes, commit_count: int, commit_s: float) -> None:
        self._arrivals = arrivals
        self._count = commit_count
        self._wait_s = commit_s
        self._changed = threading.Condition()
        self._burst_s: float | None = None
        self._waiting: PendingBatch | None = None
        self._since = 0.0
        self._taken: deque[PendingBatch] = deque()
        self._flushing = False

    def open_burst(self) -> float:
        """Begin to read from the network; the arrival time of all that is read until close_burst."""
        with self._changed:
            self._burst_s = self._arrivals.next_s()
            return self._burst_s

    def close_burst(self, burst: PendingBatch) -> None:
        """Add what was read."""
        with self._changed:
            arrived_s, self._burst_s = self._burst_s, None
            if not burst.messages:
                return
            if self._waiting is None:
                burst.oldest_arrived_s = self._arrivals.next_s() if arrived_s is None else arrived_s
                self._waiting, self._since = burst, monotonic_s()
                self._changed.notify_all()
            else:
                self._waiting.absorb(burst)
                if self._waiting.messages >= self._count:
                    self._changed.notify_all()

    def take(self) -> PendingBatch | None:
        """The next batch, once it is large or old enough; None when flushed and empty."""
        with self._changed:
            while True:
                batch = self._waiting
                if batch is None:
                    if self._flushing:
                        return None
                    self._changed.wait()
                    continue
                left_s = self._since + self._wait_s - monotonic_s()
                if self._flushing or batch.messages >= self._count or left_s <= 0.0:
                    self._waiting = None
                    self._taken.append(batch)
                    return batch
                self._changed.wait(left_s)

    def committed(self) -> None:
        """The batch taken first is durable."""
        with self._changed:
            self._taken.popleft()

    def flush(self) -> None:
        """Hand out what waits without waiting longer, then None."""
        with self._changed:
            self._flushing = True
            self._changed.notify_all()

    def messages(self) -> int:
        """How many messages are not durable yet."""
        with self._changed:
            waiting = 0 if self._waiting is None else self._waiting.messages
            return waiting + sum(batch.messages for batch in self._taken)

    def watermark_s(self) -> float:
        """Everything that arrived before this is durable."""
        with self._changed:
            if self._taken:
                return self._taken[0].oldest_arrived_s
            if self._waiting is not None:
                return self._waiting.oldest_arrived_s
            return self._arrivals.next_s() if self._burst_s is None else self._burst_s
