"""One tick: the air of every zone, bodies and packages carried along, conditions judged, messages made."""

from collections.abc import Callable, Mapping
from functools import partial

from monitor.alarms.conditions import Condition
from monitor.alarms.lifecycle import with_conditions
from monitor.alarms.trend import followed, slope_per_h
from monitor.core import late_readings, levels, watch
from monitor.core import package_clocks as package_stage
from monitor.core import zone_air as air_stage
from monitor.core.arrival import health
from monitor.core.body_tick import carried_along
from monitor.core.daily_word import daily
from monitor.core.derived_series import derived_points
from monitor.core.heated_stores import HEATED, StoreNow, judged_store
from monitor.core.notices import settle
from monitor.core.observed import judged
from monitor.core.remembered import Inputs, of
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Effects, Since, Use, replace
from monitor.model.reading import Point


def tick(shop: Shop, state: CoreState, now_s: float, *, hurried: bool = False) -> tuple[CoreState, Effects]:
    """The shop at a moment, and what follows from it; what is kept for charts stays on the grid."""
    due = not hurried and now_s - state.derived_s >= shop.derived_every_s
    state, events = health(shop, state, now_s, compare_now=due)
    state = _air(shop, state, now_s)
    state = carried_along(shop, state, now_s)
    fills: tuple[Point, ...] = ()
    if due:
        state = _packages(shop, state, now_s)
        state, fills = late_readings.filled(shop, state, now_s)
    state = replace(state, time_s=now_s, crossed=state.crossed if hurried else ())
    points = (*fills, *derived_points(shop, state, now_s)) if due else ()
    if due:
        state = replace(state, derived_s=now_s)
        book, moves = with_conditions(state.book, _wanted(shop, state), now_s)
        state = replace(state, book=book)
    else:
        moves = ()
    stores = {zone.id: judged_store(shop, state, zone, now_s) for zone in shop.zones.values()}
    state, transitions = judged(shop, state, of(state.remembered, shop, now_s), stores, now_s)
    state, told = settle(shop, state, (*moves, *transitions), now_s)
    state = _levels(shop, state, stores, now_s)
    state, words = daily(shop, state, now_s)
    outbox = (*told.outbox, *words)
    return state, replace(told, points=points, events=(*events, *told.events), outbox=outbox)


def _wanted(shop: Shop, state: CoreState) -> list[Condition]:
    ahead = tuple(shift for shift in state.shifts if shift.start_s > state.time_s)
    return watch.conditions(shop, state.clocks, ahead)


def _air(shop: Shop, state: CoreState, now_s: float) -> CoreState:
    air, trends, rises = dict(state.air), dict(state.dew_trends), dict(state.dew_rises)
    for zone in shop.zones.values():
        heard = state.heard[zone.id]
        before = air.get(zone.id)
        fresh_s = shop.fresh_s[zone.id]
        if before is not None and air_stage.told_by(before, heard.last):
            if now_s - before.time_s > fresh_s:
                del air[zone.id]
            continue
        now = air_stage.air_state(heard, now_s, fresh_s, zone.pressure_pa, shop.sensors, shop.judged_to_c)
        if now is None:
            air.pop(zone.id, None)
            continue
        air[zone.id] = now
        # a trend across a time in which nothing was known would be no trend
        went_on = before is not None and now.time_s - before.time_s <= fresh_s
        trend = trends[zone.id] if went_on else watch.NO_TREND
        trends[zone.id] = followed(trend, now.time_s, now.dew_point_c, watch.TREND)
        rises[zone.id] = slope_per_h(trends[zone.id], watch.TREND) or 0.0
    return replace(state, air=air, dew_trends=trends, dew_rises=rises)


def _packages(shop: Shop, state: CoreState, now_s: float) -> CoreState:
    """Packages are carried along at the pace of the derived series; then no sample is needed any more."""
    clocks, uses = dict(state.clocks), dict(state.uses)
    now = package_stage.zone_samples(shop, state, now_s)
    spoken = {**state.spoken, **now}
    # The air before is given too: it says what a package met that came into a zone since.
    samples = {name: tuple(air[name] for air in (state.spoken, now) if name in air) for name in spoken}
    for facts in shop.packages.values():
        clock = package_stage.carry(facts, clocks.get(facts.id), samples, now_s)
        if clock is not None:
            clocks[facts.id] = clock
            verdict = package_stage.verdict(facts, clock)
            counting = verdict.counting and not clock.withdrawn
            uses[facts.id] = Use(verdict.used_frac or 0.0, verdict.due_at_s, counting)
    heard = {name: replace(air, samples=()) for name, air in state.heard.items()}
    after = replace(state, clocks=clocks, uses=uses, heard=heard, spoken=spoken)
    return late_readings.unheard(shop, after, frozenset(now), now_s)


def _levels(shop: Shop, state: CoreState, stores: Mapping[str, StoreNow], now_s: float) -> CoreState:
    since: dict[str, Since] = {}
    known = of(state.remembered, shop, now_s)
    judgements: dict[str, tuple[Inputs, levels.Judged]] = {}

    def note(name: str, inputs: Inputs, judge: Callable[[], levels.Judged]) -> None:
        before = known.judged.get(name)
        one = before if before is not None and before[0] == inputs else (inputs, judge())
        judgements[name] = one
        since[name] = levels.noted(one[1], state.since.get(name), now_s)

    for zone in shop.zones.values():
        air, store = state.air.get(zone.id), stores[zone.id]
        grows_older = zone.kind in HEATED or zone.store.desiccant_due_s is not None
        inputs = (watch.limited(air), store, now_s if grows_older else None)
        note(f"zone/{zone.id}", inputs, partial(levels.of_zone, shop, zone, air, store, now_s))
    for body in shop.bodies.values():
        if body.present:  # what comes back later is another body
            figures, air_known = state.figures.get(body.id), body.zone in state.air
            judge = partial(levels.of_body, figures, shop, air_known=air_known)
            note(f"body/{body.id}", (figures, air_known), judge)
    return replace(state, since=since, remembered=known.but(judged=judgements))
