"""Makes one believed air for each zone out of its sensors: where they differ, the one against us."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from monitor.model.air import AirState
from monitor.model.reading import Quantity, Reading
from monitor.physics.moist_air import (
    absolute_humidity_gm3,
    humidity_ratio_kgkg,
    relative_humidity_frac,
    wet_bulb_c,
)
from monitor.physics.saturation import dew_point_c, frost_point_of, vapour_of
from monitor.sensors.accuracy import dew_point_by_sensor_std_k
from monitor.sensors.quality_rules import SensorRules

PAIR_S = 90.0  # temperature and humidity this close in time belong together
KEEP_SAMPLES = 20_000  # backlog that a zone holds before its bodies have caught up
UNSTATED_STD_K = 1.0  # of a dew point from sensors of which no accuracy is known
DRIEST_FRAC = 0.001  # the dew point of no water at all is not a number
_WARMTH, _HUMIDITY = Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY  # named once, for the inner loop


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


def hear(air: ZoneAir, readings: list[Reading], fresh_s: float, judged_to_c: float) -> ZoneAir:
    """Take in believed, current readings of one zone, in order; above `judged_to_c` no humidity is used.

    A moment is mixed once, when all its readings are in: the second half of a message has air of its own, so
    what the first half would have given with an older value is replaced in any case.
    """
    mixing = _Mixing(dict(air.heard), list(air.samples), air.last, fresh_s, judged_to_c)
    waiting: Reading | None = None
    for reading in readings:
        now = _with(mixing.heard.get(reading.key.source, NOTHING_HEARD), reading)
        if now is None:
            continue
        apart_s = abs(now.temperature_time_s - now.humidity_time_s)
        if waiting is not None and not (waiting.time_s == reading.time_s and apart_s <= min(PAIR_S, fresh_s)):
            mixing.mix(waiting)
            waiting = None
        mixing.heard[reading.key.source] = now
        if apart_s <= PAIR_S:
            waiting = reading
    if waiting is not None:
        mixing.mix(waiting)
    return ZoneAir(mixing.heard, tuple(mixing.samples[-KEEP_SAMPLES:]), mixing.last)


@dataclass(slots=True)
class _Mixing:
    """A zone's air while readings are taken in."""

    heard: dict[str, Heard]
    samples: list[Sample]
    last: Sample | None
    fresh_s: float
    judged_to_c: float

    def mix(self, latest: Reading) -> None:
        """The air at the moment of a reading, all of whose readings are in."""
        now_s = latest.time_s
        if self.last is not None and now_s < self.last.time_s:
            return
        _remember_vapour(self.heard, latest.key.source, self.judged_to_c)
        sample = assumed(self.heard, now_s, self.fresh_s, self.judged_to_c)
        if sample is None:
            return
        if self.last is None or now_s > self.last.time_s:
            self.samples.append(sample)
        elif self.samples and self.samples[-1].time_s == now_s:
            self.samples[-1] = sample
        self.last = sample


def _with(before: Heard, reading: Reading) -> Heard | None:
    """What a sensor has said with this reading; None where it says nothing of the air."""
    quantity = reading.key.quantity
    warm_s, celsius, damp_s, humidity, _ = before
    if quantity is _WARMTH:
        return Heard(reading.time_s, reading.value, damp_s, humidity)
    if quantity is _HUMIDITY:
        # Wet sensors read past saturation; the air itself does not go there.
        return Heard(warm_s, celsius, reading.time_s, min(max(reading.value, 0.0), 1.0))
    return None


