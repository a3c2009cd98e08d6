"""How wrong a weather forecast usually is, and forecasts made wrong by just that much, for backtests."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from monitor.outlook.hourly import AHEAD_H, DAY_H, HOUR_S, FloatArray, OutdoorAir, ahead
from monitor.outlook.inputs import LEAST_PRESSURE_PA
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa

BIAS_HOURS = 7 * DAY_H
HELD_BACK_H = 24.0  # hours that speak against a bias before any is seen


@dataclass(frozen=True, slots=True)
class ForecastSkill:
    """Error of a forecast at one place by lead time, as standard deviations.

    `memory_h` is how long an error lasts within one forecast; `carried_frac` how much of it the next
    issue repeats; `joint_frac` the correlation of temperature and dew-point errors; `sun_std_frac` the error
    of an hour's radiation over what came.
    """

    lead_h: FloatArray
    temperature_std_k: FloatArray
    dew_point_std_k: FloatArray
    memory_h: float
    carried_frac: float
    joint_frac: float
    issue_every_h: int
    sun_std_frac: float


def skill_from_mapping(data: Mapping[str, Any]) -> ForecastSkill:
    """Read the `forecast_skill` table of the outlook's reference data."""
    rows = data["forecast_skill"]["row"]
    column = {
        name: np.array([float(row[name]) for row in rows]) for name in rows[0] if name.endswith(("_h", "_k"))
    }
    number = {name: data["forecast_skill"][name]["value"] for name in _NUMBERS}
    return ForecastSkill(
        column["lead_h"],
        column["temperature_std_k"],
        column["dew_point_std_k"],
        float(number["memory_h"]),
        float(number["carried_frac"]),
        float(number["joint_frac"]),
        int(number["issue_every_h"]),
        float(number["sun_std_frac"]),
    )


_NUMBERS = ("memory_h", "carried_frac", "joint_frac", "issue_every_h", "sun_std_frac")


