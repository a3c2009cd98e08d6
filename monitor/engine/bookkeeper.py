"""Keeps the shop's things: takes people's entries into the ledger and re-derives what follows from them."""

import logging
import math
import threading
from collections.abc import Iterable, Mapping, Sequence
from contextlib import AbstractContextManager

from monitor.consumables.classes import Place
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.oven_doubts import oven_doubts
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.run_off import RunOffGuide
from monitor.consumables.stays import Happening
from monitor.core.heated_stores import store_now
from monitor.core.package_clocks import as_entered
from monitor.core.shop import Shop, StoreFacts, with_calibrations, with_things
from monitor.core.state import Rederived
from monitor.core.supposed import NOT_KNOWN, Held
from monitor.engine.derivation import Deriver
from monitor.engine.entry_checks import EntryChecks
from monitor.engine.kept_things import KeptThings
from monitor.engine.loop import CoreLoop
from monitor.engine.recall import Recall
from monitor.engine.stored_air import StoredAir
from monitor.history.body_history import BodyHistory
from monitor.history.entries import TestBead
from monitor.history.package_history import PackageHistory
from monitor.history.records import Refusal, corrected
from monitor.history.shop_history import TOLD, Derived, ShopHistory
from monitor.history.store_history import StoreHistory, StoreReading
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.picture import Part
from monitor.physics.placed_body import BodyFacts
from monitor.report.sensor_check_lines import all_checks
from monitor.sensors.quality_rules import calibrated_on_s
from monitor.sensors.salt_check import calibration_due_s
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore

log = logging.getLogger(__name__)

THINGS = (EventKind.PACKAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.STORAGE, EventKind.BEAD)
ENDED_S = 7 * 86_400.0  # how long what was withdrawn or is gone is still carried along


