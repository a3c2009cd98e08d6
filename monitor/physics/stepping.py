"""Steps a body through air that is given at uneven times and joined straight between them.

The step is exponential: exact for the linearised body, so no length of it can run away. One evaluation of
the heat at its end tells how far the linear body was wrong; that corrects the step and sets the next length.
Where the film ends within a step the step ends there; where the skin passes 0 degC the film melts or freezes.
"""

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from monitor.model.errors import RangeError
from monitor.physics.bodies import Body
from monitor.physics.exchange import Exchange, Surroundings, exchange
from monitor.physics.film import HEAT_OF_FUSION_JG, change_phase
from monitor.physics.step_response import phis, respond

SKIN_RANGE_C = (-75.0, 105.0)
TOLERANCE_K = 0.005  # of one step's correction; the trajectory then stays within about 0.05 K
_SHORTEST_S = 1.0
_LONGEST_S = 1800.0  # in changing air, where dew may come and go within a step
_LONGEST_STEADY_S = 21_600.0
FIRST_S = 120.0
_SHORTEST_CUT_S = 0.1
_AT_FREEZING_K = 0.002  # a skin this near to 0 degC passes it within a step
_WHOLE = 0.98  # a step cut by less than this is taken whole
TRACE_GM2 = 0.01  # film left over where a step was cut at the film's end


class AirPoint(NamedTuple):
    """The air at one time."""

    time_s: float
    temperature_c: float
    vapour_pressure_pa: float
    sky_loss_wm2: float = 0.0  # of a black face that sees all of the place's sky
    sky_std_wm2: float = 0.0


class Moment(NamedTuple):
    """A body at one time, and what it then exchanges with the air."""

    air: AirPoint
    skin_c: float
    content_c: float
    film_gm2: float
    frost_gm2: float
    exchange: Exchange


Visitor = Callable[[Moment, Moment], None]


def moment(
    body: Body,
    around: Surroundings,
    air: AirPoint,
    temperatures_c: tuple[float, float],
    film: tuple[float, float],
) -> Moment:
    """A starting point: skin and content temperature, film and its frozen part, in the given air."""
    skin_c, content_c = temperatures_c
    film_gm2, frost_gm2 = film
    now = exchange(body, skin_c, air[1:3], around, film_gm2 > 0.0, air.sky_loss_wm2)
    return Moment(air, skin_c, content_c, film_gm2, frost_gm2, now)


def follow(
    body: Body, around: Surroundings, start: Moment, air: Iterable[AirPoint], visit: Visitor | None = None
) -> Moment:
    """Follows the body to the last point of the air; `visit` sees both ends of every step.

    Arguments:
        body: the body.
        around: from `surroundings`.
        start: from `moment`.
        air: points of the air in rising time, all after the start.
        visit: called with the moments before and after each step, or None.
    Returns:
        the body at the last point.
    Raises:
        RangeError: the skin left -75 to 105 degC.
    Reference:
        Exponential Rosenbrock-Euler step: Hochbruck and Ostermann, Acta Numerica 19 (2010) 209,
        doi 10.1017/S0962492910000048; the correction is its third-order companion by the end's defect.
    """
    now, length_s = start, FIRST_S
    for target in air:
        while (left_s := target.time_s - now.air.time_s) > 0.0:
            trial_s = left_s if left_s <= length_s else min(length_s, 0.5 * left_s)
            after, correction_k = _step(body, around, now, target, trial_s)
            wish = 0.9 * (TOLERANCE_K / max(correction_k, 1e-6)) ** (1 / 3)
            if wish < 0.9 and trial_s > _SHORTEST_S:
                length_s = max(trial_s * max(wish, 0.2), _SHORTEST_S)
                continue
            grown_s = trial_s * min(wish, 4.0)
            longest_s = _LONGEST_STEADY_S if target[1:] == now.air[1:] else _LONGEST_S
            length_s = min(max(length_s, grown_s) if wish > 1.0 else grown_s, longest_s)
            if not SKIN_RANGE_C[0] < after.skin_c < SKIN_RANGE_C[1]:
                raise RangeError("skin_c", after.skin_c, f"{SKIN_RANGE_C[0]:g} to {SKIN_RANGE_C[1]:g} degC")
            if visit is not None:
                visit(now, after)
            now = after
    return now


