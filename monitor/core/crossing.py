"""Sees that a believed reading crosses a limit, so that it is judged at once and not on the grid's next tick.

A condition hurries once between two ticks of the grid: what it then shows, or why it shows nothing, is known.
Only its beginning hurries; that something is over can wait.
"""

import math
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence

from monitor.alarms.conditions import Condition
from monitor.alarms.states import SET_ASIDE
from monitor.core.body_figures import Figures
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Tick
from monitor.model.reading import Quantity, Reading, StoredReading
from monitor.physics.lag import surface_margin_k
from monitor.physics.saturation import (
    WATER_RANGE_C,
    dew_point_c,
    saturation_pressure_pa,
    vapour_of,
)
from monitor.sensors.judge import first
from monitor.sensors.track import NEVER_S, ChannelTrack

MOST_HURRIED = (
    16  # conditions between two ticks of the grid: a front that meets a whole shop costs no tick each
)
WHOLE_MS_S = 0.001  # arrivals are stamped so: by then all of one message, and of its moment, is in
HUMID = frozenset({"zone_humidity_high", "storage_humid"})
COLD = frozenset({"storage_below_minimum", "quiver_below_minimum"})
DEW = "zone_dew_point_high"
WET = "body_wet"
SKIN = frozenset({WET, "body_margin_low"})
HURRY = HUMID | COLD | SKIN | {DEW}
WARMTH, HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY
UNHEARD = first(NEVER_S, math.nan)


def next_tick(state: CoreState, tick_s: float) -> Tick:
    """The grid's next moment, or that of a crossed limit before it."""
    grid_s = (math.floor(state.time_s / tick_s) + 1) * tick_s
    hurried = state.time_s < state.hurried_s < grid_s
    return Tick(state.hurried_s if hurried else grid_s, hurried)


class OpenLimits:
    """The limits of air that are clear as of the last judging, by zone, while readings are taken in."""

    last: StoredReading

    def __init__(self, shop: Shop, state: CoreState, hurrying: Iterable[Condition]) -> None:
        self.crossed = state.crossed
        self.hurried_s = state.hurried_s
        self._stop_s = math.inf
        self._state = state
        self._fresh_s = shop.fresh_s
        self._judged_to_c = shop.judged_to_c
        self._damp: dict[str, float] = {}
        self._skins_c: dict[str, float] = {}
        self._conditions: dict[str, list[Condition]] = defaultdict(list)
        # of each zone: humidity and dew point above which, and temperature below which, to look closer
        self._bounds: dict[str, tuple[float, float, float]] = {}
        alarms, waiting = state.book.alarms, state.crossed
        for condition in hurrying:
            if condition.id in waiting:
                continue
            alarm = alarms[condition.id]
            if not (alarm.active or alarm.out_of_play or alarm.crossing_since_s or alarm.state in SET_ASIDE):
                self._watch(condition)

    def _watch(self, condition: Condition) -> None:
        humid, damp_c, cold_c = self._bounds.get(condition.zone, (math.inf, math.inf, -math.inf))
        kind, limit = condition.kind, condition.limit
        if kind in HUMID:
            humid = min(humid, limit)
        elif kind in COLD:
            cold_c = max(cold_c, limit)
        elif kind == DEW:
            damp_c = min(damp_c, limit)
        else:
            figures = self._state.figures.get(condition.subject)
            if figures is None:
                return
            skin_c = self._skins_c[condition.id] = _skin_c(kind, figures)
            damp_c = min(damp_c, skin_c - limit)
        self._conditions[condition.zone].append(condition)
        self._bounds[condition.zone] = (humid, damp_c, cold_c)

    def up_to_crossed(self, readings: Sequence[StoredReading]) -> Iterator[StoredReading]:
        """In order; once one has crossed a limit, to the end of the moment in which it arrived."""
        for stored in readings:
            if stored.reading.arrived_s > self._stop_s:
                return
            self.last = stored
            yield stored

    def look(
        self,
        zone: str,
        before: Mapping[Quantity, ChannelTrack],
        channels: Mapping[Quantity, ChannelTrack],
        reading: Reading,
    ) -> None:
        """Whether a sensor's newest believed values cross a limit; `channels` hold the reading that came.

        Of a sensor that tells both numbers at once it is asked once both are in: with the first of a message
        alone, and the other from the message before, it would be of no air that was.
        """
        bounds = self._bounds.get(zone)
        if bounds is None:
            return
        warm, damp = channels.get(WARMTH, UNHEARD), channels.get(HUMIDITY, UNHEARD)
        if warm.believed_time_s != damp.believed_time_s and _at_once(before):
            return
        oldest_s = reading.time_s - self._fresh_s[zone]
        celsius = warm.believed_value if warm.believed_time_s >= oldest_s else math.nan
        humidity = damp.believed_value if damp.believed_time_s >= oldest_s else math.nan
        vapour_pa = math.nan
        if humidity > 0.0 and celsius <= self._judged_to_c:
            humidity = min(humidity, 1.0)
            if bounds[1] < math.inf:  # else nobody asks for it here
                vapour_pa = vapour_of(celsius, humidity)
        if humidity > bounds[0] or vapour_pa > self._damp_pa(zone, bounds[1]) or celsius < bounds[2]:
            over = [
                one.id for one in self._conditions[zone] if self._beyond(one, celsius, humidity, vapour_pa)
            ]
            self._hurry([name for name in over if name not in self.crossed], reading.arrived_s)

    def _hurry(self, over: list[str], arrived_s: float) -> None:
        if over and len(self.crossed) < MOST_HURRIED:
            self.crossed = (*self.crossed, *over)
            self._stop_s = arrived_s
            self.hurried_s = round(arrived_s + WHOLE_MS_S, 3)

    def _damp_pa(self, zone: str, damp_c: float) -> float:
        """The vapour above which to look, worked out once a zone."""
        known = self._damp.get(zone)
        if known is None:
            known = math.inf
            if damp_c < WATER_RANGE_C[1]:
                known = saturation_pressure_pa(max(damp_c, WATER_RANGE_C[0]))
            self._damp[zone] = known
        return known

    def _beyond(self, condition: Condition, celsius: float, humidity: float, vapour_pa: float) -> bool:
        kind = condition.kind
        if kind in COLD:
            return condition.beyond(celsius)  # no number is beyond no limit
        if kind in HUMID:
            return condition.beyond(humidity)
        if not vapour_pa > 0.0:
            return False
        if kind == DEW:
            return condition.beyond(dew_point_c(vapour_pa))
        return condition.beyond(surface_margin_k(self._skins_c[condition.id], vapour_pa)[0])


def hurrying(conditions: Mapping[str, Condition]) -> tuple[Condition, ...]:
    """Those of the conditions that a crossed limit hurries."""
    return tuple(one for one in conditions.values() if one.kind in HURRY)


def _at_once(channels: Mapping[Quantity, ChannelTrack]) -> bool:
    """Whether a sensor's last message told both temperature and humidity."""
    warm, damp = channels.get(WARMTH, UNHEARD), channels.get(HUMIDITY, UNHEARD)
    return warm.believed_time_s == damp.believed_time_s


def _skin_c(kind: str, figures: Figures) -> float:
    """A body's skin; where what was supposed decides, that of the kinder end, for both must be beyond."""
    doubtful = figures.wet_doubtful if kind == WET else figures.doubtful
    if not doubtful or figures.kinder_margin_k is None:
        return figures.skin_c
    return figures.skin_c + figures.kinder_margin_k - figures.margin_k
