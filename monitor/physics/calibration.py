"""Corrects a humidity sensor from checks over saturated salts, and tells how far it drifts between checks."""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.model.errors import Fault, InputError
from monitor.physics.elementwise import Maths, V, Values, check_range, elementwise
from monitor.physics.saturation import ZERO_C_K, water_slope

YEAR_S = 365.25 * 86400.0
_UNKNOWN_GAIN_STD = 0.03  # how much a sensor right at one humidity may be wrong at another, per unit between
_LEAST_SPAN_FRAC = 0.2  # two salts nearer than this say nothing about a sensor's gain
_TWO_SIDED_95 = 1.96
_LONGEST_DAYS = 1827


@dataclass(frozen=True, slots=True)
class Salt:
    """The humidity over a saturated salt solution, at rising temperatures."""

    name: str
    temperature_c: tuple[float, ...]
    humidity_frac: tuple[float, ...]
    plus_minus_frac: tuple[float, ...]  # limits of the table's own error
    status: str
    source: str


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """One reading of a sensor beside a known humidity; `std_frac` holds reference and reading together."""

    time_s: float
    indicated_frac: float
    reference_frac: float
    std_frac: float


@dataclass(frozen=True, slots=True)
class Correction:
    """What to add to a sensor's reading: shift + gain_error (reading - centre), with how sure that is."""

    centre_frac: float
    shift_frac: float
    gain_error: float
    shift_std_frac: float
    gain_std: float


@dataclass(frozen=True, slots=True)
class Drift:
    """How fast a sensor's error (indicated less true) changes, and whether that can be told from nothing."""

    rate_per_year_frac: float
    rate_per_year_std_frac: float

    @property
    def significant(self) -> bool:
        """Whether the drift differs from none at the 95 % level."""
        return abs(self.rate_per_year_frac) > _TWO_SIDED_95 * self.rate_per_year_std_frac


def salts_from_mapping(data: Mapping[str, Any]) -> dict[str, Salt]:
    """The salts of `shared/salts.toml`, by name.

    Arguments:
        data: the file as a mapping, with a table `salts` of tables.
    Returns:
        the salts; humidities as fractions.
    Raises:
        InputError: every fault found, with its place.
    Reference:
        The file names the source and status of each salt's row.
    """
    faults: list[Fault] = []
    salts: dict[str, Salt] = {}
    for name, row in dict(data.get("salts", {})).items():
        try:
            salt = Salt(
                name,
                tuple(float(t) for t in row["temperature_c"]),
                tuple(float(h) for h in row["humidity_frac"]),
                tuple(float(u) for u in row["plus_minus_frac"]),
                str(row["status"]),
                str(row["source"]),
            )
        except (KeyError, TypeError, ValueError) as error:
            faults.append(
                Fault(f"salts.{name}", str(error), "give temperatures, humidities, limits and source")
            )
            continue
        faults += _salt_faults(salt)
        salts[name] = salt
    if not salts and not faults:
        faults.append(Fault("salts", "no table", "restore the table of saturated salts"))
    if faults:
        raise InputError(faults)
    return salts


def _salt_faults(salt: Salt) -> list[Fault]:
    place = f"salts.{salt.name}"
    faults = []
    if not len(salt.temperature_c) == len(salt.humidity_frac) == len(salt.plus_minus_frac) >= 2:
        faults.append(
            Fault(place, "columns of unequal length", "give every temperature a humidity and a limit")
        )
    if any(b <= a for a, b in zip(salt.temperature_c, salt.temperature_c[1:], strict=False)):
        faults.append(Fault(f"{place}.temperature_c", str(salt.temperature_c), "let temperatures rise"))
    if not all(0.0 < h < 1.0 for h in salt.humidity_frac):
        faults.append(
            Fault(f"{place}.humidity_frac", str(salt.humidity_frac), "give fractions between 0 and 1")
        )
    return faults


def _table(temperature_c: V, salt: Salt, column: tuple[float, ...]) -> V:
    check_range("temperature_c", temperature_c, salt.temperature_c[0], salt.temperature_c[-1], "degC")
    return elementwise(lambda _, t: np.interp(t, salt.temperature_c, column), temperature_c)


def salt_humidity_frac(temperature_c: V, salt: Salt) -> V:
    """Relative humidity over a saturated salt solution.

    Arguments:
        temperature_c: temperature of the box, degC, any shape, within the salt's table.
        salt: the salt.
    Returns:
        relative humidity, fraction, same shape.
    Raises:
        RangeError: temperature outside the salt's table.
    Reference:
        Greenspan, J. Res. NBS 81A (1977) 89, doi 10.6028/jres.081A.011, Table 2, straight between its
        temperatures; the status of each row is in the data.
    """
    return _table(temperature_c, salt, salt.humidity_frac)


def salt_std_frac(temperature_c: V, salt: Salt, difference_std_k: Values) -> V:
    """Standard uncertainty of the humidity a sensor meets over a saturated salt.

    Arguments:
        temperature_c: temperature of the box, degC, any shape, within the salt's table.
        salt: the salt.
        difference_std_k: standard uncertainty of the temperature difference between salt and sensor, K,
            broadcast, 0 to 5: one kelvin is about 6 % of the reading.
    Returns:
        standard uncertainty, fraction, broadcast shape.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        JCGM 100:2008, 4.3.7 (the table's limits as rectangular) and 5.1.2 (difference times the slope of ln
        p, Wagner and Pruss 1993, doi 10.1063/1.555926).
    """
    check_range("difference_std_k", difference_std_k, 0.0, 5.0, "K")
    limits = _table(temperature_c, salt, salt.plus_minus_frac)
    humidity = _table(temperature_c, salt, salt.humidity_frac)

    def std(m: Maths, t: Any, limit: Any, rh: Any, difference: Any) -> Any:
        by_difference = rh * water_slope(m, t + ZERO_C_K)[1] * difference
        return m.sqrt(limit * limit / 3.0 + by_difference * by_difference)

    return elementwise(std, temperature_c, limits, humidity, difference_std_k)


