"""Runs every way to reach people: a courier and its sender for each channel, and the lamps."""

import logging
import threading
from collections.abc import Callable, Iterator
from functools import partial

from monitor.clock import Clock, monotonic_s
from monitor.core.notices import is_over
from monitor.engine.loop import CoreLoop
from monitor.model.picture import Part, Picture
from monitor.mqtt.session import IngestSession
from monitor.notify.channels import make_sender, phone_book
from monitor.notify.courier import Courier, refuse_for_gone, undeliverable
from monitor.notify.lamps import Lamps, topic_base
from monitor.notify.outcome import Sender
from monitor.notify.zone_states import AGAIN_S as ZONES_AGAIN_S
from monitor.notify.zone_states import zone_states, zone_topic_base
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, StoreUnavailableError

log = logging.getLogger(__name__)

PATIENCE_S = 900.0  # a channel that fails for longer is a condition of its own
COURIER_EVERY_S = 1.0
LAMPS_EVERY_S = 5.0
STOP_WAIT_S = 12.0  # longer than a receiver may take by default; what is cut off is sent again


class Delivering:
    """What goes out of one service: a thread each, so that a slow receiver holds up nothing else."""

    def __init__(
        self,
        settings: Settings,
        ledger: Ledger,
        clock: Clock,
        ingest: IngestSession,
        snapshot: Callable[[], Picture],
        loop: CoreLoop,
    ) -> None:
        root, channels = settings.mqtt.topic_root, settings.channels
        self._ledger = ledger
        self._clock = clock
        self._ingest = ingest
        self._snapshot = snapshot
        self.phones = phone_book(settings, ledger.beside(settings.service.data_dir))
        self.senders: dict[str, Sender] = {
            c.id: make_sender(c, ingest.publish, settings, self.phones) for c in channels
        }
        self.couriers = {
            c.id: Courier(
                ledger, c.id, self.senders[c.id], c.fallback, lambda note: is_over(loop.state, note)
            )
            for c in channels
        }
        self.lamps = {c.id: Lamps(topic_base(c, root), ingest.publish) for c in channels if c.kind == "mqtt"}
        if settings.mqtt.publish_zones:
            base = zone_topic_base(root)
            self.lamps["zones"] = Lamps(base, ingest.publish, zone_states, ZONES_AGAIN_S, "/now")
        self._stopping = threading.Event()
        self._posted = {courier: threading.Event() for courier in self.couriers}
        loop.on_posted = self.wake
        self._threads = [
            threading.Thread(target=self._go_on, args=job, name=job[0], daemon=True) for job in self._jobs()
        ]

    def start(self) -> None:
        """Begin to deliver; what waits for a channel that is gone is closed first."""
        gone = refuse_for_gone(self._ledger, self.couriers.keys(), self._clock.now_s())
        for channel, count in gone.items():
            log.warning("%d messages waited for channel %s, which the settings do not name", count, channel)
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Finish what is on its way, or leave it to the next start."""
        self._stopping.set()
        self.wake()
        until_s = monotonic_s() + STOP_WAIT_S
        for thread in self._threads:
            if thread.is_alive():
                thread.join(max(until_s - monotonic_s(), 0.0))
        if self.phones is not None:
            self.phones.close()

    def wake(self) -> None:
        """Something was put into the outbox: look at once."""
        for posted in self._posted.values():
            posted.set()

    def undeliverable(self) -> int:
        """How many channels have failed for so long that somebody must be told otherwise."""
        states = {name: courier.state() for name, courier in self.couriers.items()}
        return len(undeliverable(states, self._clock.now_s(), PATIENCE_S))

    def parts(self) -> Iterator[Part]:
        """How each channel is doing."""
        for name, courier in self.couriers.items():
            state = courier.state()
            good = state.failing_since_s is None
            text = "delivering" if state.delivered else "nothing to send since the start"
            if not good:
                text = f"not delivering: {state.last_error}"
            yield Part(f"channel {name}", good, text, {"waiting": float(state.waiting)})

    def _jobs(self) -> Iterator[tuple[str, Callable[[], object], Callable[[], object]]]:
        """Name, the work, and what waits for the next turn."""
        for name, courier in self.couriers.items():
            yield f"deliver-{name}", partial(self._deliver, courier), partial(self._rest, self._posted[name])
        for name, lamps in self.lamps.items():
            yield f"lamps-{name}", partial(self._show, lamps), partial(self._stopping.wait, LAMPS_EVERY_S)

    def _rest(self, posted: threading.Event) -> None:
        posted.wait(COURIER_EVERY_S)
        posted.clear()

    def _go_on(self, name: str, work: Callable[[], object], rest: Callable[[], object]) -> None:
        said = ""
        while not self._stopping.is_set():
            try:
                work()
                said = ""
            except StoreUnavailableError as error:
                if str(error) != said:
                    log.warning("%s waits for its next turn: %s", name, error)
                said = str(error)
            except Exception:  # loop border: one channel's defect must stop no other, nor itself for good
                log.exception("%s met a defect and goes on", name)
            rest()

    def _deliver(self, courier: Courier) -> int:
        return courier.run(self._clock.now_s())

    def _show(self, lamps: Lamps) -> None:
        if self._ingest.status().connected:
            lamps.show(self._snapshot())
        else:
            lamps.forget()
