"""Drives the core over stored readings, tick by tick; the live service and the replay are both this loop.

Ticks lie on a fixed grid of time, and every reading that arrived before a tick is judged before it. So the
same readings give the same events, however fast they are worked through and wherever it was stopped.
"""

import logging
import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace

import msgspec

from monitor.clock import monotonic_s
from monitor.consumables.package_facts import PackageFacts
from monitor.core.crossing import next_tick
from monitor.core.shop import StoreFacts, with_calibrations, with_things
from monitor.core.state import NOT_RUNNING, Foreseen, Rederived, as_stored
from monitor.core.step import (
    Afresh,
    Arrived,
    CoreState,
    Effects,
    Gap,
    Input,
    Resume,
    Shop,
    first_state,
    fitted,
    picture,
    step,
)
from monitor.engine.other_store import RECENT_S, other_store
from monitor.model.event import NewEvent
from monitor.model.notification import Notification
from monitor.model.picture import Picture
from monitor.model.reading import Mark, Point, StoredReading
from monitor.model.sensor import SensorStatus
from monitor.outlook.shifts import ShiftCalendar
from monitor.physics.placed_body import BodyFacts
from monitor.store.contract import Checkpoint, Ledger, SeriesStore, StoreUnavailableError

log = logging.getLogger(__name__)

READ_AT_ONCE = 500  # so long an answer waits within a backlog
POINTS_AT_ONCE = 5_000  # of a backlog; each writing waits for the disk
GAP_TICKS = 6  # a pause of the service longer than this is one gap, not a row of ticks
NOT_SKIPPED = "stored readings are judged from where they can be, and new ones at once"

Foresee = Callable[[Shop, CoreState, float], tuple[Foreseen, list[NewEvent]] | None]  # None: ask again
Recount = Callable[[Shop, CoreState], tuple[Rederived, list[NewEvent]]]

_encoder = msgspec.msgpack.Encoder()  # a number that is not known is NaN, which JSON does not have
_decoder = msgspec.msgpack.Decoder(CoreState)


