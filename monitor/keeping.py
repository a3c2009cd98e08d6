"""Keeps the shop's things: takes people's entries into the ledger and re-derives what follows from them."""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np

from monitor.errors import Fault, InputError
from monitor.exposure.air import AirSamples
from monitor.exposure.clock import clock_over
from monitor.exposure.history import checked_history
from monitor.loop import CoreLoop
from monitor.physics.bodies import body_data
from monitor.physics.lag import start_state
from monitor.reference import load_toml
from monitor.settings import Cylinder, Plate, Settings
from monitor.shop import cylinder_facts, declared_history, package_facts, plate_facts
from monitor.stages.facts import BodyFacts
from monitor.stages.series import ZONE
from monitor.stages.state import BodySet, ClockSet
from monitor.store.contract import Event, Ledger, SeriesStore
from monitor.things.entries import (
    CylinderChanged,
    CylinderDelivered,
    CylinderMoved,
    Entry,
    PlateBroughtIn,
    PlateGone,
    entry_of,
)
from monitor.things.histories import PackageHistory, Told, corrected, dated_entries, package_history
from monitor.values import EventKind, NewEvent, Quantity, SeriesKey

THINGS = (EventKind.PACKAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.STORAGE, EventKind.BEAD)
EVERY = 1_000_000
BROUGHT_IN_STD_K = 2.0  # how well the temperature of something just brought in is known


