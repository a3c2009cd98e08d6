"""One tick of all cylinders and plates: carried along with the air of their zones, and how near to wet."""

from monitor.alarms.trend import FAR_H, Trend, followed, hours_to
from monitor.core import levels, watch
from monitor.core.body_air import BodyAir
from monitor.core.body_figures import NO_DOUBT, Doubt, figures, is_wet
from monitor.core.shop import Shop
from monitor.core.state import CoreState, replace
from monitor.core.supposed import Held, air_of, carried, course_of
from monitor.model.level import Level
from monitor.physics.lag import surface_margin_k
from monitor.physics.night_sky import NO_FORECAST
from monitor.physics.placed_body import BodyFacts


def carried_along(shop: Shop, state: CoreState, now_s: float) -> CoreState:
    """Every body after the air that was heard of its zone, and its figures where they may have changed."""
    tick = _BodyTick(shop, state, now_s)
    for facts in shop.bodies.values():
        tick.judge(facts)
    return replace(
        state,
        bodies=tick.bodies,
        supposed=tick.supposed,
        figures=tick.figures,
        margin_trends=tick.trends,
    )


class _BodyTick:
    """What is known of bodies while they are gone through; the air of a zone is made ready once."""

    def __init__(self, shop: Shop, state: CoreState, now_s: float) -> None:
        self.bodies, self.supposed = dict(state.bodies), dict(state.supposed)
        self.figures, self.trends = dict(state.figures), dict(state.margin_trends)
        self._shop, self._state, self._now_s = shop, state, now_s
        self._air: dict[str, BodyAir] = {}

    def judge(self, facts: BodyFacts) -> None:
        """One body: passed over where no air came that it has not met, and its figures are not due."""
        name, zone = facts.id, facts.zone
        shop, now_s = self._shop, self._now_s
        before, seen = self.bodies.get(name), self.figures.get(name)
        held = Held(before, self.supposed.get(name))
        samples = self._state.heard[zone].samples
        if samples and (before is None or samples[-1].time_s > before.time_s):
            held = self._carried(facts, held)
        if zone not in self._state.air or held.state is None:
            self.figures.pop(name, None)
        elif seen is None or held.state is not before or now_s - seen.time_s >= shop.derived_every_s:
            went_on = seen is not None and now_s - seen.time_s <= shop.fresh_s[zone]
            trend = self.trends.get(name, watch.NO_TREND) if went_on else watch.NO_TREND
            self._look(facts, held, trend)

    def _carried(self, facts: BodyFacts, before: Held) -> Held:
        course = course_of(self._shop, facts, self._air_of(facts.zone))
        held = carried(course, before)
        if (held.supposed is None) is not (before.supposed is None):
            self.trends.pop(facts.id, None)  # the other end of a range is no trend
        if held.state is not None:
            self.bodies[facts.id] = held.state
        self.supposed.pop(facts.id, None)
        if held.supposed is not None:
            self.supposed[facts.id] = held.supposed
        return held

    def _air_of(self, zone: str) -> BodyAir:
        found = self._air.get(zone)
        if found is None:
            clouds = self._state.clouds.get(self._shop.zones[zone].site, NO_FORECAST)
            found = self._air[zone] = air_of(self._shop, zone, self._state.heard[zone].samples, clouds)
        return found

    def _look(self, facts: BodyFacts, held: Held, trend: Trend) -> None:
        """The figures of the end against us; in doubt where only they are not safe."""
        state, supposed, now_s = held.state, held.supposed, self._now_s
        assert state is not None
        met = self._air_of(facts.zone)
        air = self._state.air[facts.zone]
        ahead = met.ahead(facts.body, state, air, now_s)
        trend_k, _ = surface_margin_k(ahead[0], air.vapour_pressure_pa)
        doubt = NO_DOUBT
        if supposed is not None:
            # What was supposed drifts by itself as it comes together: the trend is that of the kinder end.
            kinder = met.ahead(facts.body, supposed.kinder, air, now_s)
            against = is_wet(trend_k, ahead[2]), trend_k
            trend_k, _ = surface_margin_k(kinder[0], air.vapour_pressure_pa)
            kind = is_wet(trend_k, kinder[2]), trend_k
            doubt = _doubt(supposed.words, against, kind, self._shop.limits.margin_caution_k)
        trend = followed(trend, now_s, trend_k, watch.TREND)
        hours = hours_to(trend, 0.0, watch.TREND)
        self.trends[facts.id] = trend
        hours_to_wet = FAR_H if hours is None else hours
        self.figures[facts.id] = figures(ahead, air, met, now_s, hours_to_wet, doubt)


def _doubt(words: str, against: tuple[bool, float], kinder: tuple[bool, float], caution_k: float) -> Doubt:
    """Whether only the end against us is not safe, or not dry; of each whether it is wet, and its margin."""
    bad, kind = (levels.level_by_margin(margin_k, wet, caution_k) for wet, margin_k in (against, kinder))
    doubtful = kind is Level.SAFE and bad is not Level.SAFE
    wet_doubtful = doubtful or (bad is Level.DANGER) is not (kind is Level.DANGER)
    return words, doubtful, kinder[1], wet_doubtful
