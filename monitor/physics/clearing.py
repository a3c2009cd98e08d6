"""When a body will be clear: above the dew point, 3 K above it, and dry, which are three different times."""

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from monitor.physics.air_transport import STANDARD_PRESSURE_PA
from monitor.physics.bodies import Body
from monitor.physics.elementwise import FloatArray, check_range
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BodyState, path_through, start_state
from monitor.physics.night_sky import ROOFED, Sky
from monitor.physics.path import Trajectory

PLANNING_MARGIN_K = 3.0
HORIZON_S = 72 * 3600.0
# A target nearer to the air than this hangs on the sensors' errors, not on the body: it is not reachable.
APPROACH_DEW_K = 0.2
APPROACH_MARGIN_K = 1.0
_BOUND_DEVIATIONS = 1.2816  # one chance in ten beyond it
_S_PER_H = 3600.0
_SCAN_S = 3600.0
_FINE_S = 60.0

Flags = NDArray[np.bool_]


class Goal(StrEnum):
    """The three senses of clear."""

    DEW_POINT = "dew_point"
    MARGIN = "margin"
    DRY = "dry"


class Reach(StrEnum):
    """What kind of answer a time to clear is."""

    NOW = "now"
    REACHED = "reached"
    BEYOND_HORIZON = "beyond_horizon"  # it may come, but later than the air is told
    NOT_REACHABLE = "not_reachable"  # never in this air


@dataclass(frozen=True, slots=True)
class Air:
    """The air ahead, as samples joined straight; a single sample is taken to last for 72 hours.

    The standard uncertainty of the humidity serves the bounds.
    """

    times_s: FloatArray
    temperature_c: FloatArray
    relative_humidity_frac: FloatArray
    pressure_pa: float = STANDARD_PRESSURE_PA
    draught_ms: float = 0.0
    humidity_std_frac: float = 0.0
    sky: Sky = ROOFED


@dataclass(frozen=True, slots=True)
class ClearingTimes:
    """Hours until something holds; None where there is no number, and then the reach says why.

    The bounds move exchange, skin, humidity and sky by 1.28 standard deviations each, all one way: at least
    eight cases in ten lie between them. `high_hours` is None where the slow case does not get there in time.
    """

    reach: Reach
    hours: float | None
    low_hours: float | None
    high_hours: float | None
    lost_after_hours: float | None  # when it ceases to hold again, where it does


@dataclass(frozen=True, slots=True)
class Clearing:
    """When a body is clear in each of the three senses, and how wet it gets on the way."""

    dew_point: ClearingTimes
    margin: ClearingTimes
    dry: ClearingTimes
    peak_film_gm2: float
    frost: bool  # whether the first two count from the frost point of the air now, not from its dew point


def clearing(body: Body, state: BodyState, air: Air, *, margin_k: float = PLANNING_MARGIN_K) -> Clearing:
    """Hours until a body is above the dew point, the planning margin above it, and dry.

    Arguments:
        body: the body.
        state: where it stands.
        air: the air ahead; it must reach beyond the state's time.
        margin_k: planning margin, K, a float, 0.1 to 20.
    Returns:
        the three answers, each with its bounds and its kind.
    Raises:
        RangeError: margin or air outside its range.
    Reference:
        `path_through`; the 3 K of ISO 8502-4 (a painting rule, our planning margin).
    """
    check_range("margin_k", margin_k, 0.1, 20.0, "K")
    air = _lasting(air, state.time_s)
    cases = (0.0, _BOUND_DEVIATIONS, -_BOUND_DEVIATIONS)
    paths = [_path(body, state, air, deviations) for deviations in cases]
    answers = [_answer(paths, goal, margin_k) for goal in Goal]
    peak = float(paths[0].film_gm2.max())
    return Clearing(answers[0], answers[1], answers[2], peak, bool(paths[0].saturation_c[0] < 0.01))


def latest_arrival_s(
    body: Body,
    start_temperature_c: float,
    air: Air,
    clear_by_s: float,
    *,
    goal: Goal = Goal.MARGIN,
    margin_k: float = PLANNING_MARGIN_K,
    deviations: float = 0.0,
) -> float | None:
    """Latest time at which a body may come into this air and still be clear by a given time.

    Arguments:
        body: the body.
        start_temperature_c: of the body when it comes in, degC, a float, -60 to 90.
        air: the air it would come into, from now on.
        clear_by_s: when it has to be clear, epoch seconds UTC, within the air's samples.
        goal: in which sense it has to be clear.
        margin_k: planning margin, K, a float, 0.1 to 20.
        deviations: standard deviations slower and damper than expected to plan for, a float, -3 to 3.
    Returns:
        epoch seconds UTC, to the minute; None where even coming in at the first sample is too late.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Search backwards by the hour, then by halving; `path_through`.
    """
    first_s, last_s = float(air.times_s[0]), float(air.times_s[-1])
    check_range("clear_by_s", clear_by_s, first_s, last_s, "s, within the air's samples")
    check_range("deviations", deviations, -3.0, 3.0, "")

    def clear_if_in_at(arrival_s: float) -> bool:
        if arrival_s >= clear_by_s:
            arrival_s = clear_by_s - 1.0
        state = start_state(body, arrival_s, start_temperature_c, temperature_std_k=0.0)
        path = _path(body, state, _until(air, clear_by_s), -deviations)
        return bool(_holds(path, goal, margin_k)[-1])

    late_s = clear_by_s
    if clear_if_in_at(late_s):
        return late_s
    early_s = late_s
    while early_s > first_s:
        early_s = max(early_s - _SCAN_S, first_s)
        if clear_if_in_at(early_s):
            break
        late_s = early_s
    else:
        return None
    while late_s - early_s > _FINE_S:
        middle_s = 0.5 * (early_s + late_s)
        if clear_if_in_at(middle_s):
            early_s = middle_s
        else:
            late_s = middle_s
    return early_s


