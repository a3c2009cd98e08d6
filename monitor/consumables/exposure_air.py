"""Cuts the air around a package into stretches of steady air, and says for each whether it is known."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor.consumables.classes import HOT_PLACES, Place
from monitor.consumables.stays import StoreReading
from monitor.model.errors import Fault, InputError
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import vapour_pressure_pa

BoolArray = NDArray[np.bool_]
MOST_VAPOUR_PA = 1.1e5
NEVER_S = -1e18
COLDEST_C, HOTTEST_C = -60.0, 600.0  # what is taken for a reading


@dataclass(frozen=True, slots=True)
class AirSamples:
    """Readings of one zone in any order; those not believed are left out of every decision.

    Of several sensors in a heated place `temperature_c` is the coldest, `hottest_c` the hottest (None: one).
    """

    times_s: FloatArray
    temperature_c: FloatArray
    rh_frac: FloatArray  # NaN where the place has no humidity sensor (an oven)
    believed: BoolArray
    hottest_c: FloatArray | None = None


NO_AIR = AirSamples(np.empty(0), np.empty(0), np.empty(0), np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, slots=True)
class AirStretch:
    """The air of one place up to `until_s`: what a clock is moved on with.

    A reading older than the clock's own time is welcome: it says what the air was when the stretch began.
    `checks` are a person's readings there, in order of time; those from before the stretch are welcome too.
    """

    place: Place
    zone: str | None
    until_s: float
    samples: AirSamples = NO_AIR
    checks: tuple[StoreReading, ...] = ()
    desiccant_s: float | None = None  # when the bag was given fresh desiccant, as somebody entered


@dataclass(frozen=True, slots=True)
class Speaks:
    """How long after it a sensor's and a person's reading are still taken as known."""

    sensor_s: float
    person_s: float


@dataclass(frozen=True, slots=True)
class HeldAir:
    """The last believed reading; it speaks for a while, then the air is unknown."""

    time_s: float
    temperature_c: float
    rh_frac: float
    vapour_pressure_pa: float
    humidity_s: float = NEVER_S  # when a humidity was last read


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
    speaks: Speaks,
    cut_s: float | None,
    wettest_pa: float = 0.0,
) -> tuple[Segments, HeldAir | None]:
    """The spans from `from_s` to the stretch's end, and the reading that speaks after it.

    Every reading holds until the next, at most as long as it speaks. `cut_s`: a moment where a span must end.
    `wettest_pa`: the highest vapour pressure met before, in whatever place.
    """
    readings = _believed(stretch, held)
    times = readings.times_s
    edges = [np.array([from_s, stretch.until_s] if cut_s is None else [from_s, stretch.until_s, cut_s])]
    edges += [times, times + speaks.sensor_s]
    read = np.array([check.time_s for check in stretch.checks])
    edges += [read, read + speaks.person_s]
    bounds = np.unique(np.clip(np.concatenate(edges), from_s, stretch.until_s))
    starts, durations = bounds[:-1], np.diff(bounds)
    if times.size == 0:
        blank = np.full(starts.shape, np.nan)
        spans = Segments(starts, durations, blank, blank, blank, blank)
        spans = _with_checks(spans, stretch, readings, speaks, NEVER_S)
        return _wettest(spans, wettest_pa), held
    newest = np.searchsorted(times, starts, side="right") - 1
    at = np.maximum(newest, 0)
    spoken = (newest >= 0) & (starts < times[at] + speaks.sensor_s)
    temperature, humidity, pressure = (np.where(spoken, values[at], np.nan) for values in readings[1:])
    spans = Segments(starts, durations, temperature, humidity, pressure, pressure)
    before_s = NEVER_S if held is None else held.humidity_s
    damp_s = times[np.isfinite(readings.rh_frac)]
    newest_s, warm_c, rh_frac, pressure_pa = (float(values[-1]) for values in readings)
    kept = HeldAir(newest_s, warm_c, rh_frac, pressure_pa, float(np.append(before_s, damp_s)[-1]))
    return _wettest(_with_checks(spans, stretch, readings, speaks, before_s), wettest_pa), kept


def _wettest(spans: Segments, wettest_pa: float) -> Segments:
    """The spans with the wettest air met up to each."""
    so_far = np.fmax.accumulate(np.append(wettest_pa, spans.vapour_pressure_pa))  # passes over NaN
    return replace(spans, wettest_pa=so_far[1:])


def _with_checks(
    spans: Segments, stretch: AirStretch, readings: _Readings, speaks: Speaks, before_s: float
) -> Segments:
    """What a person read speaks where the sensor has not spoken since.

    `before_s` is when a humidity was read before these readings. Beside a sensor that still speaks the worse
    counts: the damper, and of a heated place the colder.
    """
    checks, starts = stretch.checks, spans.start_s
    if not checks:
        return spans
    damp_s = np.append(before_s, readings.times_s[np.isfinite(readings.rh_frac)])
    checked_c = _checked(
        [(one.time_s, one.temperature_c) for one in checks], starts, readings.times_s, speaks
    )
    checked_rh = _checked([(one.time_s, one.rh_frac) for one in checks], starts, damp_s, speaks)
    if stretch.place not in HOT_PLACES:
        checked_c = np.where(np.isnan(spans.temperature_c), checked_c, np.nan)
    temperature, humidity = np.fmin(spans.temperature_c, checked_c), np.fmax(spans.rh_frac, checked_rh)
    humidity, pressure = _possible(temperature, humidity)
    return replace(spans, temperature_c=temperature, rh_frac=humidity, vapour_pressure_pa=pressure)


def _checked(
    read: Sequence[tuple[float, float | None]],
    starts_s: FloatArray,
    sensed_s: FloatArray,
    speaks: Speaks,
) -> FloatArray:
    """At each moment the newest value that a person read; NaN where it is too old or a sensor spoke since."""
    known = [(time_s, value) for time_s, value in read if value is not None]
    if not known:
        return np.full(starts_s.shape, np.nan)
    times, values = np.array(known, dtype=np.float64).T
    newest = np.searchsorted(times, starts_s, side="right") - 1
    read_s = np.where(newest >= 0, times[np.maximum(newest, 0)], -np.inf)
    last = np.searchsorted(sensed_s, starts_s, side="right") - 1
    heard_s = np.where(last >= 0, np.append(sensed_s, -np.inf)[last], -np.inf)
    stands = (starts_s < read_s + speaks.person_s) & (read_s > heard_s)
    return np.where(stands, values[np.maximum(newest, 0)], np.nan)


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
        & (samples.temperature_c >= COLDEST_C)
        & (samples.temperature_c <= HOTTEST_C)
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