class CoreLoop:
    """Works through what has arrived and writes down what follows; safe to call from several threads."""

    def __init__(
        self,
        shop: Shop,
        series: SeriesStore,
        ledger: Ledger,
        start_s: float,
        *,
        checkpoint_s: float = 300.0,
        dress: Callable[[Notification], Notification] = lambda note: note,
        foresee: Foresee | None = None,
        look_every_s: float = 3600.0,
        recount: Recount | None = None,
        keep_damaged: Callable[[bytes], str] = lambda state: f"{len(state)} bytes, not kept",
    ) -> None:
        self._shop = shop
        self._series = series
        self._ledger = ledger
        self._checkpoint_s = checkpoint_s
        self._dress = dress
        self.on_posted: Callable[[], object] = lambda: None  # after something was put into the outbox
        self.give_way: Callable[[], object] = lambda: None  # to pages and answers, within a backlog
        self._foresee = foresee
        self._look_every_s, self._look_due = look_every_s, False
        self._recount = recount
        self._lock = threading.RLock()
        self._ticked_at = -math.inf
        self._known, self._damaged = self._remembered(keep_damaged)
        self._state = first_state(shop, start_s) if self._known is None else fitted(shop, self._known)
        self._saved_s = self._state.time_s
        self._pictured: tuple[Shop, CoreState, Picture] | None = None
        self._points: list[Point] = []  # of this stretch, still to be written
        self._before_points = (self._state, self._ticked_at)

    @property
    def state(self) -> CoreState:
        """The state as of the last step."""
        return self._state

    @property
    def shop(self) -> Shop:
        """The shop as it is now known."""
        return self._shop

    @property
    def ticked_at(self) -> float:
        """When the last tick was done and written, on the clock for durations; before it minus infinity."""
        return self._before_points[1] if self._points else self._ticked_at

    def snapshot(self) -> Picture:
        """The picture as of the last tick; as long as nothing changed it is the same object."""
        shop, state, drawn = self._pictured or (None, None, None)
        if drawn is None or shop is not self._shop or state is not self._state:
            shop, state = self._shop, self._state
            drawn = picture(shop, state)
            self._pictured = (shop, state, drawn)
        return drawn

    def advance_to(self, until_s: float, now_s: float = math.inf, last_order: int | None = None) -> int:
        """Judge everything that arrived before `until_s`; returns how many readings were worked through.

        What is said to have arrived after `now_s` was stamped by a clock that was wrong: it is judged as
        of now. What comes in meanwhile is left for the next look, by which time it may have arrived; with a
        `last_order`, all that came after that reading.
        """
        with self._stretch():
            done, end = 0, self._series.last_order() if last_order is None else last_order
            while readings := self._unjudged(end):
                self._take(readings, now_s)
                done += len(readings)
                self._after_bite(readings)
            self._tick_to(until_s)
            return done

    def resume(self, now_s: float, last_order: int | None = None) -> bool:
        """Catch up after a pause: work through what was stored up to a reading, then one gap up to now.

        Returns whether it had to begin anew.
        """
        with self._lock:
            if why := self.doubt(now_s):
                self.begin_anew(now_s, why, last_order)
                return True
            # Clocks are as they were before the pause: the record tells old and new of what was filled then.
            self._count_again()
            self.advance_to(self._state.time_s, now_s, last_order)
            self._close_gap(now_s)
            self._apply(Resume(now_s))
            self._count_again()
            self.save()
            return False

    def doubt(self, now_s: float) -> str:
        """Why what is remembered cannot be believed: the time it is of, or the store it counts in; or ""."""
        state = self._state
        if self._damaged:
            return self._damaged
        ahead_s = state.time_s - now_s
        if ahead_s > GAP_TICKS * self._shop.tick_s:
            return f"the clock had been {ahead_s / 60.0:.0f} min ahead and is right again"
        if self._known is None:
            return "" if self._series.last_order() == 0 else "no checkpoint lies beside the stored readings"
        return other_store(self._series, state)

    def begin_anew(self, now_s: float, why: str, last_order: int | None = None) -> None:
        """Forget what is remembered of air, sensors, bodies and clocks; work through what came in lately."""
        log.warning("the watch begins anew: %s; %s", why, NOT_SKIPPED)
        with self._lock:
            known_s = self._state.time_s if self._known is not None and not self._damaged else now_s
            order = self._order_before(min(now_s, known_s) - RECENT_S)
            self._series.forget_points_after(now_s)
            self._ticked_at = -math.inf
            self._apply(Afresh(now_s, f"{why}; {NOT_SKIPPED}", order, self._series.identity()))
            self._known, self._damaged = self._state, ""
            self.advance_to(now_s, now_s, last_order)
            self.save()

    def _order_before(self, arrived_s: float) -> int:
        """The order after which the readings follow that arrived from a moment on."""
        low, high = 0, self._series.last_order()
        while low < high:
            middle = (low + high) // 2
            found = self._series.readings_after(middle, 1)
            if found and found[0].reading.arrived_s < arrived_s:
                low = found[0].order
            else:
                high = middle
        return low

    def _remembered(self, keep_damaged: Callable[[bytes], str]) -> tuple[CoreState | None, str]:
        """The state of the checkpoint, and what is to be said where it cannot be read."""
        saved = self._ledger.checkpoint()
        if saved is None:
            return None, ""
        try:
            return _decoder.decode(saved.state), ""
        except msgspec.MsgspecError as error:
            kept = keep_damaged(saved.state)
            return None, f"the checkpoint is damaged or of another version ({error}; kept: {kept})"

    def _unjudged(self, last_order: int) -> list[StoredReading]:
        found = self._series.readings_after(self._state.order, READ_AT_ONCE)
        return [one for one in found if one.order <= last_order]

    def skip(self, before_s: float, now_s: float, why: str) -> None:
        """The clock jumped: what arrived before `before_s` is judged, then one gap up to now."""
        with self._stretch():
            while readings := self._series.readings_after(self._state.order, READ_AT_ONCE):
                earlier = [stored for stored in readings if stored.reading.arrived_s < before_s]
                if earlier:
                    self._take(earlier)
                if len(earlier) < len(readings):
                    break
                self._after_bite(readings)
            self._close_gap(now_s, why)

    def put(self, given: Input, events: Sequence[NewEvent] = ()) -> Effects:
        """One input from outside (a person's answer, a forecast), with the events that record it."""
        with self._stretch():
            return self._apply(given, events)

    def paused(self) -> AbstractContextManager[bool]:
        """While it lasts no other thread moves the state on; the one that holds it may."""
        return self._lock

    def reshape(
        self,
        *,
        packages: Mapping[str, PackageFacts | None] | None = None,
        bodies: Mapping[str, BodyFacts | None] | None = None,
        stores: Mapping[str, StoreFacts] | None = None,
        calendars: tuple[ShiftCalendar, ...] | None = None,
        calibration_due_s: Mapping[str, float | None] | None = None,
        given: Input | None = None,
    ) -> None:
        """Things came, changed or went (None); the shop is so from now on, `given` is what is known."""
        with self._lock:
            before = self._shop.zones.keys()
            self._shop = with_things(self._shop, packages or {}, bodies or {}, stores or {})
            if self._shop.zones.keys() != before:  # a thing lies in a zone that is gone, or does no more
                self._state = fitted(self._shop, self._state)
            if calendars is not None:
                shifts = replace(self._shop.shifts, calendars=calendars)
                self._shop = replace(self._shop, shifts=shifts)
            if calibration_due_s is not None:
                self._shop = with_calibrations(self._shop, calibration_due_s)
            if given is not None:
                self.put(given)

    def save(self) -> None:
        """Write a checkpoint now."""
        with self._lock:
            self._state = self._written(self._state, Effects(), force=True)

    @contextmanager
    def _stretch(self) -> Iterator[None]:
        """What is worked through in one go; whatever becomes of it, its points are written at its end."""
        with self._lock:
            try:
                yield
            finally:
                self._write_points()

    def _after_bite(self, readings: Sequence[StoredReading]) -> None:
        """Where more waits, others come first."""
        if len(readings) == READ_AT_ONCE:
            with self._let_others_in():
                self.give_way()

    @contextmanager
    def _let_others_in(self) -> Iterator[None]:
        """While it lasts an answer or an entry is taken: it must wait for no look ahead and no backlog."""
        self._lock.release()
        try:
            yield
        finally:
            self._lock.acquire()

    def _write_points(self) -> None:
        """Write the points that wait in one transaction; if that fails, what gave them has not happened."""
        if not self._points:
            return
        try:
            self._series.write_points(self._points)
        except BaseException:
            self._state, self._ticked_at = self._before_points
            raise
        finally:
            self._points = []

    def _take(self, given: Sequence[StoredReading], now_s: float = math.inf) -> None:
        latest_s = now_s + self._shop.tick_s
        readings = [one if one.reading.arrived_s <= latest_s else _arrived_by(one, now_s) for one in given]
        n = 0
        while n < len(readings):
            next_s = next_tick(self._state, self._shop.tick_s).now_s
            end = n
            while end < len(readings) and readings[end].reading.arrived_s < next_s:
                end += 1
            if end == n:
                self._tick_to(readings[n].reading.arrived_s)
                continue
            self._arrived(readings[n:end])
            n += sum(one.order <= self._state.order for one in readings[n:end])  # to a crossed limit, or all

    def _arrived(self, readings: Sequence[StoredReading]) -> None:
        """Judge readings; one that meets a defect is marked and passed over, so that it holds up no other."""
        before = self._state
        try:
            self._apply(Arrived(tuple(readings)))
        except StoreUnavailableError:
            raise
        except Exception:  # loop border: one reading must not stop the watch
            if self._state is not before:  # the points before it could not be written, it is not at fault
                raise
            if len(readings) > 1:
                for one in readings:
                    self._arrived([one])
                return
            log.exception("a reading could not be judged: %s", readings[0])
            order = readings[0].order
            mark = Mark(order, SensorStatus.FUNCTION_CHECK, "could not be judged, a defect of the service")
            self._series.mark([mark])
            self._state = replace(self._state, order=order, judged_s=readings[0].reading.time_s)

    def _tick_to(self, until_s: float) -> None:
        """Every tick of the grid up to and including `until_s`, and those that a crossed limit hurries."""
        while (following := next_tick(self._state, self._shop.tick_s)).now_s <= until_s:
            self._count_again()
            before_s, next_s = self._state.time_s, following.now_s
            self._apply(following)
            self._ticked_at = monotonic_s()
            self._count_again()
            self._look_due |= before_s // self._look_every_s != next_s // self._look_every_s
            if self._foresee is not None and self._look_due:
                self._look_due = not self._look_ahead(self._foresee, next_s)

    def _count_again(self) -> None:
        """Late readings have filled a gap and their air is stored: clocks that met it are derived anew."""
        if not self._state.filled:
            return
        if self._recount is None:
            self._apply(Rederived(filled=True))
            return
        self._write_points()
        recounted, events = self._recount(self._shop, self._state)
        self._apply(recounted, events)

    def _look_ahead(self, foresee: Foresee, now_s: float) -> bool:
        self._write_points()
        shop, state = self._shop, self._state
        try:
            with self._let_others_in():
                seen = foresee(shop, state, now_s)
        except StoreUnavailableError:
            raise
        except Exception:  # loop border: the outlook must never stop the watch over what is now
            log.exception("the outlook met a defect; what was foreseen before stands")
            return True
        if seen is not None:
            self._apply(*seen)
        return seen is not None

    def _close_gap(self, now_s: float, why: str = NOT_RUNNING) -> None:
        last_s = math.floor(now_s / self._shop.tick_s) * self._shop.tick_s
        if last_s - self._state.time_s > GAP_TICKS * self._shop.tick_s:
            self._apply(Gap(last_s, why))

    def _apply(self, given: Input, events: Sequence[NewEvent] = ()) -> Effects:
        """One step and what it writes; where the store fails, nothing has happened and it is tried again."""
        after, effects = step(self._shop, self._state, given)
        self._state = self._written(after, replace(effects, events=(*events, *effects.events)))
        if effects.outbox:
            self.on_posted()
        return effects

    def _written(self, state: CoreState, effects: Effects, *, force: bool = False) -> CoreState:
        """Series first, where writing again changes nothing; then all else in one transaction."""
        if effects.marks:
            self._series.mark(effects.marks)
        if effects.points and not self._points:
            self._before_points = (self._state, self._ticked_at)
        self._points += effects.points
        due = state.time_s - self._saved_s >= self._checkpoint_s
        save = bool(effects.events or effects.outbox or due or force)
        if save or len(self._points) >= POINTS_AT_ONCE:
            self._write_points()
        if not save:
            return state
        state = state if state.store else replace(state, store=self._series.identity())
        saved = Checkpoint(state.order, state.time_s, _encoder.encode(as_stored(state)))
        outbox = [(channel, self._dress(note)) for channel, note in effects.outbox]
        self._ledger.commit(effects.events, entered_s=state.time_s, outbox=outbox, checkpoint=saved)
        self._saved_s, self._known = state.time_s, state
        return state


def _arrived_by(stored: StoredReading, now_s: float) -> StoredReading:
    """A reading as of now, where it is said to have arrived later."""
    return stored._replace(reading=stored.reading._replace(arrived_s=now_s))
