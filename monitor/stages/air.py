"""Makes one believed air for each zone out of its sensors' readings."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import NamedTuple

from monitor.physics.moist_air import (
    absolute_humidity_gm3,
    humidity_ratio_kgkg,
    relative_humidity_frac,
    wet_bulb_c,
)
from monitor.physics.saturation import dew_point_c, frost_point_c, vapour_pressure_pa
from monitor.physics.uncertainty import dew_point_std_k
from monitor.values import AirState, Quantity, Reading

PAIR_S = 90.0  # temperature and humidity this close in time belong together
HOTTEST_C = 60.0  # above this (an oven, a broken sensor) humidity is not worked out
KEEP_SAMPLES = 20_000  # backlog that a zone holds before its bodies have caught up


class Sample(NamedTuple):
    """Air at one moment."""

    time_s: float
    temperature_c: float
    relative_humidity_frac: float


class Heard(NamedTuple):
    """The newest believed values of one sensor."""

    temperature_time_s: float
    temperature_c: float
    humidity_time_s: float
    humidity_frac: float


NOTHING_HEARD = Heard(-1e18, 0.0, -1e18, 0.0)


@dataclass(frozen=True, slots=True)
class ZoneAir:
    """What is held of a zone's air: the newest per sensor, and samples its bodies have yet to see."""

    heard: dict[str, Heard] = field(default_factory=dict)
    samples: tuple[Sample, ...] = ()
    last: Sample | None = None


@dataclass(frozen=True, slots=True)
class SensorAccuracy:
    """Standard uncertainties of one sensor, and how far its two errors go together."""

    temperature_std_k: float
    humidity_std_frac: float
    correlation: float


def hear(air: ZoneAir, readings: list[Reading], fresh_s: float) -> ZoneAir:
    """Take in believed, current readings of one zone, in order."""
    heard, samples, last = dict(air.heard), list(air.samples), air.last
    for reading in readings:
        sensor, quantity = reading.key.source, reading.key.quantity
        before = heard.get(sensor, NOTHING_HEARD)
        if quantity is Quantity.AIR_TEMPERATURE:
            now = before._replace(temperature_time_s=reading.time_s, temperature_c=reading.value)
        elif quantity is Quantity.RELATIVE_HUMIDITY:
            # Wet sensors read past saturation; the air itself does not go there.
            humidity = min(max(reading.value, 0.0), 1.0)
            now = before._replace(humidity_time_s=reading.time_s, humidity_frac=humidity)
        else:
            continue
        heard[sensor] = now
        if abs(now.temperature_time_s - now.humidity_time_s) <= PAIR_S:
            sample = _mix(heard, reading.time_s, fresh_s)
            if sample is not None and (last is None or sample.time_s > last.time_s):
                samples.append(sample)
                last = sample
            elif sample is not None and last is not None and sample.time_s == last.time_s:
                # The second half of the same message completes the sample.
                last = sample
                samples[-1:] = [sample] if samples and samples[-1].time_s == sample.time_s else samples[-1:]
    return ZoneAir(heard, tuple(samples[-KEEP_SAMPLES:]), last)


def _mix(heard: dict[str, Heard], now_s: float, fresh_s: float) -> Sample | None:
    """The mean of the sensors heard lately: temperature and water content, never humidity itself."""
    warm = [
        (h.temperature_c, h.humidity_frac)
        for h in heard.values()
        if now_s - h.temperature_time_s <= fresh_s and now_s - h.humidity_time_s <= fresh_s
    ]
    if not warm:
        return None
    if len(warm) == 1:
        return Sample(now_s, warm[0][0], warm[0][1])
    temperature = sum(t for t, _ in warm) / len(warm)
    if temperature > HOTTEST_C:
        return Sample(now_s, temperature, sum(rh for _, rh in warm) / len(warm))
    vapour = sum(vapour_pressure_pa(t, rh) for t, rh in warm) / len(warm)
    return Sample(now_s, temperature, min(relative_humidity_frac(temperature, vapour), 1.0))


def forget(air: ZoneAir, sensor: str) -> ZoneAir:
    """Leave a sensor that is no longer believed out of the zone's air."""
    return replace(air, heard={name: h for name, h in air.heard.items() if name != sensor})


def temperature_only(air: ZoneAir, now_s: float, fresh_s: float) -> tuple[float, float] | None:
    """Time and mean temperature of the sensors heard lately; for ovens."""
    fresh = [h for h in air.heard.values() if now_s - h.temperature_time_s <= fresh_s]
    if not fresh:
        return None
    return max(h.temperature_time_s for h in fresh), sum(h.temperature_c for h in fresh) / len(fresh)


def boxed_humidity_frac(inside_c: float, around: AirState | None) -> float:
    """Of a box that is neither tight nor hot: the vapour of the air around it; NaN where that is unknown."""
    if around is None or inside_c > HOTTEST_C:
        return math.nan
    return min(relative_humidity_frac(inside_c, around.vapour_pressure_pa), 1.0)


def air_state(
    air: ZoneAir, now_s: float, fresh_s: float, pressure_pa: float, accuracy: Mapping[str, SensorAccuracy]
) -> AirState | None:
    """The zone's air now, or None when no sensor has been heard for `fresh_s`."""
    sample = air.last
    if sample is None or now_s - sample.time_s > fresh_s or sample.temperature_c > HOTTEST_C:
        return None
    temperature, humidity = sample.temperature_c, max(sample.relative_humidity_frac, 0.001)
    vapour = vapour_pressure_pa(temperature, humidity)
    return AirState(
        time_s=sample.time_s,
        temperature_c=temperature,
        relative_humidity_frac=humidity,
        dew_point_c=dew_point_c(vapour),
        frost_point_c=frost_point_c(vapour),
        vapour_pressure_pa=vapour,
        absolute_humidity_gm3=absolute_humidity_gm3(temperature, vapour),
        humidity_ratio_kgkg=humidity_ratio_kgkg(vapour, pressure_pa),
        wet_bulb_c=wet_bulb_c(temperature, humidity, pressure_pa),
        dew_point_std_k=_dew_point_std_k(air, sample, fresh_s, accuracy),
    )


def _dew_point_std_k(
    air: ZoneAir, sample: Sample, fresh_s: float, accuracy: Mapping[str, SensorAccuracy]
) -> float:
    """The best sensor's uncertainty: several differ by place too, so their number earns nothing."""
    stds = [
        dew_point_std_k(
            sample.temperature_c,
            max(sample.relative_humidity_frac, 0.01),
            accuracy[name].temperature_std_k,
            accuracy[name].humidity_std_frac,
            accuracy[name].correlation,
        )
        for name, heard in air.heard.items()
        if name in accuracy and sample.time_s - heard.humidity_time_s <= fresh_s
    ]
    return min(stds) if stds else 1.0
