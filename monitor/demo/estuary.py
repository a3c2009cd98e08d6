"""Simulates the outdoor air over a tidal estuary through one humid week; invented, seeded, repeatable."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from monitor.physics.saturation import saturation_pressure_water_pa

FloatArray = npt.NDArray[np.float64]

STEP_S = 60.0
TIDE_S = 12.42 * 3600.0  # period of the principal lunar tide

# Knots of the week, hours after Monday midnight: air temperature without its daily swing, dew point,
# daily half-swing. Invented: dry and cool at first, a clear cold night, then sea air before Wednesday's
# early shift, fog on Friday morning, drying out over the weekend.
_KNOTS = (
    (0, 12.0, 6.0, 3.0),
    (24, 11.5, 5.5, 4.0),
    (42, 10.0, 5.0, 4.5),
    (48, 8.5, 6.0, 3.0),
    (51, 12.0, 11.5, 2.0),
    (54, 15.5, 14.5, 1.5),
    (60, 17.5, 16.0, 2.0),
    (72, 16.5, 15.5, 2.0),
    (84, 17.0, 15.0, 2.5),
    (96, 13.5, 12.5, 2.0),
    (102, 12.0, 11.8, 1.5),
    (108, 15.0, 12.5, 2.5),
    (120, 14.0, 9.0, 3.0),
    (132, 14.0, 7.0, 4.0),
    (144, 12.5, 7.5, 4.0),
    (168, 12.0, 6.0, 3.0),
)


@dataclass(frozen=True, slots=True)
class Outdoor:
    """Minute by minute: time since the start of the week, temperature, vapour pressure, wind."""

    hours: FloatArray
    temperature_c: FloatArray
    vapour_pressure_pa: FloatArray
    wind_ms: FloatArray


def outdoor(seed: int, days: float, before_days: float = 0.0) -> Outdoor:
    """The estuary's air for `days` days; after the seventh day the week repeats.

    `before_days` of ordinary late-summer weather come first, for the yard to have a past.
    """
    hours = np.arange(-before_days * 24.0, days * 24.0, STEP_S / 3600.0)
    rng = np.random.default_rng(seed)
    week = np.asarray(_KNOTS, dtype=np.float64)
    base, dew, swing = (np.interp(hours % 168.0, week[:, 0], week[:, n]) for n in (1, 2, 3))
    past = np.clip(-hours / 12.0, 0.0, 1.0)  # the week's own weather sets in over its last half day
    drift = _red_noise(rng, hours.size, 1.0, memory_min=2.0 * 1440.0)
    wetness = _red_noise(rng, hours.size, 1.0, memory_min=1.5 * 1440.0)
    base = base + past * (13.5 + 2.0 * drift - base)
    dew = dew + past * (13.5 + 2.0 * drift - 3.5 + 3.0 * wetness - dew)
    swing = swing + past * (3.0 - swing)
    temperature = base + swing * np.cos(2 * np.pi * (hours - 15.0) / 24.0) + _red_noise(rng, hours.size, 0.25)
    # Mud flats dry out at low water: the tide moves the dew point a little.
    tide = 0.4 * np.cos(2 * np.pi * hours * 3600.0 / TIDE_S)
    vapour = saturation_pressure_water_pa(dew + tide + _red_noise(rng, hours.size, 0.2))
    vapour = np.minimum(vapour, 0.995 * saturation_pressure_water_pa(temperature))
    wind = 3.0 + 2.0 * np.sin(2 * np.pi * (hours - 9.0) / 24.0) + _red_noise(rng, hours.size, 1.0)
    return Outdoor(hours, temperature, np.asarray(vapour), np.clip(wind, 0.2, None))


def _red_noise(rng: np.random.Generator, size: int, std: float, memory_min: float = 90.0) -> FloatArray:
    """First-order autoregressive noise of a given standard deviation."""
    keep = float(np.exp(-1.0 / memory_min))
    kicks = rng.normal(0.0, std * np.sqrt(1.0 - keep**2), size)
    noise = np.empty(size)
    value = 0.0
    for n in range(size):
        value = keep * value + kicks[n]
        noise[n] = value
    return noise