def correction_from_checks(
    points: Sequence[CheckPoint], unknown_gain_std: float = _UNKNOWN_GAIN_STD
) -> Correction:
    """The correction of a sensor from one or more checks.

    Arguments:
        points: checks at one or more humidities, at least one, each with a standard uncertainty above 0;
            checks that span less than 0.2 give a shift only.
        unknown_gain_std: standard uncertainty of the gain where the checks do not tell it, 0 to 1: how much a
            sensor right at one humidity may be wrong at another, per unit of humidity between them.
    Returns:
        the correction; two salts are met exactly, more by weighted least squares.
    Raises:
        InputError: no check at all.
        RangeError: a field of a check outside its range.
    Reference:
        JCGM 100:2008, H.3 (straight line as calibration curve), with weights 1/u2 of the checks.
    """
    if not points:
        raise InputError([Fault("points", "no check", "check the sensor over at least one salt")])
    check_range("unknown_gain_std", unknown_gain_std, 0.0, 1.0, "")
    for point in points:
        check_range("indicated_frac", point.indicated_frac, 0.0, 1.2, "(a fraction)")
        check_range("reference_frac", point.reference_frac, 0.0, 1.0, "(a fraction)")
        check_range("std_frac", point.std_frac, 1e-6, 0.5, "(a fraction)")
    weight = np.array([point.std_frac**-2 for point in points])
    indicated = np.array([point.indicated_frac for point in points])
    error = np.array([point.reference_frac for point in points]) - indicated
    centre = float(weight @ indicated / weight.sum())
    shift = float(weight @ error / weight.sum())
    shift_std = float(weight.sum() ** -0.5)
    if np.ptp(indicated) < _LEAST_SPAN_FRAC:
        return Correction(centre, shift, 0.0, shift_std, unknown_gain_std)
    lever = weight * (indicated - centre)
    spread = float(lever @ (indicated - centre))
    return Correction(centre, shift, float(lever @ error) / spread, shift_std, spread**-0.5)


def drift_between(first: CheckPoint, second: CheckPoint, shared_std_frac: float = 0.0) -> Drift:
    """How fast a sensor's error changed between two checks, with no adjustment in between.

    Arguments:
        first: the earlier check.
        second: the later check, at about the same humidity.
        shared_std_frac: part of both standard uncertainties that is the same error both times (the salt's
            table), fraction, 0 to either std_frac: it cancels.
    Returns:
        drift a year, with its standard uncertainty; positive where the sensor reads ever higher.
    Raises:
        InputError: checks out of order, or at humidities more than 0.05 apart.
        RangeError: a shared part larger than an uncertainty it is part of.
    Reference:
        JCGM 100:2008, 5.2.2, eq. (13), for a difference with a shared part (F.1.2.3).
    """
    if second.time_s - first.time_s < 1.0:
        fix = "give the earlier check first, at least a second before"
        raise InputError([Fault("second.time_s", f"{second.time_s:.0f}", fix)])
    if abs(second.reference_frac - first.reference_frac) > 0.05:
        fix = "compare two checks over the same salt"
        raise InputError([Fault("second.reference_frac", f"{second.reference_frac:.3f}", fix)])
    check_range("shared_std_frac", shared_std_frac, 0.0, min(first.std_frac, second.std_frac), "(a fraction)")
    years = (second.time_s - first.time_s) / YEAR_S
    change = _error(second) - _error(first)
    variance = first.std_frac**2 + second.std_frac**2 - 2.0 * shared_std_frac**2
    return Drift(change / years, math.sqrt(variance) / years)


def _error(point: CheckPoint) -> float:
    return point.indicated_frac - point.reference_frac


def next_check_s(last: CheckPoint, drift: Drift, tolerance_frac: float) -> float:
    """When a sensor that is not adjusted may leave a tolerance, so when it must be checked again.

    Arguments:
        last: the last check.
        drift: from drift_between.
        tolerance_frac: largest error that is borne, fraction, 0.001 to 0.5.
    Returns:
        epoch seconds: the first moment at which the error, with 95 % assurance, could be past the tolerance;
        the last check's where it could be already, five years on at the latest.
    Raises:
        RangeError: tolerance outside its range.
    Reference:
        Straight drift; expanded uncertainty with k = 1.96 (JCGM 100:2008, 6.2).
    """
    check_range("tolerance_frac", tolerance_frac, 1e-3, 0.5, "(a fraction)")

    def worst(years: float) -> float:
        ahead = abs(_error(last) + drift.rate_per_year_frac * years)
        return ahead + _TWO_SIDED_95 * math.hypot(last.std_frac, drift.rate_per_year_std_frac * years)

    if worst(0.0) >= tolerance_frac:
        return last.time_s
    days = next(
        (day for day in range(1, _LONGEST_DAYS) if worst(day / 365.25) >= tolerance_frac), _LONGEST_DAYS
    )
    return last.time_s + (days - 1) * 86400.0
