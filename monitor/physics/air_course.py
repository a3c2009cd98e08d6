"""The air that a body meets: points at the samples, what the sky takes, no fog on the line between them."""

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise

import numpy as np

from monitor.model.errors import RangeError
from monitor.physics.elementwise import FloatArray, check_range
from monitor.physics.night_sky import Sky, SkyDoubt, seen
from monitor.physics.saturation import REMEMBERED, vapour_of, vapour_pressure_pa
from monitor.physics.stepping import AirPoint

AIR_RANGE_C = (-60.0, 80.0)
FEW = 12  # samples up to which plain floats are faster than arrays
_LONG_GAP_S = 600.0  # samples farther apart, in time and in temperature,
_WIDE_STEP_K = 3.0  # may have a straight line between them that is above saturation
_FOG_PARTS = 8

Floats = Sequence[float] | FloatArray


@lru_cache(maxsize=REMEMBERED)
def air_point(time_s: float, temperature_c: float, relative_humidity_frac: float) -> AirPoint:
    """One sample of air as bodies meet it; all that stand in it meet the same."""
    check_range("air_temperature_c", temperature_c, *AIR_RANGE_C, "degC")
    return AirPoint(time_s, temperature_c, vapour_of(temperature_c, relative_humidity_frac))


def sampled_air(times_s: Floats, air_temperature_c: Floats, relative_humidity_frac: Floats) -> list[AirPoint]:
    """The points of air at some samples.

    Arguments:
        times_s: of the samples, rising, epoch seconds UTC, shape (n,), at least one.
        air_temperature_c: at each, degC, shape (n,), -60 to 80.
        relative_humidity_frac: at each, over liquid water, shape (n,), 0 to 1.
    Returns:
        as many points, with the vapour pressure of each.
    Raises:
        RangeError: shapes that differ, times that do not rise, a number outside its range.
    Reference:
        `vapour_pressure_pa`.
    """
    count = len(times_s)
    if not count or count != len(air_temperature_c) or count != len(relative_humidity_frac):
        lengths = f"{count}, {len(air_temperature_c)}, {len(relative_humidity_frac)} samples"
        raise RangeError("times_s, air_temperature_c, relative_humidity_frac", lengths, "equal, at least one")
    if count <= FEW:
        for celsius in air_temperature_c:
            check_range("air_temperature_c", celsius, *AIR_RANGE_C, "degC")
        pairs = zip(air_temperature_c, relative_humidity_frac, strict=True)
        vapour = [vapour_of(float(celsius), float(humidity)) for celsius, humidity in pairs]
    else:
        celsius_array = np.asarray(air_temperature_c, dtype=np.float64)
        check_range("air_temperature_c", celsius_array, *AIR_RANGE_C, "degC")
        vapour = vapour_pressure_pa(celsius_array, np.asarray(relative_humidity_frac)).tolist()
    samples = [
        AirPoint(float(time), float(celsius), pressure)
        for time, celsius, pressure in zip(times_s, air_temperature_c, vapour, strict=True)
    ]
    check_rising(samples)
    return samples


def under(sky: Sky, doubt: SkyDoubt, air: list[AirPoint]) -> list[AirPoint]:
    """The air with what the sky above it takes.

    Arguments:
        sky: what of it is seen, and the clouds.
        doubt: of the sky's formula and of the clouds.
        air: points in rising time.
    Returns:
        the same points with the sky's loss and its standard uncertainty; under a roof as they are.
    Raises:
        RangeError: air outside the range of the sky's formula.
    Reference:
        `night_sky.seen`.
    """
    if not sky.view_frac:
        return air
    times_s, temperature_c, vapour_pa = np.array([point[:3] for point in air]).T
    loss_wm2, std_wm2 = seen(sky, doubt, (times_s, temperature_c, vapour_pa))
    return [
        point._replace(sky_loss_wm2=loss, sky_std_wm2=std)
        for point, loss, std in zip(air, loss_wm2.tolist(), std_wm2.tolist(), strict=True)
    ]


def without_fog(air: list[AirPoint]) -> list[AirPoint]:
    """The air after its first point; where the line between far samples would be fog, points on its edge.

    Arguments:
        air: points in rising time, at least one.
    Returns:
        the points but the first, and between two that are far apart more, none above saturation.
    Raises:
        nothing.
    Reference:
        None: air between two samples is taken to go straight from one to the other, but never to be fog.
    """
    if air[-1].time_s - air[0].time_s <= _LONG_GAP_S:
        return air[1:]
    held: list[AirPoint] = []
    for earlier, later in pairwise(air):
        gap_s = later.time_s - earlier.time_s
        if gap_s > _LONG_GAP_S and abs(later.temperature_c - earlier.temperature_c) > _WIDE_STEP_K:
            between = [between_points(earlier, later, n / _FOG_PARTS) for n in range(1, _FOG_PARTS)]
            ceilings = [vapour_of(point.temperature_c, 1.0) for point in between]
            if any(point.vapour_pressure_pa > top for point, top in zip(between, ceilings, strict=True)):
                held += [
                    point._replace(vapour_pressure_pa=min(point.vapour_pressure_pa, top))
                    for point, top in zip(between, ceilings, strict=True)
                ]
        held.append(later)
    return held


def between_points(earlier: AirPoint, later: AirPoint, share_frac: float) -> AirPoint:
    """The air at a share of the way from one point to another, joined straight.

    Arguments:
        earlier: where the way begins.
        later: where it ends.
        share_frac: of the way, 0 to 1.
    Returns:
        the point there.
    Raises:
        nothing.
    Reference:
        None: a straight line.
    """
    return AirPoint(
        *(first + share_frac * (last - first) for first, last in zip(earlier, later, strict=True))
    )


def check_rising(samples: Sequence[AirPoint]) -> None:
    """RangeError where a point is no number, or its time not after the one before."""
    before_s = -math.inf
    for sample in samples:
        time_s, celsius, vapour_pa, *_ = sample
        if not (math.isfinite(time_s) and math.isfinite(celsius) and math.isfinite(vapour_pa)):
            raise RangeError("air sample", tuple(sample), "time, temperature and humidity as numbers")
    for sample in samples:
        if sample.time_s <= before_s:
            raise RangeError("times_s", sample.time_s, f"rising, so above {before_s}")
        before_s = sample.time_s
