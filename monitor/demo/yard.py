"""Simulates the air inside Ferrymoor's zones and the steel in them, following the estuary with a lag."""

from dataclasses import dataclass

import numpy as np

from monitor.demo.estuary import STEP_S, FloatArray, Outdoor
from monitor.physics.saturation import saturation_pressure_water_pa


@dataclass(frozen=True, slots=True)
class Building:
    """How one zone answers to the outdoor air; every number is invented."""

    air_changes_h: float
    door_air_changes_h: float = 0.0  # added while the shift's doors stand open
    fabric_lag_h: float = 20.0
    fabric_share: float = 0.7  # how much of the air's temperature the walls set
    heat_to_c: float | None = None
    dry_to_frac: float | None = None
    dryer_fails_h: tuple[float, float] = (0.0, 0.0)
    vapour_gain_pa_h: float = 0.0  # people, wet floors


BUILDINGS = {
    "slipway-mast": Building(1e6, fabric_share=0.0),
    "slip-bay": Building(
        1.5, door_air_changes_h=6.0, fabric_lag_h=16.0, fabric_share=0.55, vapour_gain_pa_h=20.0
    ),
    "panel-hall": Building(
        0.6, door_air_changes_h=1.0, fabric_lag_h=30.0, fabric_share=0.75, vapour_gain_pa_h=25.0
    ),
    "wire-store": Building(
        0.25,
        fabric_lag_h=36.0,
        fabric_share=0.85,
        heat_to_c=18.0,
        dry_to_frac=0.45,
        dryer_fails_h=(70.0, 86.0),
    ),
    "gas-cage": Building(12.0, fabric_lag_h=6.0, fabric_share=0.2),
    "plate-yard": Building(20.0, fabric_lag_h=4.0, fabric_share=0.1),
    "dry-cabinet": Building(0.1, fabric_lag_h=36.0, fabric_share=0.9, heat_to_c=24.0, dry_to_frac=0.12),
}

OVEN_C = 125.0


@dataclass(frozen=True, slots=True)
class YardAir:
    """Minute by minute temperature and vapour pressure of one zone."""

    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray

    def relative_humidity_frac(self) -> FloatArray:
        """Over liquid water."""
        return np.asarray(
            np.minimum(self.vapour_pressure_pa / saturation_pressure_water_pa(self.temperature_c), 0.999)
        )


def working(hours: FloatArray) -> FloatArray:
    """1 while a shift works (weekdays 06:00 to 22:00, Saturday to 14:00), else 0."""
    day, hour = (hours // 24) % 7, hours % 24
    weekday = (day < 5) & (hour >= 6) & (hour < 22)
    saturday = (day == 5) & (hour >= 6) & (hour < 14)
    return np.asarray(weekday | saturday, dtype=np.float64)


def unscheduled_doors(hours: FloatArray, rng: np.random.Generator) -> FloatArray:
    """1 while a door stands open that no timetable opens: some times a day, for minutes or for hours.

    At night and on Sundays it is seldom opened, and now and then left open.
    """
    found = np.zeros(hours.size)
    opened = rng.random(hours.size) < np.where(working(hours) > 0.0, 1.0 / 60.0, 1.0 / 3000.0)
    minutes = rng.lognormal(3.4, 1.2, hours.size).astype(np.int64) + 1
    until = 0
    for n in np.flatnonzero(opened).tolist():
        if n >= until:
            until = n + int(minutes[n])
            found[n:until] = 1.0
    return found


def zone_air(building: Building, outside: Outdoor, doors: FloatArray | None = None) -> YardAir:
    """Follow the outdoor air through walls, doors, heater and dryer, one minute at a time.

    `doors` says how far they stand open, minute by minute; absent: all through the working hours.
    """
    if building.fabric_share == 0.0:
        return YardAir(outside.temperature_c, outside.vapour_pressure_pa)
    at_work = working(outside.hours)
    open_doors = at_work if doors is None else doors
    exchange_h = building.air_changes_h + building.door_air_changes_h * open_doors
    follow = 1.0 - np.exp(-exchange_h * STEP_S / 3600.0)
    fabric_follow = 1.0 - np.exp(-STEP_S / (building.fabric_lag_h * 3600.0))
    fails = (outside.hours >= building.dryer_fails_h[0]) & (outside.hours < building.dryer_fails_h[1])
    fabric = air_c = float(outside.temperature_c[: 24 * 60].mean())
    vapour = float(outside.vapour_pressure_pa[0])
    temperature = np.empty(outside.hours.size)
    vapours = np.empty(outside.hours.size)
    for n in range(outside.hours.size):
        out_c = float(outside.temperature_c[n])
        fabric += fabric_follow * (out_c - fabric)
        aim = building.fabric_share * fabric + (1.0 - building.fabric_share) * out_c
        if building.heat_to_c is not None:
            aim = max(aim, building.heat_to_c)
        air_c += 0.05 * (aim - air_c)
        vapour += float(follow[n]) * (float(outside.vapour_pressure_pa[n]) - vapour)
        vapour += building.vapour_gain_pa_h * float(at_work[n]) * STEP_S / 3600.0
        limit = 0.995 if building.dry_to_frac is None or fails[n] else building.dry_to_frac
        vapour = min(vapour, limit * float(saturation_pressure_water_pa(air_c)))
        temperature[n], vapours[n] = air_c, vapour
    return YardAir(temperature, vapours)


def oven_air(outside: Outdoor) -> YardAir:
    """A holding oven that was switched off over Thursday night."""
    off = (outside.hours % 168 >= 94.0) & (outside.hours % 168 < 101.0)
    temperature = np.empty(outside.hours.size)
    value = OVEN_C
    for n in range(outside.hours.size):
        aim = float(outside.temperature_c[n]) if off[n] else OVEN_C
        value += (1.0 - np.exp(-STEP_S / 5400.0)) * (aim - value)
        temperature[n] = value
    return YardAir(temperature, np.full(outside.hours.size, 900.0))


def lagging_skin_c(air: YardAir, time_constant_h: float) -> FloatArray:
    """Skin temperature of steel that follows the air by plain first-order lag (the demo's own truth)."""
    follow = 1.0 - np.exp(-STEP_S / (time_constant_h * 3600.0))
    skin = np.empty(air.temperature_c.size)
    value = float(air.temperature_c[0])
    for n in range(skin.size):
        value += follow * (float(air.temperature_c[n]) - value)
        skin[n] = value
    return skin
