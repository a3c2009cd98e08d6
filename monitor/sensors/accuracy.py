"""Turns a maker's accuracy and a sensor's resolution into a standard uncertainty.

A sensor's two errors count as independent. Makers state them for a device as cold as its air. What warms
thermometer and humidity element together does not touch the vapour at the element: it reads as much drier as
the thermometer reads warmer, so both errors cancel in the dew point (their correlation is negative). Nobody
publishes how much of a stated figure that is, so none of it is taken off.
"""

from functools import lru_cache
from math import sqrt

from monitor.model.reading import Quantity
from monitor.physics.uncertainty import dew_point_std_k
from monitor.sensors.quality_rules import ChannelRules, SensorRules

REMEMBERED = 8_192  # deviations; a few for each sensor of a large shop


def standard_uncertainty(rules: ChannelRules, value: float, resolution: float = 0.0) -> float:
    """Standard uncertainty of one reading, in the reading's own unit.

    A maker's ± figure says no more than that the truth lies within it, so it is taken as a uniform
    distribution of that half width; a last digit likewise, with half a step to each side
    (JCGM 100:2008, 4.3.7 and F.2.2.1).
    """
    inner = rules.inner_from <= value <= rules.inner_to
    half_width = rules.accuracy if inner else rules.accuracy_outer
    return sqrt(half_width**2 / 3.0 + resolution**2 / 12.0)


def temperature_std_k(sensor: SensorRules, temperature_c: float) -> float:
    """Standard uncertainty of the air's temperature by a sensor that measures it."""
    return standard_uncertainty(sensor.channels[Quantity.AIR_TEMPERATURE], temperature_c)


def humidity_std_frac(sensor: SensorRules, humidity_frac: float) -> float:
    """Standard uncertainty of the humidity, wider towards dry and wet; 0 where it measures none."""
    rules = sensor.channels.get(Quantity.RELATIVE_HUMIDITY)
    return 0.0 if rules is None else standard_uncertainty(rules, humidity_frac)


def dew_point_by_sensor_std_k(sensor: SensorRules, temperature_c: float, humidity_frac: float) -> float:
    """Standard uncertainty of the dew point of the air that a sensor measures."""
    return _dew_point_std_k(
        temperature_c,
        max(humidity_frac, 0.01),
        temperature_std_k(sensor, temperature_c),
        humidity_std_frac(sensor, humidity_frac),
    )


@lru_cache(maxsize=REMEMBERED)
def _dew_point_std_k(
    temperature_c: float, humidity_frac: float, temperature_std: float, humidity_std: float
) -> float:
    """Worked out once for a reading, which is asked of at several ticks."""
    return dew_point_std_k(temperature_c, humidity_frac, temperature_std, humidity_std)