class Keeper:
    """The things of one shop. An entry is checked, then written; what it changes is derived anew."""

    def __init__(self, settings: Settings, series: SeriesStore, ledger: Ledger, loop: CoreLoop) -> None:
        self._settings = settings
        self._series = series
        self._ledger = ledger
        self._loop = loop
        self._bodies = body_data(load_toml("bodies.toml"))
        self._declared = {package.id: package for package in settings.packages}
        self._outdoor = next((zone.id for zone in settings.zones if zone.kind == "outdoor"), None)

    def load(self) -> None:
        """Take up everything the ledger tells, after a start."""
        events = [
            told(event) for event in self._ledger.events(kinds=[*THINGS, EventKind.CORRECTION], limit=EVERY)
        ]
        for subject in dict.fromkeys(event.subject for event in events):
            self._derive(subject, [event for event in events if event.subject == subject])

    def record(self, event: NewEvent, now_s: float) -> Event:
        """Check an entry, write it, and derive what it changes; InputError where it cannot be true."""
        if event.kind in THINGS and event.kind is not EventKind.BEAD:
            entry_of(event.kind, event.body)
        if event.time_s > now_s + 60.0:
            raise InputError(
                [Fault("time", f"{event.time_s:.0f}", "lies in the future; enter what has happened")]
            )
        known = self._told_of(event.subject)
        candidate = Told(EVERY, event.kind, event.subject, event.time_s, event.body)
        if event.kind is EventKind.CORRECTION:
            self._check_correction(event, known)
        repeat = event.key is not None and self._has_key(event.subject, event.key)
        if not repeat:
            self._check([*known, candidate], event.subject, now_s)
        written = self._ledger.commit([event], entered_s=now_s)[0]
        if not repeat:
            self._derive(event.subject, self._told_of(event.subject))
        return written

    def history(self, package: str) -> PackageHistory | None:
        """A package's history as it is now known."""
        return self._history(package, self._told_of(package))

    def _told_of(self, subject: str) -> list[Told]:
        return [told(event) for event in self._ledger.events(subject=subject, limit=EVERY)]

    def _has_key(self, subject: str, key: str) -> bool:
        return any(event.key == key for event in self._ledger.events(subject=subject, limit=EVERY))

    def _check_correction(self, event: NewEvent, known: Sequence[Told]) -> None:
        number = event.body.get("of")
        if not any(earlier.number == number for earlier in known):
            raise InputError(
                [Fault("of", str(number), "is no entry of this thing; name the one to put right")]
            )
        body = event.body.get("body")
        if isinstance(body, dict):
            entry_of(next(e.kind for e in known if e.number == number), body)

    def _check(self, events: Sequence[Told], subject: str, now_s: float) -> None:
        history = self._history(subject, events)
        if history is not None:
            checked_history(history.stays, history.happenings, now_s)
            package_facts(history)
            known = {zone.id for zone in self._settings.zones}
            for stay in history.stays:
                if stay.zone is not None and stay.zone not in known:
                    raise InputError([Fault("zone", stay.zone, f"use one of: {', '.join(sorted(known))}")])

    def _history(self, package: str, events: Iterable[Told]) -> PackageHistory | None:
        declared = self._declared.get(package)
        before = None if declared is None else declared_history(declared)
        return package_history(package, dated_entries(events, EventKind.PACKAGE), before)

    def _derive(self, subject: str, events: list[Told]) -> None:
        kinds = {event.kind for event in events}
        if EventKind.PACKAGE in kinds:
            self._derive_package(subject, events)
        if EventKind.CYLINDER in kinds or EventKind.STEEL in kinds:
            self._derive_body(subject, corrected(events))

    def _derive_package(self, package: str, events: list[Told]) -> None:
        history = self._history(package, events)
        if history is None:
            self._loop.reshape(packages={package: None}, given=ClockSet(package, None))
            return
        declared = self._declared.get(package)
        facts = package_facts(history, None if declared is None else declared.shop_limit_h)
        until_s = self._loop.state.time_s
        clock = None
        if until_s > history.opened_s:
            clock = clock_over(history.stays, self._air, facts.rules, until_s, history.happenings)
        self._loop.reshape(packages={package: facts}, given=ClockSet(package, clock))

    def _air(self, zone: str, start_s: float, end_s: float) -> AirSamples:
        """A zone's believed air out of the store."""
        warm = self._series.slice(SeriesKey(zone, ZONE, Quantity.AIR_TEMPERATURE), start_s, end_s, EVERY)
        damp = self._series.slice(SeriesKey(zone, ZONE, Quantity.RELATIVE_HUMIDITY), start_s, end_s, EVERY)
        times, at_warm, at_damp = np.intersect1d(warm.time_s, damp.time_s, return_indices=True)
        return AirSamples(
            times, warm.value[at_warm], damp.value[at_damp], np.ones(times.size, dtype=np.bool_)
        )

    def _derive_body(self, subject: str, events: list[Told]) -> None:
        facts: BodyFacts | None = self._loop.shop.bodies.get(subject)
        start: BodySet | None = None
        for event in events:
            if event.kind in (EventKind.CYLINDER, EventKind.STEEL):
                entry = entry_of(event.kind, event.body)
                facts = self._body(subject, facts, entry)
                start = self._start(subject, facts, entry, event.time_s) or start
        if facts is not None:
            self._loop.reshape(bodies={subject: facts}, given=start)

    def _body(self, subject: str, facts: BodyFacts | None, entry: Entry) -> BodyFacts | None:
        match entry:
            case CylinderDelivered(name=name, gas=gas, zone=zone):
                fields = {"id": subject, "zone": zone, "name": name, "gas": gas}
                return cylinder_facts(Cylinder.model_validate(fields), self._bodies)
            case PlateBroughtIn() as plate:
                fields = {
                    "id": subject,
                    "zone": plate.zone,
                    "name": plate.name,
                    "thickness_m": plate.thickness_m,
                    "width_m": plate.width_m,
                    "length_m": plate.length_m,
                    "faces": plate.faces,
                    "stacked": plate.stacked,
                }
                return plate_facts(Plate.model_validate(fields), self._bodies)
            case CylinderMoved(zone=zone) if facts is not None:
                return replace(facts, zone=zone, present=True)
            case CylinderChanged() | PlateGone() if facts is not None:
                return replace(facts, present=False)
        return facts

    def _start(self, subject: str, facts: BodyFacts | None, entry: Entry, time_s: float) -> BodySet | None:
        """A body that comes in starts at the temperature it was entered with, else at the outdoor air's."""
        if facts is None or not isinstance(entry, CylinderDelivered | PlateBroughtIn):
            return None
        temperature_c = entry.start_temperature_c
        if temperature_c is None:
            temperature_c = self._outdoor_c(time_s)
        if temperature_c is None:
            return BodySet(subject, None)
        state = start_state(facts.body, time_s, temperature_c, temperature_std_k=BROUGHT_IN_STD_K)
        return BodySet(subject, state)

    def _outdoor_c(self, time_s: float) -> float | None:
        if self._outdoor is None:
            return None
        key = SeriesKey(self._outdoor, ZONE, Quantity.AIR_TEMPERATURE)
        near = self._series.slice(key, time_s - 3600.0, time_s + 1.0)
        return float(near.value[-1]) if near.value.size else None


def told(event: Event) -> Told:
    """A ledger event as far as a history needs it."""
    return Told(event.number, event.kind, event.subject, event.time_s, event.body)
