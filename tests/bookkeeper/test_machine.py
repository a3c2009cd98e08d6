"""Any sequence of entries, corrections, waiting and power cuts keeps clocks equal to a clock from scratch.

The model is its own: it holds the entries as they should stand, lays out the stays by hand, knows the air
because the test made it, and counts with `clock_over` alone.
"""

import shutil
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import NO_AIR, AirSamples
from monitor.consumables.exposure_clock import ExposureClock, clock_over
from monitor.consumables.stays import DatedHappening as Happened
from monitor.consumables.stays import Happening, Stay
from monitor.core.heated_stores import HEATED
from monitor.history.entries import Entry, GotWet, Moved, Opened, RanOff, TestBead, Withdrawn
from monitor.model.errors import InputError
from monitor.model.event import Event, EventKind
from tests.bookkeeper.test_clocks import same
from tests.bookkeeper.yard import HOUR, START_S, ZONES, Air, Yard, yard_settings

TICK_S = 600.0
PACKAGES = {"rods": ("e7018", "panel-hall"), "spool": ("fcaw-folded-h8", "slip-bay")}
WAVES: dict[str, Air] = {
    "panel-hall": lambda t: (20.0, 0.50 + 0.05 * ((t // 3600) % 4)),
    "slip-bay": lambda t: None if (t // 3600) % 6 == 3 else (17.0 + (t // 1800) % 3, 0.85),
    "dry-cabinet": lambda t: (24.0, 0.15 if (t // 7200) % 2 else 0.45),
    "rod-oven": lambda t: (130.0 if (t // 5400) % 3 else 100.0, None),
}
PLACES = [
    Moved(Place.OPEN_AIR, "panel-hall"),
    Moved(Place.ON_MACHINE, "slip-bay"),
    Moved(Place.BAGGED, "panel-hall"),
    Moved(Place.DRY_CABINET, "dry-cabinet"),
    Moved(Place.HOLDING_OVEN, "rod-oven"),
    Moved(Place.REDRY, "rod-oven", 300.0),
    Moved(Place.UNKNOWN, ""),
]
HAPPENINGS: list[Entry] = [GotWet(), TestBead(sound=True), TestBead(sound=False), RanOff(0.0012), Withdrawn()]
KINDS = {
    GotWet: Happening.GOT_WET,
    RanOff: Happening.RAN_OFF,
    Withdrawn: Happening.WITHDRAWN,
}
entries = st.sampled_from([*PLACES, *HAPPENINGS[:-1]])
packages = st.sampled_from(sorted(PACKAGES))
shares = st.integers(0, 20).map(lambda n: n / 20.0)


@dataclass
class Kept:
    """One entry as the model believes it now."""

    event: Event
    time_s: float
    entry: Entry
    void: bool = False


def stays_of(kept: list[Kept]) -> tuple[list[Stay], list[Happened]]:
    """Stays and happenings of entries in order of time, laid out by hand."""
    stays: list[Stay] = []
    happened: list[Happened] = []
    for one in sorted((k for k in kept if not k.void), key=lambda k: (k.time_s, k.event.number)):
        entry = one.entry
        if isinstance(entry, Opened | Moved):
            if stays:
                last = stays.pop()
                stays.append(
                    Stay(last.place, last.zone, last.start_s, one.time_s, last.checked_temperature_c)
                )
            checked = entry.checked_temperature_c if isinstance(entry, Moved) else None
            stays.append(Stay(entry.place, entry.zone or None, one.time_s, None, checked))
        elif isinstance(entry, TestBead):
            kind = Happening.BEAD_SOUND if entry.sound else Happening.BEAD_NOT_SOUND
            happened.append(Happened(kind, one.time_s))
        else:
            depth_m = entry.depth_m if isinstance(entry, RanOff) else 0.0
            happened.append(Happened(KINDS[type(entry)], one.time_s, depth_m))
    return stays, happened


def air_of(zone: str, start_s: float, end_s: float) -> AirSamples:
    """What the zone's derived series must hold: a point a tick, after silence from the second reading on."""
    if zone not in WAVES:
        return NO_AIR
    rows = []
    # Of a heated place the air is kept at the time at which it was measured, a second before the tick.
    early_s = 1.0 if ZONES[zone][0] in HEATED else 0.0
    first = int(np.ceil(max(start_s + early_s, START_S + TICK_S) / TICK_S))
    for n in range(first, int((end_s + early_s) // TICK_S) + 1):
        now = WAVES[zone](n * TICK_S)
        if now is not None and WAVES[zone]((n - 1) * TICK_S) is not None:
            rows.append((n * TICK_S - early_s, now[0], np.nan if now[1] is None else now[1]))
    if not rows:
        return NO_AIR
    times, warm, damp = np.array(rows).T
    return AirSamples(times, warm, damp, np.ones(times.size, dtype=np.bool_))


class KeeperMachine(RuleBasedStateMachine):
    """Two packages, worked with by people who make slips and a machine that loses power."""

    @initialize()
    def start(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="keeper-machine-"))
        service = {
            "data_dir": str(self.folder), "tick_s": TICK_S, "derived_every_s": TICK_S, "checkpoint_s": 3600,
        }  # fmt: skip
        self.yard = Yard(self.folder, yard_settings(self.folder, service=service))
        self.yard.air = dict(WAVES)
        self.yard.every_s = TICK_S
        self.kept: dict[str, list[Kept]] = {name: [] for name in PACKAGES}
        self.yard.run_to(START_S + 2 * TICK_S)
        for package, (consumable, zone) in PACKAGES.items():
            self.put(package, Opened(package.title(), consumable, zone), self.yard.fed_s)
        self.yard.run_to(START_S + 5 * TICK_S)

    def teardown(self) -> None:
        if hasattr(self, "yard"):
            self.corrected_is_as_good_as_right_at_first()
            assert self.yard.ledger.verify().broken_at is None
            self.yard.close()
            shutil.rmtree(self.folder)

    def is_open(self, package: str) -> bool:
        return any(not one.void and isinstance(one.entry, Opened) for one in self.kept[package])

    def at(self, package: str, share: float) -> float:
        """A moment between the opening (or an hour ago) and now, whole seconds."""
        opened = [k.time_s for k in self.kept[package] if not k.void and isinstance(k.entry, Opened)]
        since_s = opened[0] if opened else self.yard.fed_s - HOUR
        return round(since_s + share * (self.yard.fed_s - since_s))

    def put(self, package: str, entry: Entry, time_s: float) -> None:
        """Enter it; where it is refused nothing may have changed."""
        head, before = self.yard.ledger.head(), self.yard.loop.state
        try:
            event = self.yard.enter(package, entry, time_s)
        except InputError:
            assert self.yard.ledger.head() == head
            assert self.yard.loop.state == before
            return
        self.kept[package].append(Kept(event, time_s, entry))

    @rule(ticks=st.integers(1, 9), odd_s=st.sampled_from([0.0, 137.0, 599.0]))
    def time_passes(self, ticks: int, odd_s: float) -> None:
        self.yard.run_to(self.yard.fed_s + ticks * TICK_S + odd_s)

    @rule(package=packages, share=shares)
    def somebody_opens_it(self, package: str, share: float) -> None:
        consumable, zone = PACKAGES[package]
        self.put(package, Opened(package.title(), consumable, zone), self.at(package, share))

    @rule(package=packages, entry=entries)
    def something_is_done_now(self, package: str, entry: Entry) -> None:
        self.put(package, entry, self.yard.fed_s)

    @rule(package=packages, entry=entries, share=shares)
    def something_is_entered_late(self, package: str, entry: Entry, share: float) -> None:
        self.put(package, entry, self.at(package, share))

    @precondition(lambda self: any(self.kept.values()))
    @rule(package=packages, data=st.data(), share=shares)
    def a_time_is_put_right(self, package: str, data: st.DataObject, share: float) -> None:
        if (one := self.pick(package, data)) is not None and not one.void:
            time_s = self.at(package, share)
            if self.right(one, time_s=time_s):
                one.time_s = time_s

    @precondition(lambda self: any(self.kept.values()))
    @rule(package=packages, data=st.data(), entry=st.sampled_from(PLACES))
    def an_entry_is_put_right(self, package: str, data: st.DataObject, entry: Moved) -> None:
        one = self.pick(package, data)
        if one is not None and isinstance(one.entry, Moved) and not one.void:
            body = {
                "entry": "moved", "place": str(entry.place), "zone": entry.zone,
                "checked_temperature_c": entry.checked_temperature_c,
            }  # fmt: skip
            if self.right(one, body=body):
                one.entry = entry

    @precondition(lambda self: any(self.kept.values()))
    @rule(package=packages, data=st.data())
    def an_entry_is_taken_back_or_stands_again(self, package: str, data: st.DataObject) -> None:
        if (one := self.pick(package, data)) is not None and self.right(one, void=not one.void):
            one.void = not one.void

    def pick(self, package: str, data: st.DataObject) -> Kept | None:
        return data.draw(st.sampled_from(self.kept[package])) if self.kept[package] else None

    def right(self, one: Kept, **body: object) -> bool:
        head, before = self.yard.ledger.head(), self.yard.loop.state
        try:
            self.yard.correct(one.event, **body)
        except InputError:
            assert self.yard.ledger.head() == head
            assert self.yard.loop.state == before
            return False
        return True

    @rule(clean=st.booleans())
    def the_service_starts_again(self, clean: bool) -> None:
        self.yard.restart(clean=clean)

    @rule(package=packages)
    def the_last_post_comes_twice(self, package: str) -> None:
        if self.kept[package]:
            event = self.kept[package][-1].event
            entry = self.kept[package][-1].entry
            assert self.yard.enter(package, entry, event.time_s, key=event.key) == event

    @invariant()
    def clocks_are_those_of_the_model(self) -> None:
        for package in PACKAGES if hasattr(self, "yard") else ():
            live = self.yard.loop.state.clocks.get(package)
            stays, happened = stays_of(self.kept[package])
            if live is None:
                assert not stays or stays[0].start_s > self.yard.loop.state.time_s
                continue
            same(live, self.by_the_model(package, stays, happened, live.time_s))
        if hasattr(self, "yard"):
            assert self.yard.keeper.refusals == {}

    def by_the_model(
        self, package: str, stays: list[Stay], happened: list[Happened], until_s: float
    ) -> ExposureClock:
        begun = [stay for stay in stays if stay.start_s <= until_s]
        done = [event for event in happened if event.time_s <= until_s]
        rules = self.yard.keeper.recall().rules(package)
        assert rules is not None
        return clock_over(begun, air_of, rules, until_s, done)

    def corrected_is_as_good_as_right_at_first(self) -> None:
        deriver = self.yard.keeper.deriver
        for package, kept in self.kept.items():
            events = self.yard.ledger.events(subject=package)
            right = [
                Event(one.event.number, EventKind.PACKAGE, package, one.time_s, body)
                for one, body in ((k, _body(k)) for k in kept if not k.void)
            ]
            found, wanted = (
                deriver.declared.package(package, events),
                deriver.declared.package(package, right),
            )
            assert found.refusals == wanted.refusals == ()
            if found.history is not None and wanted.history is not None:
                assert (found.history.stays, found.history.happenings) == (
                    wanted.history.stays,
                    wanted.history.happenings,
                )
            else:
                assert found.history is wanted.history is None


def _body(kept: Kept) -> dict[str, object]:
    if isinstance(kept.entry, Moved):
        return {
            "entry": "moved", "place": str(kept.entry.place), "zone": kept.entry.zone,
            "checked_temperature_c": kept.entry.checked_temperature_c,
        }  # fmt: skip
    return dict(kept.event.body)


KeeperMachine.TestCase.settings = settings(
    max_examples=25,
    stateful_step_count=14,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much],
)


@pytest.mark.timeout(600)
class TestKeeper(KeeperMachine.TestCase):  # type: ignore[name-defined,misc]
    """The machine, run."""