def _lasting(air: Air, from_s: float) -> Air:
    """The same air; where it is a single sample, for 72 hours from a time."""
    if len(air.times_s) > 1:
        return air
    first_s = max(float(air.times_s[0]), from_s)
    return replace(
        air,
        times_s=np.array([first_s, first_s + HORIZON_S]),
        temperature_c=np.repeat(air.temperature_c, 2),
        relative_humidity_frac=np.repeat(air.relative_humidity_frac, 2),
    )


def _path(body: Body, state: BodyState, air: Air, deviations: float) -> Trajectory:
    """The body's path where exchange, skin and humidity are all more (or less) favourable than expected."""
    if deviations:
        shift_k = deviations * state.skin_std_k
        state = replace(
            state,
            skin_c=state.skin_c + shift_k,
            content_c=state.content_c + shift_k,
            exchange_log=state.exchange_log + deviations * state.exchange_var**0.5,
        )
    humidity = np.clip(air.relative_humidity_frac - deviations * air.humidity_std_frac, 0.0, 1.2)
    return path_through(
        body,
        state,
        air.times_s,
        air.temperature_c,
        humidity,
        pressure_pa=air.pressure_pa,
        draught_ms=air.draught_ms,
        sky=replace(air.sky, deviations=deviations),
    )


def _until(air: Air, end_s: float) -> Air:
    """The same air, cut at a time."""
    inside = air.times_s < end_s
    return replace(
        air,
        times_s=np.append(air.times_s[inside], end_s),
        temperature_c=np.append(air.temperature_c[inside], np.interp(end_s, air.times_s, air.temperature_c)),
        relative_humidity_frac=np.append(
            air.relative_humidity_frac[inside], np.interp(end_s, air.times_s, air.relative_humidity_frac)
        ),
    )


def _excess(path: Trajectory, goal: Goal, margin_k: float) -> FloatArray:
    """How far beyond the goal the body is; it holds where this is not negative."""
    if goal is Goal.DRY:
        return np.minimum(DRY_BELOW_GM2 - path.film_gm2, path.margin_k)
    return path.margin_k - (margin_k if goal is Goal.MARGIN else 0.0)


def _possible(path: Trajectory, goal: Goal, margin_k: float) -> Flags:
    """Where the air itself is far enough above the goal for a body in it to get there."""
    headroom = path.air_temperature_c - path.saturation_c
    if goal is Goal.MARGIN:
        return headroom - margin_k >= APPROACH_MARGIN_K
    return headroom >= APPROACH_DEW_K


def _holds(path: Trajectory, goal: Goal, margin_k: float) -> Flags:
    """Where the goal holds: from the start for as long as it does, later only where the air allows it."""
    beyond = _excess(path, goal, margin_k) >= 0.0
    kept: Flags = np.logical_and.accumulate(beyond)
    return kept | (beyond & _possible(path, goal, margin_k))


def _reached_hours(path: Trajectory, goal: Goal, margin_k: float) -> tuple[float | None, float | None]:
    """Hours until the goal first holds, and until it ceases to hold after that."""
    holds = _holds(path, goal, margin_k)
    if not holds.any():
        return None, None
    excess = _excess(path, goal, margin_k)
    first = int(np.argmax(holds))
    after = holds[first:]
    lost = first + int(np.argmin(after)) if not after.all() else None
    return _crossing_hours(path, excess, first), None if lost is None else _crossing_hours(path, excess, lost)


def _crossing_hours(path: Trajectory, excess: FloatArray, index: int) -> float:
    if index == 0:
        return 0.0
    before, after = float(excess[index - 1]), float(excess[index])
    share = before / (before - after) if before * after < 0.0 else 1.0
    step_s = float(path.time_s[index] - path.time_s[index - 1])
    return (float(path.time_s[index - 1] - path.time_s[0]) + share * step_s) / _S_PER_H


def _answer(paths: list[Trajectory], goal: Goal, margin_k: float) -> ClearingTimes:
    hours, lost = _reached_hours(paths[0], goal, margin_k)
    others = [_reached_hours(path, goal, margin_k)[0] for path in paths[1:]]
    found = [value for value in (hours, *others) if value is not None]
    low = min(found, default=None)
    high = max(found) if len(found) == len(paths) else None
    if hours is None:
        possible = bool(_possible(paths[0], goal, margin_k).any())
        return ClearingTimes(Reach.BEYOND_HORIZON if possible else Reach.NOT_REACHABLE, None, low, high, None)
    return ClearingTimes(Reach.NOW if hours == 0.0 else Reach.REACHED, hours, low, high, lost)
