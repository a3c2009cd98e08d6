"""Air on temperature against humidity ratio: lines of relative humidity, and where a surface sweats."""

from collections.abc import Sequence

import numpy as np

from monitor.physics.moist_air import humidity_ratio_kgkg
from monitor.physics.saturation import saturation_pressure_pa, vapour_pressure_pa
from monitor.store.contract import FloatArray

LINES_FRAC = (0.2, 0.4, 0.6, 0.8, 1.0)
_POINTS = 121


def humidity_line(
    humidity_frac: float, between_c: tuple[float, float], most_kgkg: float, pressure_pa: float
) -> tuple[FloatArray, FloatArray]:
    """Temperatures (°C) and humidity ratios (kg/kg) of air of one relative humidity, up to a ratio.

    The last point lies on that ratio where the line is cut by it; nothing where all of the line lies above.
    """
    temperature = np.linspace(*between_c, _POINTS)
    ratio = humidity_ratio_kgkg(vapour_pressure_pa(temperature, humidity_frac), pressure_pa)
    over = np.flatnonzero(ratio > most_kgkg)
    if not over.size:
        return temperature, ratio
    first = int(over[0])
    if first == 0:
        return temperature[:0], ratio[:0]
    cut = float(np.interp(most_kgkg, ratio[first - 1 : first + 1], temperature[first - 1 : first + 1]))
    return np.append(temperature[:first], cut), np.append(ratio[:first], most_kgkg)


def sweats_from_kgkg(skin_c: float, pressure_pa: float) -> float:
    """The humidity ratio above which water (below zero, frost) comes out of the air on a surface."""
    return float(humidity_ratio_kgkg(saturation_pressure_pa(skin_c), pressure_pa))


def ends(values: Sequence[float], step: float, room: float) -> tuple[float, float]:
    """Round ends that hold every value with some room."""
    return (
        float(np.floor((min(values) - room) / step) * step),
        float(np.ceil((max(values) + room) / step) * step),
    )