def _step(
    body: Body, around: Surroundings, now: Moment, target: AirPoint, length_s: float
) -> tuple[Moment, float]:
    """The body after one step towards the target, and by how much its skin had to be corrected, K."""
    if _held_at_freezing(body, now):
        after, correction_k = _melt_or_freeze(body, around, now, target, length_s), 0.0
    else:
        after, correction_k, share = _try(body, around, now, target, length_s)
        if share < _WHOLE:
            cut_s = max(length_s * share, _SHORTEST_CUT_S)
            after, correction_k, _ = _try(body, around, now, target, cut_s)
            if after.film_gm2 > 0.0 and abs(after.skin_c) <= _AT_FREEZING_K:
                after = after._replace(skin_c=0.0)
    if now.film_gm2 > 0.0 and after.film_gm2 < TRACE_GM2 and after.exchange.vapour_gm2s < 0.0:
        dry = exchange(body, after.skin_c, after.air[1:3], around, False, after.air.sky_loss_wm2)
        after = after._replace(film_gm2=0.0, frost_gm2=0.0, exchange=dry)
    return after, correction_k


def _try(
    body: Body, around: Surroundings, now: Moment, target: AirPoint, length_s: float
) -> tuple[Moment, float, float]:
    """One step of a given length; the last value is its share after which the film ends or 0 degC is met."""
    _, skin_before_c, content_c, film_before_gm2, _, before = now
    heat_w, slope_wk, *_ = before
    air, raise_w = _air_after(body, now, target, length_s)
    rise_k, content_rise_k = respond(body, (skin_before_c, content_c), (heat_w, slope_wk, raise_w), length_s)
    # a trial may shoot far over before it is refused
    skin_c = min(max(skin_before_c + rise_k, SKIN_RANGE_C[0]), SKIN_RANGE_C[1])
    rise_k, content_c = skin_c - skin_before_c, content_c + content_rise_k
    wet = film_before_gm2 > 0.0 or before.vapour_gm2s > 0.0
    ends = exchange(body, skin_c, air[1:3], around, wet, air.sky_loss_wm2)
    film_gm2, frost_gm2, share = _film(body, now, ends.vapour_gm2s, length_s)
    defect_w = ends.heat_w - (heat_w + raise_w - slope_wk * rise_k)
    stiffness = (ends.slope_wk + body.coupling_wk) * length_s / body.shell_jk
    shift_k = 2.0 * phis(-stiffness)[2] * defect_w * length_s / body.shell_jk
    shifted_c = skin_c + shift_k
    if film_gm2 > 0.0 and (frost_gm2 > 0.0 if shifted_c > 0.0 else frost_gm2 < film_gm2):
        if skin_before_c * shifted_c < 0.0 and abs(skin_before_c) > _AT_FREEZING_K:
            share = min(share, skin_before_c / (skin_before_c - shifted_c))
        capacity_jm2k = body.shell_jk / body.area_m2
        moved_c, frost_gm2 = change_phase(shifted_c, film_gm2, frost_gm2, capacity_jm2k)
        ends = exchange(body, moved_c, air[1:3], around, True, air.sky_loss_wm2)
        return Moment(air, moved_c, content_c, film_gm2, frost_gm2, ends), abs(shift_k), share
    corrected = Exchange(ends.heat_w - ends.slope_wk * shift_k, *ends[1:])
    after = Moment(air, shifted_c, content_c, film_gm2, frost_gm2, corrected)
    return after, abs(shift_k), share


def _air_after(body: Body, now: Moment, target: AirPoint, length_s: float) -> tuple[AirPoint, float]:
    """The air at the end of a step, and by how much its change alone raises the heat, W."""
    time_s, air_c, vapour_pa, sky_loss_wm2, sky_std_wm2 = now.air
    to_s, to_c, to_pa, to_loss_wm2, to_std_wm2 = target
    left_s = to_s - time_s
    share = length_s / left_s
    warmer_k = share * (to_c - air_c)
    clearer_wm2 = share * (to_loss_wm2 - sky_loss_wm2)
    damper_pa = share * (to_pa - vapour_pa)
    air = AirPoint(
        to_s if length_s == left_s else time_s + length_s,
        air_c + warmer_k,
        vapour_pa + damper_pa,
        sky_loss_wm2 + clearer_wm2,
        sky_std_wm2 + share * (to_std_wm2 - sky_std_wm2),
    )
    raise_w = now.exchange.air_slope_wk * warmer_k + now.exchange.vapour_slope_wpa * damper_pa
    return air, raise_w - body.sky_area_m2 * clearer_wm2


