"""Sees that a believed reading crosses a limit, so that it is judged at once and not on the grid's next tick.

A condition hurries once between two ticks of the grid: what it then shows, or why it shows nothing, is known.
Only its beginning hurries; that something is over can wait.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

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
    saturation_pressure_water_pa,
    vapour_of,
)
from monitor.sensors.track import NEVER_S, SensorTrack

WHOLE_MS_S = 0.001  # arrivals are stamped so: by then all of one message, and of its moment, is in
HUMID = frozenset({"zone_humidity_high", "storage_humid"})
COLD = frozenset({"storage_below_minimum", "quiver_below_minimum"})
DEW = "zone_dew_point_high"
WET = "body_wet"
SKIN = frozenset({WET, "body_margin_low"})


def next_tick(state: CoreState, tick_s: float) -> Tick:
    """The grid's next moment, or that of a crossed limit before it."""
    grid_s = (math.floor(state.time_s / tick_s) + 1) * tick_s
    hurried = state.time_s < state.hurried_s < grid_s
    return Tick(state.hurried_s if hurried else grid_s, hurried)


class OpenLimits:
    """The limits of air that are clear as of the last judging, by zone, while readings are taken in."""

    last: StoredReading

    def __init__(self, shop: Shop, state: CoreState) -> None:
        self.crossed = state.crossed
        self.hurried_s = state.hurried_s
        self._stop_s = math.inf
        self._state = state
        self._fresh_s = shop.fresh_s
        self._judged_to_c = shop.judged_to_c
        self._skins_c: dict[str, float] = {}
        self._conditions: dict[str, list[Condition]] = defaultdict(list)
        # of each zone: the humidity above which, the vapour above which, the temperature below which to look
        self._bounds: dict[str, tuple[float, float, float]] = {}
        for name, condition in state.book.conditions.items():
            kind = condition.kind
            if not (kind in SKIN or kind in HUMID or kind in COLD or kind == DEW) or name in state.crossed:
                continue
            alarm = state.book.alarms[name]
            if alarm.active or alarm.out_of_play or alarm.crossing_since_s or alarm.state in SET_ASIDE:
                continue
            self._watch(condition)

    def _watch(self, condition: Condition) -> None:
        humid, damp_pa, cold_c = self._bounds.get(condition.zone, (math.inf, math.inf, -math.inf))
        kind, limit = condition.kind, condition.limit
        if kind in HUMID:
            humid = min(humid, limit)
        elif kind in COLD:
            cold_c = max(cold_c, limit)
        elif kind == DEW:
            damp_pa = min(damp_pa, saturation_pressure_water_pa(limit))
        else:
            figures = self._state.figures.get(condition.subject)
            if figures is None:
                return
            skin_c = self._skins_c[condition.id] = _skin_c(kind, figures)
            if not WATER_RANGE_C[0] < skin_c - limit < WATER_RANGE_C[1]:
                return
            damp_pa = min(damp_pa, saturation_pressure_pa(skin_c - limit))
        self._conditions[condition.zone].append(condition)
        self._bounds[condition.zone] = (humid, damp_pa, cold_c)

    def up_to_crossed(self, readings: Sequence[StoredReading]) -> Iterator[StoredReading]:
        """In order; once one has crossed a limit, to the end of the moment in which it arrived."""
        for stored in readings:
            if stored.reading.arrived_s > self._stop_s:
                return
            self.last = stored
            yield stored

    def look(self, zone: str, track: SensorTrack, reading: Reading) -> None:
        """Whether a sensor's newest believed values cross a limit; `track` holds the reading that came."""
        bounds = self._bounds.get(zone)
        if bounds is None:
            return
        celsius, humidity = (self._now(zone, track, quantity, reading) for quantity in _AIR)
        humidity, vapour_pa = min(max(humidity, 0.0), 1.0), math.nan
        if celsius <= self._judged_to_c and humidity == humidity:
            vapour_pa = vapour_of(celsius, humidity)
        if not (humidity > bounds[0] or vapour_pa > bounds[1] or celsius < bounds[2]):
            return
        over = [one.id for one in self._conditions[zone] if self._beyond(one, celsius, humidity, vapour_pa)]
        if new := [name for name in over if name not in self.crossed]:
            self.crossed = (*self.crossed, *new)
            self._stop_s = reading.arrived_s
            self.hurried_s = round(reading.arrived_s + WHOLE_MS_S, 3)

    def _now(self, zone: str, track: SensorTrack, quantity: Quantity, reading: Reading) -> float:
        """What a sensor says now; NaN where it says nothing."""
        channel = track.channels.get(quantity)
        if channel is None or channel.believed_time_s == NEVER_S:
            return math.nan
        fresh = reading.time_s - channel.believed_time_s <= self._fresh_s[zone]
        return channel.believed_value if fresh else math.nan

    def _beyond(self, condition: Condition, celsius: float, humidity: float, vapour_pa: float) -> bool:
        kind = condition.kind
        if kind in COLD:
            return condition.beyond(celsius)  # no number is beyond no limit
        if not vapour_pa > 0.0:
            return False
        if kind in HUMID:
            return condition.beyond(humidity)
        if kind == DEW:
            return condition.beyond(dew_point_c(vapour_pa))
        return condition.beyond(surface_margin_k(self._skins_c[condition.id], vapour_pa)[0])


def _skin_c(kind: str, figures: Figures) -> float:
    """A body's skin; where what was supposed decides, that of the kinder end, for both must be beyond."""
    doubtful = figures.wet_doubtful if kind == WET else figures.doubtful
    if not doubtful or figures.kinder_margin_k is None:
        return figures.skin_c
    return figures.skin_c + figures.kinder_margin_k - figures.margin_k


_AIR = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
