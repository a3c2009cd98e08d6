"""What is held of a zone's believed air, and what is told of it: as it is now, how warm, how sure."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from functools import cached_property
from typing import NamedTuple

from monitor.model.air import AirState
from monitor.model.reading import Quantity
from monitor.physics.moist_air import (
    absolute_humidity_gm3,
    humidity_ratio_kgkg,
    relative_humidity_frac,
    wet_bulb_c,
)
from monitor.physics.saturation import dew_point_c, frost_point_of, vapour_of
from monitor.sensors.accuracy import dew_point_by_sensor_std_k
from monitor.sensors.quality_rules import SensorRules

UNSTATED_STD_K = 1.0  # of a dew point from sensors of which no accuracy is known
DRIEST_FRAC = 0.001  # the dew point of no water at all is not a number


class Sample(NamedTuple):
    """Air at one moment; of a heated place with several sensors also the hottest of them."""

    time_s: float
    temperature_c: float
    relative_humidity_frac: float
    hottest_c: float = -math.inf


class Heard(NamedTuple):
    """The newest believed values of one sensor."""

    temperature_time_s: float
    temperature_c: float
    humidity_time_s: float
    humidity_frac: float
    vapour_pa: float = math.nan  # of the two, worked out once; NaN: not yet


NOTHING_HEARD = Heard(-1e18, 0.0, -1e18, 0.0)


@dataclass(frozen=True, slots=True)
class ZoneAir:
    """What is held of a zone's air: the newest per sensor, and samples its bodies have yet to see."""

    heard: dict[str, Heard] = field(default_factory=dict)
    samples: tuple[Sample, ...] = ()
    last: Sample | None = None


class Warmth(NamedTuple):
    """How warm a place is: the coldest of its sensors, at the time of the newest reading, and the hottest."""

    time_s: float
    coldest_c: float
    hottest_c: float


def temperature_only(air: ZoneAir, now_s: float, fresh_s: float) -> Warmth | None:
    """How warm a place is, while one of its sensors was heard lately; for ovens.

    The coldest counts, also of a sensor that has fallen silent: a warmer one elsewhere does not unsay it. Of
    those heard lately the hottest is told too: it is the one that spoils.
    """
    return speaking(temperature_heard(air, now_s - fresh_s), now_s, fresh_s)


def speaking(warmth: Warmth | None, now_s: float, fresh_s: float) -> Warmth | None:
    """What was heard of a place's temperature, as long as it speaks for now."""
    return warmth if warmth is not None and now_s - warmth.time_s <= fresh_s else None


def temperature_heard(air: ZoneAir, lately_s: float = -math.inf) -> Warmth | None:
    """How warm a place was when a sensor was last heard, however long ago; the hottest since a moment."""
    told = [h for h in air.heard.values() if h.temperature_time_s > NOTHING_HEARD.temperature_time_s]
    if not told:
        return None
    hottest_c = max((h.temperature_c for h in told if h.temperature_time_s >= lately_s), default=-math.inf)
    return Warmth(max(h.temperature_time_s for h in told), min(h.temperature_c for h in told), hottest_c)


def boxed_humidity_frac(inside_c: float, around: AirState | None, judged_to_c: float) -> float:
    """Of a box that is neither tight nor hot: the vapour of the air around it; NaN where that is unknown."""
    if around is None or inside_c > judged_to_c:
        return math.nan
    return min(relative_humidity_frac(inside_c, around.vapour_pressure_pa), 1.0)


class MixedAir(AirState):
    """A zone's air as limits ask for it at every tick; what else is told of it waits until somebody asks."""

    _of: tuple[ZoneAir, float, float, Mapping[str, SensorRules], float]

    @cached_property
    def frost_point_c(self) -> float:
        """The frost point, below 0.01 degC; above it the dew point."""
        return frost_point_of(self.vapour_pressure_pa)

    @cached_property
    def absolute_humidity_gm3(self) -> float:
        """Grams of water in a cubic metre."""
        return absolute_humidity_gm3(self.temperature_c, self.vapour_pressure_pa)

    @cached_property
    def humidity_ratio_kgkg(self) -> float:
        """Water carried by a kilogram of dry air."""
        return humidity_ratio_kgkg(self.vapour_pressure_pa, self._of[2])

    @cached_property
    def wet_bulb_c(self) -> float:
        """The wet bulb."""
        return wet_bulb_c(self.temperature_c, self.relative_humidity_frac, self._of[2])

    @cached_property
    def dew_point_std_k(self) -> float:
        """How sure the dew point is."""
        air, fresh_s, _, sensors, judged_to_c = self._of
        return _dew_point_std_k(air, self.time_s, fresh_s, sensors, judged_to_c)

    def __eq__(self, other: object) -> bool:
        return whole(self) == whole(other) if isinstance(other, AirState) else NotImplemented

    __hash__ = AirState.__hash__


def whole(air: AirState) -> AirState:
    """The same air with all of it worked out."""
    return AirState(**{one.name: getattr(air, one.name) for one in fields(AirState)})


def air_state(
    air: ZoneAir,
    now_s: float,
    fresh_s: float,
    pressure_pa: float,
    sensors: Mapping[str, SensorRules],
    judged_to_c: float,
) -> AirState | None:
    """The zone's air now, or None when no sensor has been heard for `fresh_s`."""
    sample = air.last
    if sample is None or now_s - sample.time_s > fresh_s or sample.temperature_c > judged_to_c:
        return None
    temperature, humidity = sample.temperature_c, max(sample.relative_humidity_frac, DRIEST_FRAC)
    vapour = vapour_of(temperature, humidity)
    mixed = object.__new__(MixedAir)
    mixed.__dict__.update(
        time_s=sample.time_s,
        temperature_c=temperature,
        relative_humidity_frac=humidity,
        dew_point_c=dew_point_c(vapour),
        vapour_pressure_pa=vapour,
        _of=(air, fresh_s, pressure_pa, sensors, judged_to_c),
    )
    return mixed


def told_by(state: AirState | None, sample: Sample | None) -> bool:
    """Whether a zone's air is that of its last sample."""
    if state is None or sample is None:
        return False
    shown = state.time_s, state.temperature_c, state.relative_humidity_frac
    return shown == (sample.time_s, sample.temperature_c, max(sample.relative_humidity_frac, DRIEST_FRAC))


def _dew_point_std_k(
    air: ZoneAir, now_s: float, fresh_s: float, sensors: Mapping[str, SensorRules], judged_to_c: float
) -> float:
    """The least sure sensor's: several differ by place too, so their number earns nothing.

    How far they differ is not added: the air is already the one against us.
    """
    stds = []
    for name, (warm_s, celsius, damp_s, humidity, _) in air.heard.items():
        if not (now_s - warm_s <= fresh_s and now_s - damp_s <= fresh_s and celsius <= judged_to_c):
            continue
        rules = sensors.get(name)
        if rules is not None and Quantity.AIR_TEMPERATURE in rules.channels:
            stds.append(dew_point_by_sensor_std_k(rules, celsius, humidity))
    return max(stds, default=UNSTATED_STD_K)
