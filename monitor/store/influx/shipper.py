"""Sends the spool on to the server, in order, with back-off, holding one batch at a time."""

import logging
from collections.abc import Callable
from dataclasses import replace
from threading import Condition, Event, Lock, Thread

from monitor.model.back_off import BackOff
from monitor.store.contract import Shipping, StoreUnavailableError
from monitor.store.influx.archive import InfluxArchive
from monitor.store.influx.durable_spool import Changes, Spool, Waiting
from monitor.store.influx.layout import ReadingRow
from monitor.store.influx.link import InfluxMuteError, InfluxUnavailableError, ServerRefusal

GATHER_S = 0.5  # between batches that are not full, so that few are sent and each is worth its commit
AGAIN = BackOff(first_s=1.0, most_s=60.0)
_LOG = logging.getLogger(__name__)


class Shipper:
    """One thread that drains the spool; `send_once` is one step of it."""

    def __init__(
        self, spool: Spool, archive: InfluxArchive, batch_count: int, now_s: Callable[[], float]
    ) -> None:
        self._spool = spool
        self._archive = archive
        self._batch_count = batch_count
        self._now_s = now_s
        self._stopping = Event()
        self._lock = Lock()
        self._wake = Event()
        self._stepped = Condition()
        self._state = Shipping("up_to_date", 0, None, 0, "", None, None)
        self._failures = 0
        self._acquainted = False
        self._thread: Thread | None = None

    def start(self) -> None:
        """Begin to send in the background."""
        self._thread = Thread(target=self._run, name="shipper", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End after the batch in hand."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join()

    def wait_for(self, order: int, most_s: float) -> None:
        """Wait until the server has all up to an order; StoreUnavailableError where that takes longer."""
        self._wake.set()
        with self._stepped:
            if self._stepped.wait_for(lambda: self._spool.is_sent(order), most_s):
                return
        why = self._state.last_error or f"nothing came back within {most_s:g} s"
        raise StoreUnavailableError(f"the server does not have the readings yet: {why}")

    def shipping(self) -> Shipping:
        """How far behind the server is."""
        with self._lock:
            state = self._state
        waiting, oldest_s, refused = self._spool.behind()
        fine = "sending" if waiting else "up_to_date"
        name = state.state if state.state not in ("sending", "up_to_date") else fine
        return replace(state, state=name, waiting=waiting, oldest_waiting_s=oldest_s, refused=refused)

    def send_once(self) -> int:
        """Send a batch of readings and one of changes; returns how many numbers were sent."""
        if not self._acquainted:
            self._acquaint()
        readings = self._spool.next_readings(self._batch_count)
        if readings.orders:
            self._send_readings(readings)
        changes = self._spool.next_changes(self._batch_count)
        if changes.last_id:
            self._send_changes(changes)
        return len(readings.orders) + changes.size

    def _acquaint(self) -> None:
        """Learn, once in the life of a spool, what the server holds from before."""
        if not self._spool.is_acquainted():
            try:
                held = self._archive.keys()
            except InfluxMuteError as error:
                _LOG.warning("%s", error)
                held = {}
            self._spool.acquaint(held, self._now_s())
        self._acquainted = True

    def _send_readings(self, batch: Waiting) -> None:
        held = self._already_there(batch)
        places = [place for place in range(len(batch.rows)) if place not in held]
        refused = self._archive.write_readings([batch.rows[place] for place in places])
        self._spool.confirm_readings(batch, [ServerRefusal(places[r.place], r.reason) for r in refused])

    def _already_there(self, batch: Waiting) -> set[int]:
        """Readings so late that only the server can say whether they are repeats."""
        floor_ms = self._spool.floor_ms_now()
        late: dict[object, list[int]] = {}
        for place, row in enumerate(batch.rows):
            if row.time_ms < floor_ms:
                late.setdefault(row.key, []).append(place)
        if not late:
            return set()
        tried = self._spool.tried_order()
        repeats: list[int] = []
        contradictions: list[tuple[int, str]] = []
        for places in late.values():
            stored = self._stored([batch.rows[place] for place in places])
            for place in places:
                row = batch.rows[place]
                known = stored.get(row.time_ms)
                if known is None or (known == row.value and batch.orders[place] <= tried):
                    continue
                if known == row.value:
                    repeats.append(place)
                else:
                    detail = f"value: found {row.value}; the same series and time is stored as {known}"
                    contradictions.append((place, detail))
        self._spool.drop_late(batch, repeats, contradictions)
        self._spool.try_order(batch.orders[-1])
        return {*repeats, *(place for place, _ in contradictions)}

    def _stored(self, rows: list[ReadingRow]) -> dict[int, float]:
        wanted = {row.time_ms for row in rows}
        try:
            found = self._archive.values(rows[0].key, min(wanted), max(wanted) + 1)
            return {time_ms: value for time_ms, value in found if time_ms in wanted}
        except InfluxMuteError:  # it can only take them: a late contradiction then replaces
            return {}

    def _send_changes(self, changes: Changes) -> None:
        refused = [
            (*changes.readings[place][:3], reason)
            for place, reason in self._archive.write_readings(changes.readings)
        ]
        refused += [
            (*changes.points[place], reason) for place, reason in self._archive.write_points(changes.points)
        ]
        self._spool.confirm_changes(changes, refused)

    def _run(self) -> None:
        while not self._stopping.is_set():
            wait_s = self._step()
            with self._stepped:
                self._stepped.notify_all()
            self._wake.wait(wait_s)
            self._wake.clear()

    def _step(self) -> float:
        """One step of the thread; returns how long to wait before the next."""
        try:
            sent = self.send_once()
        except StoreUnavailableError as error:
            return self._failed(_state_of(error), str(error), getattr(error, "retry_after_s", None))
        except Exception as error:  # noqa: BLE001  # the border of the thread: it must go on
            _LOG.exception("sending failed")
            return self._failed("server_away", f"{type(error).__name__}: {error}", None)
        with self._lock:
            self._failures = 0
            sent_s = self._now_s() if sent else self._state.last_sent_s
            self._state = replace(self._state, state="sending" if sent else "up_to_date", last_sent_s=sent_s)
        return 0.0 if sent >= self._batch_count else GATHER_S

    def _failed(self, state: str, reason: str, wish_s: float | None) -> float:
        with self._lock:
            if reason != self._state.last_error:
                _LOG.warning("readings wait in the spool: %s", reason)
            self._failures += 1
            self._state = replace(self._state, state=state, last_error=reason, last_error_s=self._now_s())
            return AGAIN.wait_s(self._failures, wish_s)


def _state_of(error: StoreUnavailableError) -> str:
    if not isinstance(error, InfluxUnavailableError):
        return "spool_full"
    return "denied" if error.denied else "server_away"