class Keeper:
    """The things of one shop. An entry is checked, then written; what it changes is derived anew."""

    def __init__(self, settings: Settings, series: SeriesStore, ledger: Ledger, loop: CoreLoop) -> None:
        self.deriver = Deriver(settings, series)
        self._kept = KeptThings(self.deriver.declared, ledger)
        self.checks = EntryChecks(settings, series, ledger, self.deriver)
        self.refusals: dict[str, tuple[Refusal, ...]] = {}  # entries in the ledger that cannot be true
        self.adrift: dict[str, str] = {}  # things that nobody watches: they lie in a zone that is gone
        self._settings = settings
        self._series = series
        self._ledger = ledger
        self._sensors = {sensor.id for sensor in settings.sensors}
        self._loop = loop
        self._lock = threading.RLock()
        # Written but not yet taken up: from when on, and the thing as its check found it where it has one.
        self._behind: dict[str, tuple[float, ShopHistory | None]] = {}
        self._saved_s = loop.state.time_s

    def load(self, *, anew: bool = False) -> None:
        """Take up everything the ledger tells, after a start; `anew`: nothing that is remembered stays."""
        with self._lock, self._loop.paused():
            told = self.things()
            self._loop.reshape(stores=_store_facts(self.deriver, told))
            air = StoredAir(self._series)
            for package, derived in told.packages.items():
                checks = self.deriver.declared.checks(derived.history, told.store)
                if derived.entered_s is not None or checks or anew:
                    self._set_package(package, derived, checks, air=air)
            for body, found in told.bodies.items():
                if found.entered_s is not None:
                    known = not anew and found.entered_s < self._saved_s
                    self._set_body(body, found, known=known)

    def paused(self) -> AbstractContextManager[bool]:
        """While it lasts nothing is entered; who pauses the loop too takes this first, as an entry does."""
        return self._lock

    def things(self) -> ShopHistory:
        """Everything that settings and ledger tell, as of now."""
        return self._kept.now()

    def record(self, event: NewEvent, now_s: float) -> Event:
        """Check an entry, write it, and derive what it changes; InputError where it cannot be true."""
        with self._lock:
            self._catch_up()
            if event.kind not in (*THINGS, EventKind.CORRECTION):
                self.checks.time(event.time_s, now_s)
                alone = self._ledger.commit([event], entered_s=now_s)[0]
                if alone.kind is EventKind.SENSOR_CHECK:
                    self._behind[alone.subject] = (alone.time_s, None)
                    self._catch_up()
                return alone
            own = self._ledger.events(subject=event.subject)
            repeated = _repeated(event, own)
            if repeated is not None:
                return repeated
            events, after = self.checks.completed(event, own, now_s)
            before = self._ledger.head().number
            written = self._ledger.commit(events, entered_s=now_s)
            if written[0].subject != event.subject:
                found = f"{event.key}, used for {written[0].subject}"
                raise InputError([Fault("key", found, "give every entry a key of its own")])
            for one, done in zip(events, written, strict=True):
                fresh = done.number > before  # else its key was there already, and it was not written
                self._mark_behind(one, own, after.get(one.subject) if fresh else None)
            self._catch_up()
            self._let_go()
            return written[0]

    def history(self, package: str) -> PackageHistory | None:
        """A package's history as it is now known."""
        return self.deriver.declared.package(package, self._told_of(package)).history

    def body(self, body: str) -> BodyHistory | None:
        """A cylinder's or plate's history as it is now known."""
        return self.deriver.declared.body(body, self._told_of(body)).history

    def facts(self, package: str) -> PackageFacts | None:
        """A package with its rules, as the core sees it."""
        history = self.history(package)
        return None if history is None else self.deriver.package_facts(history, self._checks(history))

    def clock_at(self, package: str, time_s: float) -> ExposureClock | None:
        """A package's clock at a moment, from its whole history; None before it was opened."""
        facts = self.facts(package)
        return None if facts is None else self.deriver.clock(facts, time_s)

    def recall(self) -> Recall:
        """What reports ask, as of now."""
        return Recall(self.deriver, self._series, self.things())

    def run_off(self, package: str) -> RunOffGuide | None:
        """How to run off a package's outer wraps, as of now; None where nothing calls for it."""
        facts, history = self._loop.shop.packages.get(package), self.history(package)
        state = self._loop.state
        clock = None if facts is None else as_entered(facts, state.clocks.get(package), state.spoken)
        if facts is None or history is None or clock is None:
            return None
        return self.checks.run_off(history, clock, facts.rules)

    def oven_doubts(self, package: str, place: Place, zone: str) -> tuple[str, ...]:
        """What speaks against putting a package into an oven now."""
        shop, state = self._loop.shop, self._loop.state
        facts = shop.packages.get(package)
        clock = None if facts is None else as_entered(facts, state.clocks.get(package), state.spoken)
        if facts is None or clock is None or zone not in shop.zones:
            return ()
        oven_c = store_now(shop, state, shop.zones[zone], state.time_s).hottest_c
        return oven_doubts(place, clock, facts.rules, oven_c)

    def parts(self) -> list[Part]:
        """The things that nobody watches, where there are any."""
        adrift = sorted(self.adrift.copy().items())
        if not adrift:
            return []
        lie = ", ".join(f"{thing} (in {zone or 'no zone'})" for thing, zone in adrift)
        words = f"not watched, the settings do not name their zones: {lie}; name them again or move these"
        return [Part("things", False, words, {"adrift": float(len(adrift))})]

    def _told_of(self, subject: str) -> list[Event]:
        return self._ledger.events(subject=subject)

    def _mark_behind(self, event: NewEvent, known: Sequence[Event], after: ShopHistory | None) -> None:
        since_s = event.time_s
        if event.kind is EventKind.CORRECTION:
            number, moved = event.body.get("of"), event.body.get("time_s")
            times = [one.time_s for one in (*known, *corrected(known)) if one.number == number]
            times += [float(moved)] if isinstance(moved, int | float) else []
            since_s = min(times, default=0.0)
        before_s, _ = self._behind.get(event.subject, (since_s, None))
        self._behind[event.subject] = (min(since_s, before_s), after)

    def _catch_up(self) -> None:
        """Derive what is written but not yet derived; where the store fails, the next entry tries again."""
        for subject, (since_s, after) in list(self._behind.items()):
            self._derive(subject, since_s, after)
            del self._behind[subject]

    def _let_go(self) -> None:
        """Packages withdrawn long ago are carried along no further, however long the service runs."""
        now_s = self._loop.state.time_s
        for package, facts in list(self._loop.shop.packages.items()):
            ends = (one.time_s for one in facts.happenings if one.kind is Happening.WITHDRAWN)
            if _ended(next(ends, None), now_s):
                self._derive(package, math.inf)

    def _derive(self, subject: str, since_s: float, after: ShopHistory | None = None) -> None:
        told = after or self.deriver.declared.thing(subject, self._told_of(subject))
        with self._loop.paused():
            if subject in self._sensors:
                self._loop.reshape(calibration_due_s=calibrations(self._settings, self._ledger))
            for zone, store in told.stores.items():
                self._set_store(zone, store, since_s)
            for package, derived in told.packages.items():
                self._set_package(package, derived, self._checks(derived.history), since_s)
            for body, found in told.bodies.items():
                self._set_body(body, found, since_s=since_s)

    def _set_store(self, zone: str, store: StoreHistory, since_s: float) -> None:
        """What was read in a place speaks for every package that lay there then."""
        self._loop.reshape(stores={zone: self.deriver.store_facts(zone, store)})
        for package, facts in list(self._loop.shop.packages.items()):
            there = (stay.end_s for stay in facts.stays if stay.zone == zone)
            if any(end_s is None or end_s > since_s for end_s in there):
                derived = self.deriver.declared.package(package, self._told_of(package))
                self._set_package(package, derived, self._checks(derived.history), since_s)

    def _set_package(
        self,
        package: str,
        derived: Derived[PackageHistory],
        checks: Mapping[str, Sequence[StoreReading]],
        since_s: float | None = None,
        air: StoredAir | None = None,
    ) -> None:
        """The package as told; its clock is derived anew where something changed in what it has counted."""
        self._note(package, derived.refusals)
        history, until_s = derived.history, self._loop.state.time_s
        gone = history is None or _ended(history.withdrawn_s, until_s)
        self._note_adrift(package, None if history is None or gone else history.zone)
        if history is None or gone:
            self._loop.reshape(packages={package: None}, given=Rederived({package: None}))
            return
        try:
            facts = self.deriver.package_facts(history, checks)
        except InputError as error:
            log.warning("package %s cannot be judged: %s", package, error)
            self._loop.reshape(packages={package: None}, given=Rederived({package: None}))
            return
        clock = self._loop.state.clocks.get(package)
        if since_s is None or clock is None or since_s <= clock.time_s:
            clock = self.deriver.clock(facts, until_s, air)
        self._loop.reshape(packages={package: facts}, given=Rederived({package: clock}))

    def _set_body(
        self, body: str, derived: Derived[BodyHistory], *, since_s: float = 0.0, known: bool = False
    ) -> None:
        """The body as told; `known`: the state it has had since before the start stays."""
        self._note(body, derived.refusals)
        history, state = derived.history, self._loop.state
        gone = history is None or (not history.present and _ended(history.last_s, state.time_s))
        here = history is not None and not gone and history.present
        self._note_adrift(body, history.zone if history is not None and here else None)
        if history is None or gone:
            self._loop.reshape(bodies={body: None}, given=Rederived(bodies={body: NOT_KNOWN}))
            return
        facts = self.deriver.body_facts(history)
        now = state.bodies.get(body)
        moved = now is not None and since_s > now.time_s and history.came_s != since_s
        if now is not None and (known or moved):
            kept = Held(now, state.supposed.get(body))
            self._loop.reshape(bodies={body: facts}, given=Rederived(bodies={body: kept}))
            return
        with_it = with_things(self._loop.shop, {}, {body: facts}, {})
        anew = self.deriver.body_state(history, facts, with_it, state.time_s)
        self._loop.reshape(bodies={body: facts}, given=Rederived(bodies={body: anew}))

    def _note_adrift(self, subject: str, zone: str | None) -> None:
        """What lies in a zone that the settings do not name is said, and told on the page."""
        if zone is None or zone in self.deriver.zones:
            self.adrift.pop(subject, None)
            return
        if self.adrift.get(subject) != zone:
            where = zone or "no zone"
            log.warning("%s lies in %s, which the settings do not name: it is not watched", subject, where)
        self.adrift[subject] = zone

    def _note(self, subject: str, refusals: tuple[Refusal, ...]) -> None:
        if not refusals:
            self.refusals.pop(subject, None)
            return
        self.refusals[subject] = refusals
        words = "; ".join(f"entry {one.number}: {one.faults[0]}" for one in refusals)
        log.warning("%s has entries that cannot be true and were left out: %s", subject, words)

    def _checks(self, history: PackageHistory | None) -> dict[str, tuple[StoreReading, ...]]:
        """What was read where a package has lain, by the entries of those places alone."""
        declared = self.deriver.declared
        return declared.checks(history, lambda zone: declared.store(self._told_of(zone)))