def _film(body: Body, now: Moment, vapour_at_end_gm2s: float, length_s: float) -> tuple[float, float, float]:
    """Film and frost after a step, and the share of the step after which the film is gone (1: it is not)."""
    film_gm2 = now.film_gm2 + 0.5 * length_s * (now.exchange.vapour_gm2s + vapour_at_end_gm2s)
    share = 1.0
    if film_gm2 < 0.0:
        if now.film_gm2 > TRACE_GM2:
            share = now.film_gm2 / (now.film_gm2 - film_gm2)
        film_gm2 = 0.0
    if now.skin_c >= 0.0:
        frost_gm2 = min(now.frost_gm2, film_gm2)
    else:  # what arrives or leaves is frost; water left on a skin that a probe has moved freezes by its heat
        frost_gm2 = max(film_gm2 - (now.film_gm2 - now.frost_gm2), 0.0)
    return min(film_gm2, frost_gm2 + body.run_off_gm2), frost_gm2, share


def _net_w(body: Body, now: Moment) -> float:
    return now.exchange.heat_w + body.coupling_wk * (now.content_c - now.skin_c)


def _held_at_freezing(body: Body, now: Moment) -> bool:
    """Whether the film keeps the skin at 0 degC because it is melting or freezing."""
    if now.skin_c != 0.0 or now.film_gm2 == 0.0:
        return False
    net_w = _net_w(body, now)
    return (net_w > 0.0 and now.frost_gm2 > 0.0) or (net_w < 0.0 and now.frost_gm2 < now.film_gm2)


def _melt_or_freeze(
    body: Body, around: Surroundings, now: Moment, target: AirPoint, length_s: float
) -> Moment:
    """A step at 0 degC: all net heat melts frost (or freezes water) until there is none left."""
    net_w = _net_w(body, now)
    fusion_j = HEAT_OF_FUSION_JG * body.area_m2  # for each g/m2
    changing_gm2 = now.frost_gm2 if net_w > 0.0 else now.film_gm2 - now.frost_gm2
    if body.content_c and abs(net_w - now.exchange.heat_w) > 0.05 * abs(net_w):
        length_s = min(length_s, 0.25 * body.content_jk(now.content_c, now.content_c) / body.coupling_wk)
    whole_s = _time_to_take_s(
        changing_gm2 * fusion_j, net_w, _air_after(body, now, target, length_s)[1] / length_s
    )
    length_s = min(length_s, max(whole_s, _SHORTEST_CUT_S))
    air, raise_w = _air_after(body, now, target, length_s)
    ends = exchange(body, 0.0, air[1:3], around, True, air.sky_loss_wm2)
    film_gm2, frost_gm2, _ = _film(body, now, ends.vapour_gm2s, length_s)
    frost_gm2 -= (net_w + 0.5 * raise_w) * length_s / fusion_j
    if length_s >= whole_s:
        frost_gm2 = 0.0 if net_w > 0.0 else film_gm2
    frost_gm2 = min(max(frost_gm2, 0.0), film_gm2)
    content_c = now.content_c
    if body.content_c:
        fade = body.coupling_wk * length_s / body.content_jk(content_c, content_c)
        content_c += content_c * math.expm1(-fade)
    return Moment(air, 0.0, content_c, film_gm2, frost_gm2, ends)


def _time_to_take_s(heat_j: float, rate_w: float, change_ws: float) -> float:
    """Time in which a steadily changing heat flow brings (or takes) some heat; infinite if it never does."""
    speed, gain = abs(rate_w), math.copysign(change_ws, change_ws * rate_w)
    inside = speed * speed + 2.0 * gain * heat_j
    return 2.0 * heat_j / (speed + math.sqrt(inside)) if inside >= 0.0 else math.inf
