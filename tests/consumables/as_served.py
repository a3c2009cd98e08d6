"""The service's own answer to a plan: its entries and readings, through what the service makes of them."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial
from types import SimpleNamespace

import numpy as np

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import NO_AIR, AirSamples
from monitor.consumables.exposure_clock import clock_over
from monitor.consumables.rule_book import RuleBook
from monitor.consumables.standing import Standing
from monitor.consumables.verdict import PackageVerdict, package_verdict
from monitor.core.mixing import hear
from monitor.core.package_clocks import zone_samples
from monitor.core.zone_air import Sample, ZoneAir
from monitor.engine.build import package_facts
from monitor.history.entries import Entry, GotWet, Moved, Opened, StoreChecked, Withdrawn, body_of
from monitor.history.package_history import PackageHistory, from_settings, package_after
from monitor.history.records import folded, readable_entries
from monitor.history.store_history import StoreReading, store_history
from monitor.model.event import Event, EventKind
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.model.shop_rule import ProvedHours, ShopRule
from monitor.settings.reference import load_toml
from tests.consumables import plain_rules as rules
from tests.consumables.conftest import CLASSES, SORPTION
from tests.consumables.plain_evidence import Row
from tests.consumables.plans import HOT_ZONES, METAL, H, Plan, Step

TICK_S = 300.0
FRESH_S = 900.0
JUDGED_TO_C = load_toml("quality.toml")["quantities"]["relative_humidity_frac"]["judged_to_c"]["value"]
CHECK_SPEAKS_S = 12 * H


def service(plan: Plan) -> rules.Answer:
    """What the service says of the same entries and readings."""
    verdict = verdict_of(plan)
    standing = {Standing.OVER: rules.OVER, Standing.WITHDRAW: rules.WITHDRAW}.get(
        verdict.standing, rules.USABLE
    )
    return rules.Answer(verdict.used_h, verdict.limit_h, verdict.left_h, standing, verdict.rebakes)


def verdict_of(plan: Plan) -> PackageVerdict:
    """The verdict itself, with its notes."""
    facts = package_facts(_history(plan), _book(plan), _checks(plan))
    samples = _samples(plan)

    def lookup(zone: str, start_s: float, end_s: float) -> AirSamples:
        whole = samples.get(zone)
        if whole is None:
            return NO_AIR
        cut = slice(np.searchsorted(whole.times_s, start_s), np.searchsorted(whole.times_s, end_s, "right"))
        return AirSamples(
            whole.times_s[cut],
            whole.temperature_c[cut],
            whole.rh_frac[cut],
            whole.believed[cut],
            None if whole.hottest_c is None else whole.hottest_c[cut],
        )

    stays = [stay for stay in facts.stays if stay.start_s <= plan.now_s]
    happenings = [event for event in facts.happenings if event.time_s <= plan.now_s]
    clock = clock_over(stays, lookup, facts.rules, plan.now_s, happenings)
    return package_verdict(clock, facts.rules)


def _history(plan: Plan) -> PackageHistory:
    entries: list[tuple[float, Entry]] = []
    first, *later = plan.steps
    before = None
    if plan.declared:
        before = from_settings("pack", "Pack", plan.class_id, first.zone, first.at_s, None)
        before = replace(before, spool=plan.spool)
    else:
        opened = Opened("Pack", plan.class_id, first.zone, Place(first.place), spool=plan.spool)
        entries.append((first.at_s, opened))
    entries += [(step.at_s, _moved(step)) for step in later]
    if plan.wet_s is not None:
        entries.append((plan.wet_s, GotWet()))
    if plan.withdrawn_s is not None:
        entries.append((plan.withdrawn_s, Withdrawn()))
    off_s = 7 * H if plan.put_right else 0.0
    events = [
        Event(n, EventKind.PACKAGE, "pack", at_s + off_s, body_of(entry))
        for n, (at_s, entry) in enumerate(entries, 1)
    ]
    if plan.put_right:
        events += [_put_right(event, len(entries) + event.number, off_s) for event in events]
        first_body = {**events[0].body, "consumable": "solid-wire"}
        events[0] = replace(events[0], body=first_body if "consumable" in events[0].body else events[0].body)
    for step in plan.slips:
        number = len(events) + 1
        events.append(Event(number, EventKind.PACKAGE, "pack", step.at_s, body_of(_moved(step))))
        void = {"of": number, "void": True}
        events.append(Event(number + 1, EventKind.CORRECTION, "pack", plan.now_s, void))
    told, _ = readable_entries(events, EventKind.PACKAGE)
    history, _ = folded(told, before, partial(package_after, "pack"))
    assert history is not None
    return history


def _put_right(event: Event, number: int, off_s: float) -> Event:
    right = {"of": event.number, "time_s": event.time_s - off_s, "body": dict(event.body)}
    return replace(event, number=number, kind=EventKind.CORRECTION, body=right)


def _moved(step: Step) -> Moved:
    return Moved(Place(step.place), step.zone, step.typed_c, fresh_desiccant=step.fresh)


def _book(plan: Plan) -> RuleBook:
    tested = None
    if plan.tested_b is not None:
        limit_h, temperature_c, rh_frac = plan.tested_b
        tested = ProvedHours(
            limit_h=limit_h, temperature_c=temperature_c, rh_frac=rh_frac, document="test report 31"
        )
    shop = ShopRule(tested=tested, redry_permission="maker's letter 7" if plan.makers_word else "")
    return RuleBook(
        CLASSES,
        SORPTION,
        {plan.class_id: shop},
        shop,
        FRESH_S,
        check_speaks_s=CHECK_SPEAKS_S,
        speaks_s=dict.fromkeys(HOT_ZONES, FRESH_S),
        metal_spools=frozenset({METAL}),
    )


def _checks(plan: Plan) -> Mapping[str, Sequence[StoreReading]]:
    found: dict[str, Sequence[StoreReading]] = {}
    for zone in {zone for zone, *_ in plan.checks}:
        events = [
            Event(n, EventKind.STORAGE, zone, at_s, body_of(StoreChecked(value)))
            for n, (of, at_s, value) in enumerate(plan.checks, 1)
            if of == zone
        ]
        found[zone] = store_history(readable_entries(events, EventKind.STORAGE)[0]).checks
    return found


def _samples(plan: Plan) -> dict[str, AirSamples]:
    """The zones' air as the service keeps it tick by tick."""
    found: dict[str, list[Sample]] = {}
    for zone, rows in plan.air.items():
        found[zone] = _breathed([row for row in rows if not math.isnan(row[2])], plan.now_s)
    zones = {zone: SimpleNamespace(stands_in=None, kind="oven") for zone in HOT_ZONES}
    shop = SimpleNamespace(fresh_s=dict.fromkeys(HOT_ZONES, FRESH_S), zones=zones, judged_to_c=JUDGED_TO_C)
    for zone, probes in plan.probes.items():
        readings = sorted(
            (
                Reading(SeriesKey(zone, f"probe-{n}", Quantity.AIR_TEMPERATURE), at_s, at_s, value)
                for n, rows in enumerate(probes)
                for at_s, value in rows
                if not math.isnan(value)
            ),
            key=lambda reading: reading.time_s,
        )
        found[zone] = _ticked(shop, zone, readings, plan)
    return {zone: _samples_of(np.array(rows, dtype=np.float64).T) for zone, rows in found.items() if rows}