def shop_with_things(shop: Shop, settings: Settings, series: SeriesStore, ledger: Ledger) -> Shop:
    """The shop with what the ledger tells, for a start: what was remembered of its things is then kept."""
    deriver = Deriver(settings, series)
    things = deriver.declared.history(ledger.events(kinds=TOLD))
    packages: dict[str, PackageFacts | None] = {}
    for package, derived in things.packages.items():
        if derived.history is not None and derived.entered_s is not None:
            try:
                checks = deriver.declared.checks(derived.history, things.store)
                packages[package] = deriver.package_facts(derived.history, checks)
            except InputError as error:
                log.warning("package %s cannot be judged: %s", package, error)
    bodies: dict[str, BodyFacts | None] = {
        body: deriver.body_facts(derived.history)
        for body, derived in things.bodies.items()
        if derived.history is not None and derived.entered_s is not None
    }
    shop = with_things(shop, packages, bodies, _store_facts(deriver, things))
    return with_calibrations(shop, calibrations(settings, ledger))


def calibrations(settings: Settings, ledger: Ledger) -> dict[str, float | None]:
    """When the next calibration of every sensor that was ever checked here falls due."""
    checks = all_checks(ledger)
    return {
        sensor.id: calibration_due_s(checks[sensor.id], calibrated_on_s(sensor), sensor.calibration_days)
        for sensor in settings.sensors
        if sensor.id in checks
    }


def _store_facts(deriver: Deriver, things: ShopHistory) -> dict[str, StoreFacts]:
    return {zone: deriver.store_facts(zone, history) for zone, history in things.stores.items()}


def _ended(ended_s: float | None, now_s: float) -> bool:
    return ended_s is not None and now_s - ended_s > ENDED_S


def _repeated(event: NewEvent, own: Iterable[Event]) -> Event | None:
    """The event that a second post of the same entry stands for: same key, or the same bead told twice."""
    own = list(own)
    if event.key is not None:
        found = next((one for one in own if one.key == event.key), None)
        if found is not None:
            return found
    bead = event.body.get("bead")
    if event.kind is not EventKind.PACKAGE or event.body.get("entry") != TestBead.entry or not bead:
        return None
    kept = {one.number for one in corrected(own)}
    return next((one for one in own if one.number in kept and one.body.get("bead") == bead), None)
