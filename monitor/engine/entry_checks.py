"""Checks an entry before it is written, and completes it with what rules and sensors say at that moment."""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC
from typing import Any

from monitor.beads.acceptance_rules import acceptances
from monitor.consumables.classes import ConsumableKind, Place, class_named
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.run_off import WIRES, RunOffGuide, run_off_guide
from monitor.consumables.spools import RunOffAdvice, run_off_advice, spool_data, spool_layers
from monitor.consumables.stays import Happening
from monitor.consumables.verdict import package_verdict
from monitor.engine.air_at_entry import Observer
from monitor.engine.derivation import Deriver
from monitor.history.bead_records import is_sound, judged
from monitor.history.entries import (
    JUDGED,
    BeadWelded,
    CylinderDelivered,
    Entry,
    Opened,
    RanOff,
    StoreChecked,
    TestBead,
    body_of,
    entry_of,
)
from monitor.history.package_history import PackageHistory
from monitor.history.placement import place_faults
from monitor.history.records import corrected, moment
from monitor.history.shop_history import BODY_KINDS, ShopHistory
from monitor.model.errors import Fault, InputError
from monitor.model.event import Event, EventKind, NewEvent
from monitor.model.reading import Quantity
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore

TRIED = (Happening.RAN_OFF, Happening.BEAD_SOUND, Happening.BEAD_NOT_SOUND)
NOT_YET = 1_000_000_000  # stands for the number an entry will get
AHEAD_S = 60.0  # clocks of phones differ a little
OLDEST_S = 946_684_800.0  # the year 2000
Completed = tuple[list[NewEvent], dict[str, ShopHistory]]  # what is written, and its things as they then are
THINGS = (EventKind.PACKAGE, EventKind.CYLINDER, EventKind.STEEL, EventKind.STORAGE, EventKind.BEAD)


