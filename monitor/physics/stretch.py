"""The air over a short while, as a body meets it that changes slowly: points, and the straight line nearest.

What air that goes from point to point does to a body is, over a time that is short against the body's own,
what a straight line of the same mean and first moment does. The line is worked out once for all that stand in
the air; how far the points stray from it bounds what is left.
"""

from collections.abc import Sequence
from typing import NamedTuple

from monitor.physics.air_course import without_fog
from monitor.physics.stepping import FIRST_S, AirPoint

# The straight line nearest to a course, told from where that begins: the line's first value, its rise, the
# most by which the course lies off it, and where the course ends.
Line = tuple[float, float, float, float]
STILL: Line = (0.0, 0.0, 0.0, 0.0)


class Stretch(NamedTuple):
    """The air from one moment to another: its points, the first and the rest, and their lines."""

    start: AirPoint
    points: list[AirPoint]
    length_s: float
    air_k: Line
    vapour_pa: Line
    sky_wm2: Line
    least_pa: float
    most_pa: float


def stretches(air: Sequence[AirPoint]) -> list[Stretch]:
    """The air in stretches, each short enough to be met in one step where it holds more than one sample.

    Arguments:
        air: points in rising time, at least two.
    Returns:
        stretches, end to end. One between two far samples holds points on the edge of fog, where the line
        between the two would be fog.
    Raises:
        Nothing.
    Reference:
        h phi1(J h) and h phi2(J h) (Hochbruck and Ostermann 2010, doi 10.1017/S0962492910000048) hang, up to
        the second order in J h, on the mean and the first moment of what drives the body.
    """
    found = []
    first, end = 0, len(air) - 1
    while first < end:
        last, latest_s = first + 1, air[first].time_s + FIRST_S
        while last < end and air[last + 1].time_s <= latest_s:
            last += 1
        start = air[first]
        points = without_fog([*air[first : last + 1]])
        found.append(_stretch(start, points))
        first = last
    return found


def _stretch(start: AirPoint, points: list[AirPoint]) -> Stretch:
    times_s = [0.0, *[point.time_s - start.time_s for point in points]]
    vapour_pa = [point.vapour_pressure_pa for point in points]
    sky = start.sky_loss_wm2 or points[-1].sky_loss_wm2
    return Stretch(
        start,
        points,
        times_s[-1],
        _line(times_s, start.temperature_c, [point.temperature_c for point in points]),
        _line(times_s, start.vapour_pressure_pa, vapour_pa),
        _line(times_s, start.sky_loss_wm2, [point.sky_loss_wm2 for point in points]) if sky else STILL,
        min(start.vapour_pressure_pa, *vapour_pa),
        max(start.vapour_pressure_pa, *vapour_pa),
    )


def _line(times_s: list[float], begins: float, values: list[float]) -> Line:
    """The line of least squares through a course that is joined straight: the same mean and first moment."""
    if len(values) == 1:
        return 0.0, values[0] - begins, 0.0, values[0] - begins
    whole_s = times_s[-1]
    mean = moment = at_s = low = 0.0
    for later_s, value in zip(times_s[1:], values, strict=True):
        high, step_s = value - begins, later_s - at_s
        both = 0.5 * (low + high)
        mean += both * step_s
        moment += step_s * (at_s * both + step_s * (low + high + high) / 6.0)
        at_s, low = later_s, high
    mean, moment = mean / whole_s, moment / (whole_s * whole_s)
    first, rise = 4.0 * mean - 6.0 * moment, 12.0 * moment - 6.0 * mean
    pace = rise / whole_s
    above = first + begins
    strays = [abs(value - above - pace * at_s) for at_s, value in zip(times_s[1:], values, strict=True)]
    return first, rise, max(abs(first), *strays), low
