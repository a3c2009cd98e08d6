"""Cuts the air around a package into stretches of steady air, and says for each whether it is known."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.errors import Fault, InputError
from monitor.exposure.classes import Place
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import vapour_pressure_pa

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class AirSamples:
    """Readings of one zone in any order; those not believed are left out of every decision."""

    times_s: FloatArray
    temperature_c: FloatArray
    rh_frac: FloatArray  # NaN where the place has no humidity sensor (an oven)
    believed: BoolArray


NO_AIR = AirSamples(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, slots=True)
class AirStretch:
    """The air of one place up to `until_s`: what a clock is moved on with.

    A reading older than the clock's own time is welcome: it says what the air was when the stretch began.
    Checked values are a person's readings and stand where no sensor speaks.
    """

    place: Place
    zone: str | None
    until_s: float
    samples: AirSamples = NO_AIR
    checked_temperature_c: float | None = None
    checked_rh_frac: float | None = None


@dataclass(frozen=True, slots=True)
class HeldAir:
    """The last believed reading; it speaks for a while, then the air is unknown."""

    time_s: float
    temperature_c: float
    rh_frac: float


@dataclass(frozen=True, slots=True)
class Segments:
    """Consecutive spans of steady air. NaN marks what no reading and no check tells."""

    start_s: FloatArray
    duration_s: FloatArray
    temperature_c: FloatArray
    rh_frac: FloatArray
    vapour_pressure_pa: FloatArray
    last_vapour_pressure_pa: FloatArray  # of the newest believed reading so far, however old; 0: none


def segments(
    stretch: AirStretch, from_s: float, held: HeldAir | None, speaks_s: float, cut_s: float | None
) -> tuple[Segments, HeldAir | None]:
    """The spans from `from_s` to the stretch's end, and the reading that speaks after it.

    Every reading holds until the next, at most `speaks_s`. `cut_s`: a moment where a span must end.
    """
    times, temperatures, humidities = _believed(stretch, held)
    edges = [np.array([from_s, stretch.until_s]), times, times + speaks_s]
    if cut_s is not None:
        edges.append(np.array([cut_s]))
    bounds = np.unique(np.clip(np.concatenate(edges), from_s, stretch.until_s))
    starts = bounds[:-1]
    newest = np.searchsorted(times, starts, side="right") - 1
    any_yet = newest >= 0
    at = np.maximum(newest, 0)
    if times.size == 0:
        blank = np.full(starts.shape, np.nan)
        temperature, humidity, last = blank, blank.copy(), np.zeros(starts.shape)
    else:
        spoken = any_yet & (starts < times[at] + speaks_s)
        temperature = np.where(spoken, temperatures[at], np.nan)
        humidity = np.where(spoken, humidities[at], np.nan)
        pressures = air_pressure_pa(temperatures, humidities)
        last = np.where(any_yet, np.nan_to_num(pressures[at]), 0.0)
    temperature = _or_checked(temperature, stretch.checked_temperature_c)
    humidity = _or_checked(humidity, stretch.checked_rh_frac)
    pressure = air_pressure_pa(temperature, humidity)
    kept = (
        held if times.size == 0 else HeldAir(float(times[-1]), float(temperatures[-1]), float(humidities[-1]))
    )
    return Segments(starts, np.diff(bounds), temperature, humidity, pressure, last), kept


def air_pressure_pa(temperature_c: FloatArray, rh_frac: FloatArray) -> FloatArray:
    """Vapour pressure of the air of a place; NaN without a humidity, as in an oven."""
    return vapour_pressure_pa(np.clip(temperature_c, -60.0, 350.0), rh_frac)


def _or_checked(values: FloatArray, checked: float | None) -> FloatArray:
    return values if checked is None else np.where(np.isnan(values), checked, values)


def _believed(stretch: AirStretch, held: HeldAir | None) -> tuple[FloatArray, FloatArray, FloatArray]:
    samples = stretch.samples
    lengths = {a.size for a in (samples.times_s, samples.temperature_c, samples.rh_frac, samples.believed)}
    if len(lengths) != 1:
        raise InputError([Fault("air samples", f"lengths {sorted(lengths)}", "give arrays of one length")])
    use = (
        samples.believed
        & np.isfinite(samples.times_s)
        & (samples.times_s <= stretch.until_s)
        & (samples.temperature_c >= -60.0)
        & (samples.temperature_c <= 600.0)
        & ~((samples.rh_frac < 0.0) | (samples.rh_frac > 1.2))
    )
    order = np.argsort(samples.times_s[use], kind="stable")
    times, temperatures, humidities = (
        values[use][order] for values in (samples.times_s, samples.temperature_c, samples.rh_frac)
    )
    if held is None:
        return times, temperatures, humidities
    later = times > held.time_s
    return (
        np.append(held.time_s, times[later]),
        np.append(held.temperature_c, temperatures[later]),
        np.append(held.rh_frac, humidities[later]),
    )
