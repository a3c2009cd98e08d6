"""Cuts the air around a package into stretches of steady air, and says for each whether it is known."""

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.errors import Fault, InputError
from monitor.exposure.classes import Place
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import vapour_pressure_pa

BoolArray = NDArray[np.bool_]
MOST_VAPOUR_PA = 1.1e5


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
    desiccant_s: float | None = None  # when the bag was given fresh desiccant, as somebody entered


@dataclass(frozen=True, slots=True)
class HeldAir:
    """The last believed reading; it speaks for a while, then the air is unknown."""

    time_s: float
    temperature_c: float
    rh_frac: float
    vapour_pressure_pa: float


@dataclass(frozen=True, slots=True)
class Segments:
    """Consecutive spans of steady air. NaN marks what no reading and no check tells."""

    start_s: FloatArray
    duration_s: FloatArray
    temperature_c: FloatArray
    rh_frac: FloatArray
    vapour_pressure_pa: FloatArray
    wettest_pa: FloatArray  # the highest vapour pressure known up to the span's end; 0: none


class _Readings(NamedTuple):
    """Believed readings in order of time."""

    times_s: FloatArray
    temperature_c: FloatArray
    rh_frac: FloatArray
    vapour_pressure_pa: FloatArray


def segments(
    stretch: AirStretch,
    from_s: float,
    held: HeldAir | None,
    speaks_s: float,
    cut_s: float | None,
    wettest_pa: float = 0.0,
) -> tuple[Segments, HeldAir | None]:
    """The spans from `from_s` to the stretch's end, and the reading that speaks after it.

    Every reading holds until the next, at most `speaks_s`. `cut_s`: a moment where a span must end.
    `wettest_pa`: the highest vapour pressure met before, in whatever place.
    """
    readings = _believed(stretch, held)
    times = readings.times_s
    edges = [np.array([from_s, stretch.until_s] if cut_s is None else [from_s, stretch.until_s, cut_s])]
    edges += [times, times + speaks_s]
    bounds = np.unique(np.clip(np.concatenate(edges), from_s, stretch.until_s))
    starts, durations = bounds[:-1], np.diff(bounds)
    if times.size == 0:
        blank = np.full(starts.shape, np.nan)
        return _finished(Segments(starts, durations, blank, blank, blank, blank), stretch, wettest_pa), held
    newest = np.searchsorted(times, starts, side="right") - 1
    at = np.maximum(newest, 0)
    spoken = (newest >= 0) & (starts < times[at] + speaks_s)
    temperature, humidity, pressure = (np.where(spoken, values[at], np.nan) for values in readings[1:])
    spans = Segments(starts, durations, temperature, humidity, pressure, pressure)
    kept = HeldAir(*(float(values[-1]) for values in readings))
    return _finished(spans, stretch, wettest_pa), kept


def _finished(spans: Segments, stretch: AirStretch, wettest_pa: float) -> Segments:
    """The spans with what a person read, and the wettest air met up to each."""
    spans = _with_checks(spans, stretch)
    so_far = np.fmax.accumulate(np.append(wettest_pa, spans.vapour_pressure_pa))  # passes over NaN
    return replace(spans, wettest_pa=so_far[1:])


def _with_checks(spans: Segments, stretch: AirStretch) -> Segments:
    """What a person read stands where no sensor speaks."""
    checked_c, checked_rh = stretch.checked_temperature_c, stretch.checked_rh_frac
    if checked_c is None and checked_rh is None:
        return spans
    temperature, humidity = spans.temperature_c, spans.rh_frac
    if checked_c is not None:
        temperature = np.where(np.isnan(temperature), checked_c, temperature)
    if checked_rh is not None:
        humidity = np.where(np.isnan(humidity), checked_rh, humidity)
    humidity, pressure = _possible(temperature, humidity)
    return replace(spans, temperature_c=temperature, rh_frac=humidity, vapour_pressure_pa=pressure)


def _possible(temperature_c: FloatArray, rh_frac: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Humidities and vapour pressures, without those past what the atmosphere presses: a hot oven's."""
    pressure = vapour_pressure_pa(np.clip(temperature_c, -60.0, 350.0), rh_frac)
    impossible = pressure > MOST_VAPOUR_PA
    return np.where(impossible, np.nan, rh_frac), np.where(impossible, np.nan, pressure)


def _believed(stretch: AirStretch, held: HeldAir | None) -> _Readings:
    samples = stretch.samples
    lengths = {a.size for a in (samples.times_s, samples.temperature_c, samples.rh_frac, samples.believed)}
    if len(lengths) != 1:
        raise InputError([Fault("air samples", f"lengths {sorted(lengths)}", "give arrays of one length")])
    use = (
        samples.believed
        & (samples.times_s > (-np.inf if held is None else held.time_s))
        & (samples.times_s <= stretch.until_s)
        & (samples.temperature_c >= -60.0)
        & (samples.temperature_c <= 600.0)
        & ~((samples.rh_frac < 0.0) | (samples.rh_frac > 1.2))
    )
    order = np.argsort(samples.times_s[use], kind="stable")
    times, temperature, humidity = (
        values[use][order] for values in (samples.times_s, samples.temperature_c, samples.rh_frac)
    )
    new = _Readings(times, temperature, *_possible(temperature, humidity))
    if held is None:
        return new
    before = (held.time_s, held.temperature_c, held.rh_frac, held.vapour_pressure_pa)
    return _Readings(*(np.append(old, values) for old, values in zip(before, new, strict=True)))
