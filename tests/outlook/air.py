"""Invented weather and rooms with a known answer, for the tests of this room."""

import numpy as np

from monitor.model.reading import Quantity
from monitor.outlook.hourly import AirHistory, FloatArray, OutdoorAir
from monitor.physics.saturation import saturation_pressure_water_pa

START_S = 1_750_000_800.0 - 1_750_000_800.0 % 86_400.0


def weather(rows: int, seed: int = 1) -> OutdoorAir:
    """A made-up maritime climate: slow swings, a daily wave, short noise."""
    rng = np.random.default_rng(seed)
    hour = np.arange(rows)
    slow = _wander(rng, rows, 60.0) * 4.0
    air = 12.0 + slow + 4.0 * np.sin(2 * np.pi * (hour % 24 - 9) / 24) + _wander(rng, rows, 5.0) * 0.8
    depression = 2.0 + 2.0 * np.abs(_wander(rng, rows, 30.0)) + np.maximum(air - 12.0 - slow, 0.0)
    return OutdoorAir(air, saturation_pressure_water_pa(air - depression))


def _wander(rng: np.random.Generator, rows: int, memory_h: float) -> FloatArray:
    keep = np.exp(-1.0 / memory_h)
    value = np.empty(rows)
    state = 0.0
    for n, draw in enumerate(rng.standard_normal(rows)):
        state = keep * state + np.sqrt(1 - keep**2) * draw
        value[n] = state
    return value


def room(
    outdoor: OutdoorAir,
    rows: int,
    *,
    exchange_h: float,
    lag_h: float,
    heat_to_c: float = -50.0,
    dry_to_frac: float = 1.0,
    gain_pa_h: float = 0.0,
    noise_c: float = 0.05,
    zone: str = "room",
) -> AirHistory:
    """A room by its balance; the gain comes from 06:00 to 14:00."""
    rng = np.random.default_rng(7)
    air, vapour = float(outdoor.temperature_c[0]), float(outdoor.vapour_pressure_pa[0])
    temperature, pressure = np.empty(rows), np.empty(rows)
    for n in range(rows):
        keep = np.exp(-1.0 / lag_h)
        air = keep * air + (1 - keep) * float(outdoor.temperature_c[n])
        inside = max(air, heat_to_c)
        stay = np.exp(-exchange_h)
        gain = gain_pa_h if 6 <= n % 24 < 14 else 0.0
        vapour = stay * vapour + (1 - stay) * (float(outdoor.vapour_pressure_pa[n]) + gain / exchange_h)
        vapour = min(vapour, dry_to_frac * float(saturation_pressure_water_pa(inside)))
        temperature[n], pressure[n] = inside, vapour
    temperature += noise_c * rng.standard_normal(rows)
    pressure *= 1.0 + 0.004 * rng.standard_normal(rows)
    return AirHistory(zone, START_S, temperature, pressure)


def doored_bay(outdoor: OutdoorAir, rows: int, seed: int = 5, person_pa_h: float = 0.0) -> AirHistory:
    """A bay whose door is opened by nobody's timetable: 0.08 air changes an hour shut, 2.5 open.

    Beside it people are counted, of whom each adds `person_pa_h` to its vapour.
    """
    rng = np.random.default_rng(seed)
    door, people, pressure, air = (np.empty(rows) for _ in range(4))
    vapour, warm, opened = float(outdoor.vapour_pressure_pa[0]), float(outdoor.temperature_c[0]), False
    for n in range(rows):
        working = 6 <= n % 24 < 18
        opened = rng.random() < ((0.85 if opened else 0.12) if working else 0.02)
        door[n] = float(opened) * (0.6 + 0.4 * rng.random())
        if n % 6 == 0:
            people[n] = rng.integers(0, 9) if rng.random() < 0.5 else 0
        else:
            people[n] = people[n - 1]
        rate = 0.08 + 2.42 * door[n]
        vapour += (1 - np.exp(-rate)) * (float(outdoor.vapour_pressure_pa[n]) - vapour)
        vapour += (25.0 if working else 5.0) + person_pa_h * people[n]
        warm += (1 - np.exp(-0.08 - 0.4 * door[n])) * (float(outdoor.temperature_c[n]) + 3.0 - warm)
        pressure[n] = vapour = min(vapour, float(saturation_pressure_water_pa(warm)))
        air[n] = warm
    pressure *= 1.0 + 0.004 * rng.standard_normal(rows)
    air += 0.05 * rng.standard_normal(rows)
    return AirHistory(
        "bay", START_S, air, pressure, beside={Quantity.DOOR_OPEN: door, Quantity.PEOPLE: people}
    )
