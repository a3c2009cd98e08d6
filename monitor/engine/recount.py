"""Counts clocks again where late readings filled a gap of their air, and tells the ledger old and new."""

from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.standing import hours_text
from monitor.core.package_clocks import verdict
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Rederived
from monitor.core.supposed import Held, air_of, carried, course_of
from monitor.engine.derivation import Deriver, thinned
from monitor.engine.stored_air import StoredAir
from monitor.model.event import EventKind, NewEvent
from monitor.physics.night_sky import NO_FORECAST
from monitor.store.contract import SeriesStore

HOUR_S = 3600.0


class Recounter:
    """Works on the packages that lay in a filled stretch, and on no others; the stored air alone decides."""

    def __init__(self, deriver: Deriver, series: SeriesStore) -> None:
        self._deriver = deriver
        self._series = series

    def __call__(self, shop: Shop, state: CoreState) -> tuple[Rederived, list[NewEvent]]:
        """The clocks that came out otherwise, and an event for each with its old and its new figures."""
        air = StoredAir(self._series)
        clocks: dict[str, ExposureClock | None] = {}
        events: list[NewEvent] = []
        for name, facts in shop.packages.items():
            before, spans = state.clocks.get(name), _spans(facts, state)
            if before is None or not spans:
                continue
            after = self._deriver.clock(facts, before.time_s, air)
            if after is not None and _counted(after) != _counted(before):
                clocks[name] = after
                events.append(_event(shop, facts, (before, after), spans, state.time_s))
        return Rederived(clocks, self._followed(shop, state, air), filled=True), events

    def _followed(self, shop: Shop, state: CoreState, air: StoredAir) -> dict[str, Held]:
        """Bodies whose air had a gap that is filled now, carried through what was measured in it."""
        found: dict[str, Held] = {}
        for name, supposed in state.supposed.items():
            facts, before = shop.bodies[name], supposed.before
            if before is None or facts.zone not in state.filled:
                continue
            samples = thinned(air, facts.zone, before.time_s, state.bodies[name].time_s)
            clouds = state.clouds.get(shop.zones[facts.zone].site, NO_FORECAST)
            course = course_of(shop, facts, air_of(shop, facts.zone, samples, clouds))
            found[name] = carried(course, Held(before))
        return found


def _spans(facts: PackageFacts, state: CoreState) -> dict[str, tuple[float, float]]:
    """The filled stretches in which a package lay in that air, by zone."""
    return {
        zone: (from_s, to_s)
        for zone, (from_s, to_s) in state.filled.items()
        if any(
            stay.zone == zone and stay.start_s < to_s and (stay.end_s is None or stay.end_s > from_s)
            for stay in facts.stays
        )
    }


def _counted(clock: ExposureClock) -> tuple[object, ...]:
    """What a late reading can change, without the last digits of sums."""
    sums = (clock.weighted_s, clock.heat.hot_s, clock.heat.bake_s, clock.heat.ramp_s)
    whole = (clock.open_s, clock.unknown_s, clock.unproven_s, clock.beyond_s, clock.restarts, clock.rebakes)
    return (*whole, clock.overheated, *(round(value, 3) for value in sums))


def _event(
    shop: Shop,
    facts: PackageFacts,
    clocks: tuple[ExposureClock, ExposureClock],
    spans: dict[str, tuple[float, float]],
    now_s: float,
) -> NewEvent:
    before, after = clocks
    where = " and ".join(shop.zones[zone].name for zone in spans)
    known = max(before.unknown_s - after.unknown_s, 0.0) / HOUR_S
    what = f"{hours_text(known)} that were not known are measured now" if known else "they count now"
    why = f"readings of {where} came late: {what}"
    body: dict[str, object] = {
        "filled": {zone: {"from_s": span[0], "to_s": span[1]} for zone, span in spans.items()},
        "before": _figures(facts, before),
        "after": _figures(facts, after),
        "words": f"counted again: before {_words(facts, before)}; now {_words(facts, after)}",
    }
    key = f"recount/{facts.id}/{now_s:.3f}"
    return NewEvent(EventKind.RECOUNT, facts.id, now_s, "dryshift", body, why, key)


def _figures(facts: PackageFacts, clock: ExposureClock) -> dict[str, object]:
    now = verdict(facts, clock)
    return {
        "verdict": str(now.standing),
        "used_h": round(now.used_h, 3),
        "weighted_h": round(clock.weighted_s / HOUR_S, 3),
        "unknown_h": round(now.unknown_h, 3),
    }


def _words(facts: PackageFacts, clock: ExposureClock) -> str:
    now = verdict(facts, clock)
    weighted = f"{clock.weighted_s / HOUR_S:.1f} h weighted by the air"
    return f"{now.standing}, {now.used_h:.1f} h, {weighted}, {now.unknown_h:.1f} h not known"