def assumed(heard: Mapping[str, Heard], now_s: float, fresh_s: float, judged_to_c: float) -> Sample | None:
    """The air that a zone is taken to hold: of the sensors heard lately the one against us, never a mean.

    It has the humidity of the most humid of them and the water of the wettest, at the temperature at which
    both are so; that lies between the temperatures of these two. So every question gets at least as bad an
    answer as from any one of them: the limits of humidity and dew point, the clocks of packages, and a body
    that follows this air, whose margin in the long run is the least that any of them gives. (Taking the
    coldest temperature with the wettest air would be harder still, but is an air that none of them reads.)
    """
    fresh = _fresh(heard, now_s, fresh_s)
    if not fresh:
        return None
    humidity = max([one[3] for one in fresh])
    if max([one[1] for one in fresh]) > judged_to_c:
        return Sample(now_s, min(one.temperature_c for one in fresh), humidity)
    wettest = max(fresh, key=_vapour_pa)
    if wettest.humidity_frac == humidity:
        return Sample(now_s, wettest.temperature_c, humidity)
    return Sample(now_s, dew_point_c(_vapour_pa(wettest) / humidity), humidity)


def _fresh(heard: Mapping[str, Heard], now_s: float, fresh_s: float) -> list[Heard]:
    return [one for one in heard.values() if now_s - one[0] <= fresh_s and now_s - one[2] <= fresh_s]


def _vapour_pa(one: Heard) -> float:
    _, celsius, _, humidity, known = one
    return known if known == known else vapour_of(celsius, max(humidity, DRIEST_FRAC))


def _remember_vapour(heard: dict[str, Heard], sensor: str, judged_to_c: float) -> None:
    warm_s, celsius, damp_s, humidity, known = heard[sensor]
    if celsius <= judged_to_c and known != known:  # in hotter air nobody asks for it
        vapour_pa = vapour_of(celsius, max(humidity, DRIEST_FRAC))
        heard[sensor] = Heard(warm_s, celsius, damp_s, humidity, vapour_pa)


def forget(air: ZoneAir, sensor: str, fresh_s: float, judged_to_c: float) -> ZoneAir:
    """Leave a sensor that is no longer believed out of the zone's air, and out of what is shown of it."""
    if sensor not in air.heard:
        return air
    heard = {name: one for name, one in air.heard.items() if name != sensor}
    last_s = max((min(one.temperature_time_s, one.humidity_time_s) for one in heard.values()), default=None)
    return replace(
        air, heard=heard, last=None if last_s is None else assumed(heard, last_s, fresh_s, judged_to_c)
    )


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
    return AirState(
        time_s=sample.time_s,
        temperature_c=temperature,
        relative_humidity_frac=humidity,
        dew_point_c=dew_point_c(vapour),
        frost_point_c=frost_point_of(vapour),
        vapour_pressure_pa=vapour,
        absolute_humidity_gm3=absolute_humidity_gm3(temperature, vapour),
        humidity_ratio_kgkg=humidity_ratio_kgkg(vapour, pressure_pa),
        wet_bulb_c=wet_bulb_c(temperature, humidity, pressure_pa),
        dew_point_std_k=_dew_point_std_k(air, sample, fresh_s, sensors, judged_to_c),
    )


def told_by(state: AirState | None, sample: Sample | None) -> bool:
    """Whether a zone's air is that of its last sample."""
    if state is None or sample is None:
        return False
    shown = state.time_s, state.temperature_c, state.relative_humidity_frac
    return shown == (sample.time_s, sample.temperature_c, max(sample.relative_humidity_frac, DRIEST_FRAC))


def _dew_point_std_k(
    air: ZoneAir, sample: Sample, fresh_s: float, sensors: Mapping[str, SensorRules], judged_to_c: float
) -> float:
    """The least sure sensor's: several differ by place too, so their number earns nothing.

    How far they differ is not added: the air is already the one against us.
    """
    stds = []
    now_s = sample.time_s
    for name, (warm_s, celsius, damp_s, humidity, _) in air.heard.items():
        if not (now_s - warm_s <= fresh_s and now_s - damp_s <= fresh_s and celsius <= judged_to_c):
            continue
        rules = sensors.get(name)
        if rules is not None and Quantity.AIR_TEMPERATURE in rules.channels:
            stds.append(dew_point_by_sensor_std_k(rules, celsius, humidity))
    return max(stds, default=UNSTATED_STD_K)
