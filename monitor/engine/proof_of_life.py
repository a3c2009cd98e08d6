"""Watches over the watch: feeds the watchdog and the heartbeat only while judging goes on, and tells people.

It has threads of its own and waits by the clock for durations, so that neither a store that hangs, nor a core
that is stuck, nor a clock that is set holds it up.
"""

import logging
import threading
from collections.abc import Callable, Iterator, Mapping

from monitor.clock import Clock
from monitor.engine.pace import Proof
from monitor.mqtt.session import IngestSession
from monitor.notify.alive import HeartbeatError, beat, tell_init
from monitor.notify.distress import goes_on, stands_still, tell
from monitor.notify.outcome import Sender
from monitor.settings.language import translator
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger

log = logging.getLogger(__name__)

LOOK_EVERY_S = 2.0
PATIENCE_S = 900.0  # real seconds that working through what waits may take before it is told
AGAIN_S = 6 * 3_600.0  # real seconds after which it is told again
DEFECT = "defect"  # what a reason that is the program's own begins with
ONLINE, STILL = "online", "not_judging"


class Watching:
    """One spell of standing still is told once, and again every few hours; its end is told too."""

    def __init__(
        self,
        settings: Settings,
        clock: Clock,
        proof: Proof,
        ledger: Ledger,
        ingest: IngestSession,
        senders: Mapping[str, Sender],
        why: Callable[[], str],
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._proof = proof
        self._ledger = ledger
        self._ingest = ingest
        self._senders = senders
        self._why = why
        self._zone = settings.sites[0].tz
        self._words = translator(settings.web.language)
        self._stopping = threading.Event()
        self._real_s = 0.0  # of this spell
        self._told_s: float | None = None  # real seconds into the spell
        self._since_s = 0.0
        self._threads = [
            threading.Thread(target=self._go_on, args=job, name=job[0], daemon=True) for job in self._jobs()
        ]

    def start(self) -> None:
        """Begin to look."""
        for thread in self._threads:
            thread.start()

    def stop(self) -> None:
        """Look no more."""
        self._stopping.set()

    def is_stuck(self) -> bool:
        """Neither judging nor getting on, and not for a store that is away: what a new process may mend."""
        why = self._why()
        waits_for_store = bool(why) and not why.startswith(DEFECT)
        return self._proof.still_s() is not None and not self._gets_on() and not waits_for_store

    def _gets_on(self) -> bool:
        return self._proof.moved_s() <= self._proof.allowed_s()

    def _jobs(self) -> Iterator[tuple[str, float, Callable[[], object]]]:
        yield "watch-watchdog", LOOK_EVERY_S, self._feed
        yield "watch-still", LOOK_EVERY_S, self._look
        url = self._settings.service.heartbeat_url
        if url is not None:
            yield "watch-heartbeat", self._settings.service.heartbeat_every_s, lambda: self._beat(str(url))

    def _go_on(self, name: str, every_s: float, work: Callable[[], object]) -> None:
        while not self._stopping.wait(every_s):
            try:
                work()
            except HeartbeatError as error:
                log.warning("%s", error)
            except Exception:  # loop border: whoever watches must not fall silent
                log.exception("%s met a defect and goes on", name)

    def _feed(self) -> None:
        """The watchdog restarts what neither judges nor gets on with what waits."""
        if self._proof.still_s() is None or self._gets_on():
            tell_init("WATCHDOG=1")

    def _beat(self, url: str) -> None:
        """A heartbeat says that what is shown is judged now, and nothing less."""
        if self._proof.still_s() is None:
            beat(url)

    def _look(self) -> None:
        still = self._proof.still_s() is not None
        gets_on = self._gets_on()
        self._ingest.say_state(STILL if still else ONLINE)
        if not still:
            self._end()
            return
        if self._real_s == 0.0:
            self._since_s = self._clock.now_s()
        self._real_s += LOOK_EVERY_S
        patience_s = PATIENCE_S if gets_on else self._proof.allowed_s()
        due = self._told_s is None or self._real_s - self._told_s >= AGAIN_S
        if self._real_s >= patience_s and due:
            self._told_s = self._real_s
            now_s = self._clock.now_s()
            note = stands_still(self._since_s, now_s, self._why(), self._zone, self._words)
            log.error("%s", note.text)
            tell(self._senders, self._ledger, note, now_s)

    def _end(self) -> None:
        told, self._real_s, self._told_s = self._told_s, 0.0, None
        if told is not None:
            now_s = self._clock.now_s()
            note = goes_on(self._since_s, now_s, self._zone, self._words)
            tell(self._senders, self._ledger, note, now_s)