def draws_needed(rows: int, skill: ForecastSkill) -> tuple[int, int, int]:
    """Shape of the standard normal numbers that `degraded` wants: quantities, issues, leads."""
    return (2, -(-rows // skill.issue_every_h), AHEAD_H + skill.issue_every_h + 1)


def issue_draws(place: str, first_issue: int, rows: int, skill: ForecastSkill) -> FloatArray:
    """Standard normal numbers for `degraded`, the same for an issue wherever a record begins.

    `first_issue` counts issues from the epoch; `rows` are hours from its beginning.
    """
    quantities, issues, leads = draws_needed(rows, skill)
    seeds = ([*place.encode(), first_issue + n] for n in range(issues))
    return np.stack([np.random.default_rng(s).standard_normal((quantities, leads)) for s in seeds], axis=1)


def degraded(
    outdoor: OutdoorAir, rows: int, skill: ForecastSkill, draws: FloatArray, since_issue_h: int = 0
) -> OutdoorAir:
    """The same outdoor air, with forecasts issued as wrong as real ones are (draws: standard normal).

    `since_issue_h` says how old the newest issue is at the first row.
    """
    fields = np.stack([_error_fields(draw, skill) for draw in draws])
    fields[1] = skill.joint_frac * fields[0] + np.sqrt(1.0 - skill.joint_frac**2) * fields[1]
    row = np.arange(since_issue_h, since_issue_h + rows)
    issue = row // skill.issue_every_h
    lead = (row - issue * skill.issue_every_h)[:, None] + np.arange(1, AHEAD_H + 1)
    leads = np.arange(fields.shape[2])
    scale = [np.interp(leads, skill.lead_h, std) for std in (skill.temperature_std_k, skill.dew_point_std_k)]
    air = ahead(outdoor.temperature_c, rows) + fields[0][issue[:, None], lead] * scale[0][lead]
    pressure = np.maximum(ahead(outdoor.vapour_pressure_pa, rows), LEAST_PRESSURE_PA)
    dew = np.minimum(dew_point_c(pressure) + fields[1][issue[:, None], lead] * scale[1][lead], air)
    return OutdoorAir(
        outdoor.temperature_c, outdoor.vapour_pressure_pa, air, saturation_pressure_water_pa(dew)
    )


def degraded_sun(sun_wm2: FloatArray, rows: int, skill: ForecastSkill, draws: FloatArray) -> FloatArray:
    """Radiation as forecasts would have told it (rows, 48), by draws for one quantity."""
    field = _error_fields(draws, skill)
    row = np.arange(rows)
    issue = row // skill.issue_every_h
    lead = (row - issue * skill.issue_every_h)[:, None] + np.arange(1, AHEAD_H + 1)
    missed = 1.0 + skill.sun_std_frac * field[issue[:, None], lead]
    told: FloatArray = np.maximum(ahead(sun_wm2, rows) * missed, 0.0)
    return told


def _error_fields(draw: FloatArray, skill: ForecastSkill) -> FloatArray:
    """Errors of unit size by issue and lead, lasting within an issue and carried on to the next."""
    keep = float(np.exp(-1.0 / skill.memory_h))
    fresh = np.empty_like(draw)
    fresh[:, 0] = draw[:, 0]
    for n in range(1, draw.shape[1]):
        fresh[:, n] = keep * fresh[:, n - 1] + np.sqrt(1.0 - keep**2) * draw[:, n]
    step, carried = skill.issue_every_h, skill.carried_frac
    field = fresh.copy()
    for n in range(1, draw.shape[0]):
        field[n, :-step] = carried * field[n - 1, step:] + np.sqrt(1.0 - carried**2) * fresh[n, :-step]
    return field


def site_bias(measured: FloatArray, nearest: FloatArray) -> tuple[FloatArray, FloatArray]:
    """By hour, the site's lasting bias as known then, and what the hour itself missed beyond it.

    `nearest` is what was last forecast for each hour. The bias is the mean miss of the last week, held back
    while little is known.
    """
    miss = measured - nearest
    known = np.isfinite(miss)
    total = np.concatenate([[0.0], np.cumsum(np.where(known, miss, 0.0))])
    count = np.concatenate([[0], np.cumsum(known)])
    row = np.arange(miss.size)
    first = np.maximum(row + 1 - BIAS_HOURS, 0)
    bias = (total[row + 1] - total[first]) / (count[row + 1] - count[first] + HELD_BACK_H)
    return bias, np.where(known, miss - bias, 0.0)


def corrected(
    issued: FloatArray, measured: FloatArray, nearest: FloatArray, *, memory_h: float = 12.0
) -> FloatArray:
    """Forecasts (rows, hours ahead) moved by what the site's own outdoor sensor said of their bias by then.

    The lasting bias lasts; what the last hour missed beyond it fades over `memory_h`. Models learn from
    forecasts moved in the same way as the one they are then given.
    """
    bias, fresh = site_bias(measured, nearest)
    fade = np.exp(-np.arange(1, issued.shape[1] + 1) / memory_h)
    return issued + bias[:, None] + fresh[:, None] * fade


def with_site_sensor(outdoor: OutdoorAir) -> OutdoorAir:
    """Issued forecasts moved by the outdoor air that was measured; unchanged where none were issued."""
    air, pressure = outdoor.issued_temperature_c, outdoor.issued_pressure_pa
    if air is None or pressure is None:
        return outdoor
    rows = air.shape[0]
    seen_air, seen_dew = outdoor.temperature_c[:rows], _dew(outdoor.vapour_pressure_pa[:rows])
    dew = _dew(pressure)
    moved = corrected(air, seen_air, nearest_issue(air))
    moved_dew = np.minimum(corrected(dew, seen_dew, nearest_issue(dew)), moved)
    return replace(
        outdoor, issued_temperature_c=moved, issued_pressure_pa=saturation_pressure_water_pa(moved_dew)
    )


def with_usual_errors(outdoor: OutdoorAir, place: str, start_s: float, skill: ForecastSkill) -> OutdoorAir:
    """Every hour given a forecast: what was issued, else what came, as wrong as forecasts usually are.

    `outdoor` holds what was measured and, where kept, what was issued for it. A model that learnt from
    hours without an issue as if the weather had been foreseen without error would trust the next forecast
    too far. The result is moved by the site's sensor, an issued hour by issued forecasts alone.
    """
    rows = outdoor.temperature_c.size
    hour = int(start_s // HOUR_S)
    since_issue_h = hour % skill.issue_every_h
    draws = issue_draws(place, hour // skill.issue_every_h, since_issue_h + rows, skill)
    stood_in = with_site_sensor(degraded(outdoor, rows, skill, draws, since_issue_h))
    moved = with_site_sensor(outdoor)
    columns = []
    for name in ("issued_temperature_c", "issued_pressure_pa"):
        own, other = getattr(moved, name), getattr(stood_in, name)
        columns.append(other if own is None else np.where(np.isfinite(own), own, other))
    return replace(outdoor, issued_temperature_c=columns[0], issued_pressure_pa=columns[1])


def nearest_issue(issued: FloatArray) -> FloatArray:
    """What was forecast for each hour one hour before it."""
    return np.concatenate([[np.nan], issued[:-1, 0]])


def _dew(pressure_pa: FloatArray) -> FloatArray:
    return dew_point_c(np.maximum(pressure_pa, LEAST_PRESSURE_PA))