def _samples_of(columns) -> AirSamples:
    times_s, coldest_c, rh_frac, hottest_c = columns
    believed = np.ones(times_s.size, dtype=np.bool_)
    return AirSamples(times_s, coldest_c, rh_frac, believed, np.maximum(coldest_c, hottest_c))


def _breathed(rows: list[Row], now_s: float) -> list[Sample]:
    """Air as the service derives it: at every tick while its newest reading is fresh."""
    found, at, tick_s = [], -1, 0.0
    while rows and tick_s <= now_s and tick_s <= rows[-1][0] + FRESH_S:
        while at + 1 < len(rows) and rows[at + 1][0] <= tick_s:
            at += 1
        if at >= 0 and tick_s - rows[at][0] <= FRESH_S:
            found.append(Sample(tick_s, *rows[at][1:]))
        tick_s += TICK_S
    return found


def _ticked(shop, zone: str, readings: list[Reading], plan: Plan) -> list[Sample]:
    heard, rows, at, spoken = ZoneAir(), [], 0, {}
    if not readings:
        return rows
    now_s = math.ceil(readings[0].time_s / TICK_S) * TICK_S
    while now_s <= plan.now_s:
        upto = at
        while upto < len(readings) and readings[upto].time_s <= now_s:
            upto += 1
        if upto > at:
            heard = hear(heard, readings[at:upto], FRESH_S, shop.judged_to_c)
            at = upto
        state = SimpleNamespace(heard={zone: heard}, air={}, spoken=spoken)
        sample = zone_samples(shop, state, now_s).get(zone)
        if sample is not None:
            spoken[zone] = sample
            if not rows or rows[-1].time_s != sample.time_s:
                rows.append(sample)
        elif at < len(readings):
            now_s = max(now_s, math.ceil(readings[at].time_s / TICK_S) * TICK_S - TICK_S)
        else:
            break
        now_s += TICK_S
    return rows