class EntryChecks:
    """What may be entered in one shop; everything else is refused with field, value and fix."""

    def __init__(self, settings: Settings, series: SeriesStore, ledger: Ledger, deriver: Deriver) -> None:
        self._ledger = ledger
        self._deriver = deriver
        self._zones = {zone.id: str(zone.kind) for zone in settings.zones}
        self._acceptances = acceptances(load_toml("bead_acceptance.toml"))
        quality = load_toml("quality.toml")["quantities"][Quantity.RELATIVE_HUMIDITY]
        self._driest_frac: float = quality["driest"]["value"]
        self._spools = spool_data(load_toml("spools.toml"))
        self.observer = Observer(series, ledger, deriver)

    def time(self, time_s: float, now_s: float, name: str = "time") -> None:
        """Refuse a time that is none, lies in the future or before anything here was."""
        if not math.isfinite(time_s):
            raise InputError([Fault(name, repr(time_s), "write a moment, in seconds since 1970")])
        if time_s > now_s + AHEAD_S:
            found = moment(time_s, self._deriver.declared.tz)
            raise InputError([Fault(name, found, "lies in the future; enter what has happened")])
        if time_s < OLDEST_S:
            found = moment(max(time_s, -6e10), UTC)
            raise InputError([Fault(name, found, "lies before the year 2000; correct it")])

    def completed(self, event: NewEvent, known: Sequence[Event], now_s: float) -> Completed:
        """The entry as it is written, and what is written with it; InputError if it cannot be true."""
        self._plain(event)
        self.time(event.time_s, now_s)
        if event.kind is EventKind.CORRECTION:
            return self._correction(event, known, now_s)
        self._identity(event.subject, event.kind, known)
        entry = self._entry(event.kind, event.body)
        self._fits(entry, event.subject)
        if isinstance(entry, BeadWelded):
            return self._bead(event, entry, known)
        candidate = Event(NOT_YET, event.kind, event.subject, event.time_s, event.body)
        after = self._stands(event.subject, event.kind, known, [*known, candidate])
        return [replace(event, body=body_of(self._observed(entry, event.subject, event.time_s)))], after

    def run_off(self, history: PackageHistory, clock: ExposureClock, rules: ClockRules) -> RunOffGuide | None:
        """How to run off this wire, where its verdict or the estimate calls for it."""
        advice = self._run_off_estimate(history, clock, rules)
        tried = (one for one in reversed(history.happenings) if one.kind in TRIED)
        last = next((one.kind for one in tried if one.time_s <= clock.time_s), None)
        verdict = package_verdict(clock, rules)
        kind, seismic = rules.consumable.kind, rules.seismic_work
        guide = run_off_guide(verdict, kind, self._spools, advice, last, seismic_work=seismic)
        if guide is None or advice is not None or rules.consumable.sorption is None:
            return guide
        return replace(guide, estimate=self._not_said(history))

    def _not_said(self, history: PackageHistory) -> str:
        """What nobody said of a wire, without which nobody can work out how much is to be run off."""
        unsaid = [] if history.spool in self._spools.spools else ["its spool"]
        unsaid += [] if history.wire_m is not None else ["its wire size"]
        return f"How many layers and kilograms is not known: nobody said {' and '.join(unsaid)}."

    def _run_off_estimate(
        self, history: PackageHistory, clock: ExposureClock, rules: ClockRules
    ) -> RunOffAdvice | None:
        """None where spool or wire size are not known, or its wire takes no water."""
        wire, sorption = WIRES.get(rules.consumable.kind), rules.consumable.sorption
        spool, wire_m = history.spool, history.wire_m
        if wire is None or sorption is None or wire_m is None or spool not in self._spools.spools:
            return None
        layers = spool_layers(self._spools, spool, wire, wire_m, history.mass_kg)
        material = self._deriver.book.sorption.materials[sorption]
        return run_off_advice(clock, rules, material, layers, self._spools.wires[wire].feed_m_min.value)

    def _plain(self, event: NewEvent) -> None:
        faults = []
        if not event.who.strip():
            faults.append(Fault("who", "nothing", "say who you are"))
        if not event.subject.strip() or len(event.subject) > 64:
            faults.append(Fault("subject", repr(event.subject[:70]), "name the thing by its label"))
        if faults:
            raise InputError(faults)

    def _identity(self, subject: str, kind: EventKind, known: Sequence[Event]) -> None:
        """One label, one thing."""
        kinds = {one.kind for one in corrected(known)} | {self._deriver.declared.kind_of(subject)}
        others = sorted(str(one) for one in kinds - {kind, None} if one in THINGS)
        if others:
            fix = f"is the label of a {others[0]}; use the label of a {kind}"
            raise InputError([Fault("subject", subject, fix)])

    def _entry(self, kind: EventKind, body: Mapping[str, object]) -> Entry:
        if kind is EventKind.BEAD:  # what a verdict says is worked out here, not taken over
            body = {name: value for name, value in body.items() if name not in JUDGED}
        return entry_of(kind, body)

    def _fits(self, entry: Entry, subject: str) -> None:
        """Zones, classes, spools and sizes that are known here."""
        faults = place_faults(entry, subject, self._zones)
        match entry:
            case Opened(spool=spool) if spool and spool not in self._spools.spools:
                faults.append(Fault("spool", spool, f"use one of: {', '.join(sorted(self._spools.spools))}"))
            case StoreChecked(rh_frac=float(frac)) if frac < self._driest_frac:
                fix = f"is drier than a display can be told from a fraction; enter percent, {frac * 1e4:.0f}?"
                faults.append(Fault("rh_frac", f"{frac * 100.0:.2f} %", fix))
            case CylinderDelivered(gas=gas) if gas not in self._deriver.gases:
                faults.append(Fault("gas", gas or "nothing", f"use one of: {', '.join(self._deriver.gases)}"))
        if isinstance(entry, Opened):
            faults += _faults_of(lambda: class_named(self._deriver.book.classes, entry.consumable))
        if faults:
            raise InputError(faults)

    def _stands(
        self, subject: str, kind: EventKind, before: Sequence[Event], after: Sequence[Event]
    ) -> dict[str, ShopHistory]:
        """The thing as it is after; refuses what cannot be true beside the rest, or makes that untrue."""
        if kind is not EventKind.PACKAGE and kind not in BODY_KINDS:
            return {}
        found = self._deriver.declared.thing(subject, after)
        refused = found.refused(subject)
        if refused:
            old = {one.number for one in self._deriver.declared.thing(subject, before).refused(subject)}
            faults = [fault for one in refused if one.number not in old for fault in one.faults]
            if faults:
                raise InputError(faults)
        if kind is EventKind.PACKAGE:
            self._kind_fits(found.packages[subject].history, after)
        return {subject: found}

    def _kind_fits(self, history: PackageHistory | None, events: Sequence[Event]) -> None:
        """Only wire is run off, and only rods go into a quiver."""
        newest = next((one for one in events if one.number == NOT_YET), None)
        if newest is None or history is None:
            return
        kind = class_named(self._deriver.book.classes, history.consumable).kind
        if newest.body.get("place") == Place.HEATED_QUIVER and kind is not ConsumableKind.COVERED_ELECTRODE:
            fix = f"is for covered electrodes; this is a {kind}"
            raise InputError([Fault("place", Place.HEATED_QUIVER, fix)])
        if newest.body.get("entry") == RanOff.entry and kind not in WIRES:
            raise InputError([Fault("entry", RanOff.entry, f"only wire is run off; this is a {kind}")])

    def _observed(self, entry: Entry, subject: str, time_s: float) -> Entry:
        if isinstance(entry, TestBead) and not entry.bead:
            return replace(entry, seen=self.observer.seen(time_s, package=subject))
        return entry

    def _bead(self, event: NewEvent, entry: BeadWelded, known: Sequence[Event]) -> Completed:
        if any(one.kind is EventKind.BEAD for one in corrected(known)):
            raise InputError([Fault("subject", event.subject, "is recorded already; correct that entry")])
        self._links(entry)
        done = self._judged(entry, event.time_s)
        bead = replace(event, body=body_of(done))
        if not done.package:
            return [bead], {}
        sound = is_sound(done)
        told_too = replace(
            event,
            kind=EventKind.PACKAGE,
            subject=done.package,
            body=body_of(TestBead(bool(sound), event.subject, done.seen)),
            key=f"{event.key or f'bead/{event.subject}'}/package",
        )
        others = self._ledger.events(subject=done.package)
        candidate = Event(NOT_YET, EventKind.PACKAGE, done.package, event.time_s, told_too.body)
        after = self._stands(done.package, EventKind.PACKAGE, others, [*others, candidate])
        # a bead that was not judged says nothing of its package
        return ([bead], {}) if sound is None else ([bead, told_too], after)

    def _judged(self, entry: BeadWelded, time_s: float) -> BeadWelded:
        seen = self.observer.seen(
            time_s, package=entry.package, zone=entry.zone, cylinder=entry.cylinder, plate=entry.plate
        )
        return judged(entry, self._acceptances, seen)

    def _links(self, entry: BeadWelded) -> None:
        wanted = (
            ("package", entry.package, EventKind.PACKAGE),
            ("cylinder", entry.cylinder, EventKind.CYLINDER),
            ("plate", entry.plate, EventKind.STEEL),
        )
        faults = [
            Fault(name, subject, f"is no {kind} known here; leave it out or correct it")
            for name, subject, kind in wanted
            if subject
            and self._deriver.declared.kind_of(subject) is not kind
            and not self._told_of(subject, kind)
        ]
        if faults:
            raise InputError(faults)

    def _told_of(self, subject: str, kind: EventKind) -> bool:
        return bool(self._ledger.newest(1, kinds=[kind], subject=subject).events)

    def _correction(self, event: NewEvent, known: Sequence[Event], now_s: float) -> Completed:
        target = self._target(event, known)
        body: dict[str, Any] = dict(event.body)
        self._readable(body, now_s)
        time_s, new = float(body.get("time_s", target.time_s)), body.get("body", target.body)
        if {"body", "time_s"} & set(body):
            entry = self._entry(target.kind, new)
            self._fits(entry, event.subject)
            if isinstance(entry, BeadWelded):
                self._same_package(entry, target)
                self._links(entry)
                entry = self._judged(entry, time_s)
            body["body"] = body_of(self._observed(entry, event.subject, time_s))
        right = replace(event, body=body)
        after = [*known, Event(NOT_YET, EventKind.CORRECTION, event.subject, event.time_s, body)]
        own = self._stands(event.subject, target.kind, known, after)
        beside, package = self._correction_of_package(right, target)
        return [right, *beside], {**own, **package}

    def _target(self, event: NewEvent, known: Sequence[Event]) -> Event:
        """The entry that is to be put right, as it stands now."""
        number = event.body.get("of")
        first = next((one for one in known if one.number == number), None)
        if first is None or first.kind is EventKind.CORRECTION:
            fix = "is no entry of this thing; name the one to put right"
            if first is not None:
                fix = f"is itself a correction; name the entry it was about ({first.body.get('of')})"
            raise InputError([Fault("of", str(number), fix)])
        return next((one for one in corrected(known) if one.number == number), first)

    def _readable(self, body: Mapping[str, Any], now_s: float) -> None:
        unknown = sorted(set(body) - {"of", "void", "time_s", "body"})
        faults = [Fault(name, repr(body[name])[:60], "is not part of a correction") for name in unknown]
        if not {"void", "time_s", "body"} & set(body):
            faults.append(Fault("correction", "nothing", "say void, or a new time, or a new entry"))
        if not isinstance(body.get("void", False), bool):
            faults.append(Fault("void", repr(body["void"]), "write true or false"))
        time_s = body.get("time_s", 0.0)
        if not isinstance(time_s, int | float) or isinstance(time_s, bool):
            faults.append(Fault("time_s", repr(time_s), "write seconds since 1970"))
        if not isinstance(body.get("body", {}), Mapping):
            faults.append(Fault("body", repr(body["body"])[:60], "write the entry as it should be"))
        if faults:
            raise InputError(faults)
        if "time_s" in body:
            self.time(float(time_s), now_s, "time_s")

    def _same_package(self, entry: BeadWelded, target: Event) -> None:
        if entry.package != target.body.get("package", ""):
            fix = "cannot be changed by a correction; take the bead back and enter it anew"
            raise InputError([Fault("package", entry.package or "nothing", fix)])

    def _correction_of_package(self, right: NewEvent, target: Event) -> Completed:
        """A bead's correction goes for the package that it was welded with too."""
        package = target.body.get("package")
        if target.kind is not EventKind.BEAD or not package:
            return [], {}
        others = self._ledger.events(subject=str(package))
        linked = next((one for one in others if one.body.get("bead") == right.subject), None)
        if linked is None:
            return [], {}
        body = {name: value for name, value in right.body.items() if name != "body"} | {"of": linked.number}
        new = right.body.get("body")
        if isinstance(new, Mapping):
            bead = entry_of(EventKind.BEAD, new)
            assert isinstance(bead, BeadWelded)
            sound = is_sound(bead)
            if sound is None:  # what was told of the package is taken back
                body = {"of": linked.number, "void": True}
            else:
                body["body"] = body_of(TestBead(sound, right.subject, bead.seen))
        after = [*others, Event(NOT_YET, EventKind.CORRECTION, str(package), right.time_s, body)]
        found = self._stands(str(package), EventKind.PACKAGE, others, after)
        key = None if right.key is None else f"{right.key}/package"
        return [replace(right, subject=str(package), body=body, key=key)], found


def _faults_of(look: Callable[[], object]) -> list[Fault]:
    try:
        look()
    except InputError as error:
        return list(error.faults)
    return []
