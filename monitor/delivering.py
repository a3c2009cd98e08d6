"""Runs every way to reach people: a courier and its sender for each channel, and the lamps."""

from collections.abc import Callable, Iterator
from functools import partial

from monitor.clock import Clock
from monitor.ingest.session import IngestSession
from monitor.notify.channels import make_sender
from monitor.notify.courier import Courier, undeliverable
from monitor.notify.lamps import Lamps, topic_base
from monitor.notify.outcome import Sender
from monitor.settings import Settings
from monitor.snapshot import Part, Snapshot
from monitor.store.contract import Ledger

PATIENCE_S = 900.0  # a channel that fails for longer is a condition of its own
COURIER_EVERY_S = 1.0
LAMPS_EVERY_S = 5.0


class Delivering:
    """What goes out of one service. Each job may block as long as its receiver does, and no other."""

    def __init__(
        self,
        settings: Settings,
        ledger: Ledger,
        clock: Clock,
        ingest: IngestSession,
        snapshot: Callable[[], Snapshot],
    ) -> None:
        root, channels = settings.mqtt.topic_root, settings.channels
        self._clock = clock
        self._ingest = ingest
        self._snapshot = snapshot
        self.senders: dict[str, Sender] = {c.id: make_sender(c, ingest.publish, root) for c in channels}
        self.couriers = {c.id: Courier(ledger, c.id, self.senders[c.id], c.fallback) for c in channels}
        self.lamps = {c.id: Lamps(topic_base(c, root), ingest.publish) for c in channels if c.kind == "mqtt"}

    def jobs(self) -> Iterator[tuple[str, float, Callable[[], object]]]:
        """Name, seconds between two turns, and the work."""
        for name, courier in self.couriers.items():
            yield f"deliver-{name}", COURIER_EVERY_S, partial(self._deliver, courier)
        for name, lamps in self.lamps.items():
            yield f"lamps-{name}", LAMPS_EVERY_S, partial(self._show, lamps)

    def undeliverable(self) -> int:
        """How many channels have failed for so long that somebody must be told otherwise."""
        states = {name: courier.state() for name, courier in self.couriers.items()}
        return len(undeliverable(states, self._clock.now_s(), PATIENCE_S))

    def parts(self) -> Iterator[Part]:
        """How each channel is doing."""
        for name, courier in self.couriers.items():
            state = courier.state()
            good = state.failing_since_s is None
            text = "delivering" if good else f"failing: {state.last_error}"
            yield Part(f"channel {name}", good, text, {"waiting": float(state.waiting)})

    def _deliver(self, courier: Courier) -> int:
        return courier.run(self._clock.now_s())

    def _show(self, lamps: Lamps) -> None:
        if self._ingest.status().connected:
            lamps.show(self._snapshot())
        else:
            lamps.forget()
