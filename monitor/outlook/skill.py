"""How wrong a weather forecast usually is, and forecasts made wrong by just that much, for backtests."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from monitor.outlook.hourly import AHEAD_H, FloatArray, OutdoorAir, ahead
from monitor.outlook.inputs import LEAST_PRESSURE_PA
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa


@dataclass(frozen=True, slots=True)
class ForecastSkill:
    """Error of a forecast at one place by lead time, as standard deviations.

    `memory_h` is how long an error lasts within one forecast; `carried_frac` how much of it the next
    issue repeats; `joint_frac` the correlation of temperature and dew-point errors.
    """

    lead_h: FloatArray
    temperature_std_k: FloatArray
    dew_point_std_k: FloatArray
    memory_h: float
    carried_frac: float
    joint_frac: float
    issue_every_h: int


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
    )


_NUMBERS = ("memory_h", "carried_frac", "joint_frac", "issue_every_h")


def draws_needed(rows: int, skill: ForecastSkill) -> tuple[int, int, int]:
    """Shape of the standard normal numbers that `degraded` wants."""
    return (2, -(-rows // skill.issue_every_h), AHEAD_H + skill.issue_every_h + 1)


def degraded(outdoor: OutdoorAir, rows: int, skill: ForecastSkill, draws: FloatArray) -> OutdoorAir:
    """The same outdoor air, with forecasts issued as wrong as real ones are (draws: standard normal)."""
    fields = np.stack([_error_fields(draw, skill) for draw in draws])
    fields[1] = skill.joint_frac * fields[0] + np.sqrt(1.0 - skill.joint_frac**2) * fields[1]
    row = np.arange(rows)
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


def corrected(
    forecast: FloatArray, measured: FloatArray, forecast_then: FloatArray, *, memory_h: float = 12.0
) -> FloatArray:
    """A forecast moved by what the site's own outdoor sensor says of its bias.

    `measured` and `forecast_then` are the last hours, side by side. The mean difference of the last day is
    taken as the site's lasting bias; what the last hour differs beyond it fades over `memory_h`.
    """
    miss = measured - forecast_then
    known = miss[np.isfinite(miss)]
    if not known.size:
        return forecast.copy()
    bias = float(known[-24:].mean())
    fresh = float(known[-1]) - bias if np.isfinite(miss[-1]) else 0.0
    return forecast + bias + fresh * np.exp(-np.arange(1, forecast.size + 1) / memory_h)
