"""Follows a body's skin, content and water film through the measured air, at any spacing of the samples."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.physics.air_course import (
    Floats,
    between_points,
    check_rising,
    sampled_air,
    under,
    without_fog,
)
from monitor.physics.air_transport import STANDARD_PRESSURE_PA
from monitor.physics.bodies import Body
from monitor.physics.calm_step import calmly
from monitor.physics.elementwise import check_range
from monitor.physics.exchange import Surroundings, surroundings
from monitor.physics.night_sky import ROOFED, Sky, SkyDoubt
from monitor.physics.path import LEAST_VAPOUR_PA, Trajectory, filled_path, told_path
from monitor.physics.saturation import frost_point_of
from monitor.physics.spread import Spread
from monitor.physics.stepping import FIRST_S, AirPoint, Moment, follow, moment
from monitor.physics.stretch import Stretch, stretches

BODY_RANGE_C = (-60.0, 90.0)
_AT_START_STD_K = 1.0


@dataclass(frozen=True, slots=True)
class BodyState:
    """What is believed of one body at one moment."""

    time_s: float
    skin_c: float
    content_c: float
    film_gm2: float  # water and frost together
    frost_gm2: float  # the frozen part of the film
    skin_var_k2: float
    skin_exchange_cov_k: float
    exchange_log: float  # learned natural logarithm of the factor on all exchange with the air
    exchange_var: float
    air_temperature_c: float | None = None  # of the last air used
    vapour_pressure_pa: float | None = None
    probe_time_s: float | None = None  # when a probe last corrected the state

    @property
    def skin_std_k(self) -> float:
        """Standard uncertainty of the skin temperature."""
        return math.sqrt(self.skin_var_k2)

    @property
    def exchange_factor(self) -> float:
        """Learned factor on the exchange with the air; the time constant is divided by it."""
        return math.exp(self.exchange_log)


def start_state(
    body: Body,
    time_s: float,
    temperature_c: float,
    *,
    temperature_std_k: float = _AT_START_STD_K,
    film_gm2: float = 0.0,
) -> BodyState:
    """A body of one temperature throughout, as when it comes in through the door.

    Arguments:
        body: the body.
        time_s: epoch seconds UTC.
        temperature_c: degC, a float, -60 to 90.
        temperature_std_k: standard uncertainty of that temperature, K, a float, 0 to 50.
        film_gm2: water (frost below 0 degC) on it, g/m2, a float, 0 to 5000.
    Returns:
        the state.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        None: a starting assumption.
    """
    check_range("temperature_c", temperature_c, *BODY_RANGE_C, "degC")
    check_range("temperature_std_k", temperature_std_k, 0.0, 50.0, "K")
    check_range("film_gm2", film_gm2, 0.0, 5000.0, "g/m2")
    return BodyState(
        time_s=time_s,
        skin_c=temperature_c,
        content_c=temperature_c,
        film_gm2=film_gm2,
        frost_gm2=film_gm2 if temperature_c < 0.0 else 0.0,
        skin_var_k2=temperature_std_k**2,
        skin_exchange_cov_k=0.0,
        exchange_log=0.0,
        exchange_var=body.exchange_std_frac**2,
    )


def advance(
    body: Body,
    state: BodyState,
    times_s: Floats,
    air_temperature_c: Floats,
    relative_humidity_frac: Floats,
    *,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    draught_ms: float = 0.0,
    sky: Sky = ROOFED,
) -> BodyState:
    """Carries a body through measured air to the time of the last sample.

    Samples up to the state's own time only say what the air was then; between samples the air is joined
    straight, from the last air the state has seen. Long gaps raise the state's uncertainty.

    Arguments:
        body: the body.
        state: where it stands.
        times_s: of the samples, epoch seconds UTC, rising, at least one.
        air_temperature_c: of the zone, degC, same length, -60 to 80.
        relative_humidity_frac: of the zone, over liquid water, same length, 0 to 1.2.
        pressure_pa: station pressure, Pa, a float, 50 000 to 110 000.
        draught_ms: air speed at the body, m/s, a float, 0 to 30.
        sky: what the place leaves open of the sky, and its clouds; none of it under a closed roof.
    Returns:
        the state at the last sample; the same state where no sample is later than it.
    Raises:
        RangeError: samples missing, not rising, not numbers, or outside their range.
    Reference:
        Lumped capacitance (Incropera et al., chapter 5) with the exchange of `exchange` and the step of
        `follow`; uncertainty by the linearised (extended) Kalman prediction.
    """
    air = _air_points(state, times_s, air_temperature_c, relative_humidity_frac)
    if len(air) == 1:
        return state
    met = stretches(under(sky, body.sky_doubt, air))
    return advance_through(body, state, met, (pressure_pa, draught_ms))


def air_to_meet(state: BodyState, later: list[AirPoint], sky: Sky, doubt: SkyDoubt) -> list[Stretch]:
    """Air as it is met by a body, and by every other that stands at the same moment in the same air.

    Arguments:
        state: where a body stands.
        later: points of air, all later than the state, in rising time, as `air_point` makes them.
        sky: what of it is seen.
        doubt: of the sky.
    Returns:
        the air in stretches, for `advance_through`.
    Raises:
        RangeError: a point that is no number or not later than the one before.
    Reference:
        `stretches`.
    """
    check_rising(later)
    return stretches(under(sky, doubt, [_air_now(state, (), later), *later]))


def advance_through(
    body: Body, state: BodyState, met: Sequence[Stretch], place: tuple[float, float]
) -> BodyState:
    """As `advance`, through air that all bodies of a zone share.

    Arguments:
        body: the body.
        state: where it stands.
        met: the air from there on, at least one stretch, from `air_to_meet`.
        place: the station pressure, Pa, and the air speed at the body, m/s.
    Returns:
        the state at the end of the air.
    Raises:
        RangeError: the skin left the range of the saturation table.
    Reference:
        `advance`.
    """
    return left_standing(body, state, met, place)[0]


def left_standing(
    body: Body, state: BodyState, met: Sequence[Stretch], place: tuple[float, float]
) -> tuple[BodyState, Surroundings, Moment]:
    """As `advance_through`, with what the body exchanges at the end, for `look_ahead` to go on from.

    Arguments:
        body: the body.
        state: where it stands.
        met: the air from there on, at least one stretch, from `air_to_meet`.
        place: the station pressure, Pa, and the air speed at the body, m/s.
    Returns:
        the state at the end of the air, the surroundings it was followed in, and the moment at the end.
    Raises:
        RangeError: the skin left the range of the saturation table.
    Reference:
        `advance`.
    """
    around, start = _standing(body, state, met[0].start, place)
    spread = Spread(body, (state.skin_var_k2, state.skin_exchange_cov_k, state.exchange_var))
    end = _through(body, around, start, met, spread)
    after = BodyState(
        end.air.time_s,
        end.skin_c,
        end.content_c,
        end.film_gm2,
        end.frost_gm2,
        spread.skin_var_k2,
        spread.covariance_k,
        state.exchange_log,
        spread.exchange_var,
        end.air.temperature_c,
        end.air.vapour_pressure_pa,
        state.probe_time_s,
    )
    return after, around, end


def look_ahead(
    body: Body,
    state: BodyState,
    met: Sequence[Stretch],
    place: tuple[float, float],
    standing: tuple[Surroundings, Moment] | None = None,
) -> tuple[float, float, float]:
    """Skin temperature, degC, its standard uncertainty, K, and film, g/m2, at the end of some air.

    Arguments:
        body: the body.
        state: where it stands.
        met: the air from there on, at least one stretch, from `air_to_meet`.
        place: the station pressure, Pa, and the air speed at the body, m/s.
        standing: what `left_standing` said of that state, where it was just told.
    Returns:
        the three numbers.
    Raises:
        RangeError: the skin left the range of the saturation table.
    Reference:
        `advance`.
    """
    around, start = standing or _standing(body, state, met[0].start, place)
    spread = Spread(body, (state.skin_var_k2, state.skin_exchange_cov_k, state.exchange_var))
    end = _through(body, around, start, met, spread)
    return end.skin_c, math.sqrt(spread.skin_var_k2), end.film_gm2


def _standing(
    body: Body, state: BodyState, air: AirPoint, place: tuple[float, float]
) -> tuple[Surroundings, Moment]:
    around = surroundings(body, air.temperature_c, *place, state.exchange_factor)
    return around, _at_start(body, state, around, air)


def _through(
    body: Body, around: Surroundings, start: Moment, met: Sequence[Stretch], spread: Spread
) -> Moment:
    """Each stretch in one step where it may be; else from sample to sample."""
    end = start
    for stretch in met:
        after = calmly(body, around, end, stretch) if stretch.length_s <= FIRST_S else None
        if after is None:
            after = follow(body, around, end, stretch.points, spread.visit)
        else:
            spread.visit(end, after)
        spread.close(stretch.length_s)
        end = after
    return end


def trajectory(
    body: Body,
    state: BodyState,
    times_s: Floats,
    air_temperature_c: Floats,
    relative_humidity_frac: Floats,
    *,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    draught_ms: float = 0.0,
    sky: Sky = ROOFED,
) -> Trajectory:
    """Carries a body through air as `advance` does, and tells what it was like on the way.

    Arguments:
        body: the body.
        state: where it stands.
        times_s: of the samples, epoch seconds UTC, rising, at least one later than the state.
        air_temperature_c: of the zone, degC, same length, -60 to 80.
        relative_humidity_frac: of the zone, over liquid water, same length, 0 to 1.2.
        pressure_pa: station pressure, Pa, a float, 50 000 to 110 000.
        draught_ms: air speed at the body, m/s, a float, 0 to 30.
        sky: what the place leaves open of the sky, and its clouds; none of it under a closed roof.
    Returns:
        skin and content temperature, film, frost, saturation point of the air and margin, at the state's own
        time and at each later sample.
    Raises:
        RangeError: samples missing, not rising, not numbers, or outside their range.
    Reference:
        As `advance`.
    """
    air = under(sky, body.sky_doubt, _air_points(state, times_s, air_temperature_c, relative_humidity_frac))
    around = surroundings(body, air[0].temperature_c, pressure_pa, draught_ms, state.exchange_factor)
    moments = [_at_start(body, state, around, air[0])]

    def keep_samples(_: Moment, after: Moment) -> None:
        if len(moments) < len(air) and after.air.time_s == air[len(moments)].time_s:
            moments.append(after)

    follow(body, around, moments[0], without_fog(air), keep_samples)
    return told_path(moments)


def path_through(
    body: Body,
    state: BodyState,
    times_s: Floats,
    air_temperature_c: Floats,
    relative_humidity_frac: Floats,
    *,
    pressure_pa: float = STANDARD_PRESSURE_PA,
    draught_ms: float = 0.0,
    sky: Sky = ROOFED,
) -> Trajectory:
    """Carries a body through air as `trajectory` does, at the stepper's own times and three points between.

    Arguments:
        body: the body.
        state: where it stands.
        times_s: of the samples, epoch seconds UTC, rising, at least one.
        air_temperature_c: of the zone, degC, same length, -60 to 80.
        relative_humidity_frac: of the zone, over liquid water, same length, 0 to 1.2.
        pressure_pa: station pressure, Pa, a float, 50 000 to 110 000.
        draught_ms: air speed at the body, m/s, a float, 0 to 30.
        sky: what the place leaves open of the sky, and its clouds; none of it under a closed roof.
    Returns:
        as `trajectory`, close enough in time to read crossings off; close together only where much happens.
    Raises:
        RangeError: samples missing, not rising, not numbers, or outside their range.
    Reference:
        As `advance`; between steps the cubic through both ends' temperatures and rates (Hermite).
    """
    air = under(sky, body.sky_doubt, _air_points(state, times_s, air_temperature_c, relative_humidity_frac))
    around = surroundings(body, air[0].temperature_c, pressure_pa, draught_ms, state.exchange_factor)
    moments = [_at_start(body, state, around, air[0])]
    follow(body, around, moments[0], without_fog(air), lambda _, after: moments.append(after))
    return filled_path(body, moments)


def surface_margin_k(skin_c: float, vapour_pressure_pa: float) -> tuple[float, bool]:
    """How far a skin is above the temperature at which water or frost begins to form on it.

    Arguments:
        skin_c: skin temperature, degC, a float.
        vapour_pressure_pa: of the air, Pa, a float, 0 to 1e5.
    Returns:
        margin, K, and whether it is counted from the frost point (True, below 0.01 degC) or the dew point.
    Raises:
        RangeError: vapour pressure outside its range.
    Reference:
        `frost_point_c`.
    """
    point_c = frost_point_of(max(vapour_pressure_pa, LEAST_VAPOUR_PA))
    return skin_c - point_c, point_c < 0.01


def _at_start(body: Body, state: BodyState, around: Surroundings, air: AirPoint) -> Moment:
    return moment(body, around, air, (state.skin_c, state.content_c), (state.film_gm2, state.frost_gm2))


def _air_points(
    state: BodyState, times_s: Floats, air_temperature_c: Floats, relative_humidity_frac: Floats
) -> list[AirPoint]:
    """The air at the state's own time, then at each later sample."""
    samples = sampled_air(times_s, air_temperature_c, relative_humidity_frac)
    later = [sample for sample in samples if sample.time_s > state.time_s]
    return [_air_now(state, samples[: len(samples) - len(later)], later), *later]


def _air_now(state: BodyState, past: Sequence[AirPoint], later: Sequence[AirPoint]) -> AirPoint:
    """The air at the state's own time: between the last known sample and the next, else the nearest one."""
    last = past[-1] if past else None
    if last is None and state.air_temperature_c is not None and state.vapour_pressure_pa is not None:
        return AirPoint(state.time_s, state.air_temperature_c, state.vapour_pressure_pa)
    if last is None or not later:
        return (last or later[0])._replace(time_s=state.time_s)
    share = (state.time_s - last.time_s) / (later[0].time_s - last.time_s)
    return between_points(last, later[0], share)._replace(time_s=state.time_s)
