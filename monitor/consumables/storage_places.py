"""What each place does to a package: whether its clock runs, how hot it gets, what water it may take."""

from collections.abc import Sequence
from dataclasses import fields
from typing import NamedTuple

import numpy as np

from monitor.consumables.classes import HOT_PLACES, Counts, Place
from monitor.consumables.exposure_air import BoolArray, Segments
from monitor.consumables.exposure_limits import ClockRules
from monitor.physics.elementwise import FloatArray
from monitor.physics.saturation import saturation_pressure_water_pa
from monitor.physics.sorption import (
    REFERENCE_HUMIDITY_FRAC,
    REFERENCE_TEMPERATURE_C,
    REFERENCE_VAPOUR_PRESSURE_PA,
    exposure_weight,
)

OPEN_PLACES = frozenset({Place.OPEN_AIR, Place.ON_MACHINE, Place.UNKNOWN})
SHUT_PLACES = frozenset({Place.SEALED, Place.BAGGED})  # while they protect, no water goes in or out


class Marks(NamedTuple):
    """What each span does."""

    runs: BoolArray  # the clock
    shut: BoolArray  # no water goes in or out
    known: BoolArray  # the air is known
    told: BoolArray  # it is, or it is the air of an oven whose own reading says that it is hot
    baked: BoolArray  # hot enough to drive all water out


def marks_of(
    spans: Segments,
    place: Place,
    cut_s: float | None,
    rules: ClockRules,
    hot: Sequence[tuple[float, float]] = (),
) -> Marks:
    """What each span does; `hot` says from when to when a heated place was shown to be hot."""
    temperature = spans.temperature_c
    no = np.zeros(temperature.shape, dtype=np.bool_)
    counts = rules.counts(place)
    protected = ~no
    if counts is Counts.RUNS:
        protected = no
    elif counts is Counts.STOPS_HOT:
        protected = _within(spans.start_s, hot)
    elif counts is Counts.STOPS_DRY:
        ceiling = rules.consumable.care.cabinet_max_rh_frac
        protected = spans.rh_frac <= ceiling.value if ceiling is not None else no
    elif counts is Counts.STOPS_FOR_A_TIME:
        protected = spans.start_s < cut_s if cut_s is not None else no
    shut = protected if place in SHUT_PLACES else no
    known = np.isfinite(spans.vapour_pressure_pa)
    told = known | rules.said_hot(place, temperature)
    return Marks(~protected, shut, known, told, _baked(temperature, place, rules))


def _within(times_s: FloatArray, spans: Sequence[tuple[float, float]]) -> BoolArray:
    """Whether a moment lies in one of the spans, which are in order of time."""
    if not spans:
        return np.zeros(times_s.shape, dtype=np.bool_)
    starts_s, ends_s = np.array(spans).T
    at = np.searchsorted(starts_s, times_s, side="right") - 1
    within: BoolArray = (at >= 0) & (times_s < ends_s[np.maximum(at, 0)])
    return within


def _baked(temperature_c: FloatArray, place: Place, rules: ClockRules) -> BoolArray:
    redry = rules.consumable.redry
    if place not in HOT_PLACES or redry is None:
        return np.zeros(temperature_c.shape, dtype=np.bool_)
    return temperature_c >= redry.min_c.value


class Run(NamedTuple):
    """Neighbouring spans that do the same."""

    duration_s: float
    runs: bool
    weighted_s: float
    unknown_s: float
    beyond_s: float


def runs_of(spans: Segments, marks: Marks, rules: ClockRules, part: slice) -> list[Run]:
    """Neighbouring spans of a part that do the same, summed."""
    spans = Segments(*(getattr(spans, field.name)[part] for field in fields(spans)))
    marks = Marks(*(column[part] for column in marks))
    if spans.start_s.size == 0:
        return []
    firsts = np.flatnonzero(np.append(True, marks.runs[1:] != marks.runs[:-1]))
    weight = np.maximum(1.0, exposure_weight(spans.wettest_pa))
    weight[marks.known] = exposure_weight(spans.vapour_pressure_pa[marks.known])
    running = np.where(marks.runs, spans.duration_s, 0.0)
    columns = (
        spans.duration_s,
        running * weight,
        np.where(marks.told, 0.0, running),
        np.where(_beyond(spans, rules), running, 0.0),
    )
    sums = [np.add.reduceat(column, firsts).tolist() for column in columns]
    rows = zip(marks.runs[firsts].tolist(), *sums, strict=True)
    return [Run(whole, flag, w, u, b) for flag, whole, w, u, b in rows]


def _beyond(spans: Segments, rules: ClockRules) -> BoolArray:
    """Spans whose air is known to be wetter than the air in which the hours were proved."""
    rating = rules.rating
    if rating is None:
        return np.zeros(spans.start_s.shape, dtype=np.bool_)
    wetter: BoolArray = spans.vapour_pressure_pa > rating.vapour_pressure_pa * (1.0 + 1e-9)
    if rating.rh_frac is not None:
        wetter = wetter | (spans.rh_frac > rating.rh_frac + 1e-9)
    return wetter


def water_air(spans: Segments, marks: Marks, place: Place) -> tuple[FloatArray, FloatArray]:
    """Temperature and relative humidity that drive the water in each span.

    Unknown air counts as the reference air, or as the wettest air the package has met where that was wetter.
    An oven without a humidity sensor holds room air of the reference vapour pressure; at the redry
    temperature it is dry.
    """
    wettest = np.maximum(REFERENCE_VAPOUR_PRESSURE_PA, spans.wettest_pa)
    unknown_rh = REFERENCE_HUMIDITY_FRAC * wettest / REFERENCE_VAPOUR_PRESSURE_PA
    measured = np.clip(spans.temperature_c, -60.0, 350.0)
    temperature = np.where(marks.known, measured, REFERENCE_TEMPERATURE_C)
    humidity = np.where(marks.known, spans.rh_frac, unknown_rh)
    if place in HOT_PLACES:
        warm = np.isfinite(measured)
        temperature = np.where(warm, measured, temperature)
        saturated = saturation_pressure_water_pa(temperature)
        humidity = np.where(warm & ~marks.known, REFERENCE_VAPOUR_PRESSURE_PA / saturated, humidity)
        humidity = np.where(marks.baked, 0.0, humidity)
    return temperature, np.minimum(humidity, 1.0)
