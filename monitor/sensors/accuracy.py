"""Turns a maker's accuracy and a sensor's resolution into a standard uncertainty."""

from math import sqrt

from monitor.sensors.quality_rules import ChannelRules


def standard_uncertainty(rules: ChannelRules, value: float, resolution: float = 0.0) -> float:
    """Standard uncertainty of one reading, in the reading's own unit.

    A maker's ± figure says no more than that the truth lies within it, so it is taken as a uniform
    distribution of that half width; a last digit likewise, with half a step to each side
    (JCGM 100:2008, 4.3.7 and F.2.2.1).
    """
    inner = rules.inner_from <= value <= rules.inner_to
    half_width = rules.accuracy if inner else rules.accuracy_outer
    return sqrt(half_width**2 / 3.0 + resolution**2 / 12.0)
