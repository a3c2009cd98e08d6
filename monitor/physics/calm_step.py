"""Takes a body through a stretch of air in one step, where nothing happens but that it warms and cools."""

from monitor.physics.bodies import Body
from monitor.physics.exchange import Exchange, Surroundings, exchange
from monitor.physics.film import FREEZING_C, latent_heat_jg, surface_saturation_pa
from monitor.physics.step_response import phis, respond
from monitor.physics.stepping import SKIN_RANGE_C, TOLERANCE_K, TRACE_GM2, Moment
from monitor.physics.stretch import STILL, Stretch


def calmly(body: Body, around: Surroundings, now: Moment, stretch: Stretch) -> Moment | None:
    """The body at the end of a stretch of air; None where it has to be followed from sample to sample.

    That is where it could become wet, dry, frosted or thawed within the stretch, where samples off the line
    could move it by more than a step may be wrong, and where the step itself was: so nothing is passed over.
    Of a dry body for which that cannot be the heat at the end is not worked out anew.

    Arguments:
        body: the body.
        around: from `surroundings`.
        now: where it stands, in the air in which the stretch begins.
        stretch: the air, no longer than a first step of `follow`.
    Returns:
        the body at its end, or None.
    Raises:
        RangeError: skin temperature outside the saturation table.
    Reference:
        The step of `follow`, its push the line nearest to the air (`stretches`).
    """
    _, skin_c, content_c, film_gm2, _, before = now
    heat_w, slope_wk, *_ = before
    first_w, rise_w, stray_w, raised_w = _driven(body, before, stretch)
    per_w = stretch.length_s / body.shell_jk
    if stray_w * per_w > TOLERANCE_K:
        return None
    push = (heat_w + first_w, slope_wk, rise_w)
    rise_k, content_rise_k = respond(body, (skin_c, content_c), push, stretch.length_s)
    left_w = heat_w + raised_w - slope_wk * rise_k
    # a skin goes one way or turns once: no farther than its first pace would take it
    pace_k = (heat_w + body.coupling_wk * (content_c - skin_c)) * per_w
    content_c += content_rise_k
    # what bends the heat is that skin and air move against each other: by less than all that this changes it
    most_bent_k = slope_wk * per_w * (abs(rise_k) + abs(pace_k) + abs(stretch.air_k[3]))
    straight = film_gm2 == 0.0 and most_bent_k <= TOLERANCE_K
    if straight and _stays_dry(skin_c + min(rise_k, pace_k, 0.0), stretch):
        left = Exchange(left_w, *before[1:])
        return Moment(stretch.points[-1], skin_c + rise_k, content_c, 0.0, 0.0, left)
    return _looked_at(body, around, now, stretch, (rise_k, pace_k, content_c, left_w))


def _driven(body: Body, before: Exchange, stretch: Stretch) -> tuple[float, float, float, float]:
    """What the air adds to the heat, W: its line's first value and rise, what strays of it, at the end."""
    slope_wk, slope_wpa = before.air_slope_wk, before.vapour_slope_wpa
    first, rise, stray, end = stretch.air_k
    first_w, rise_w, stray_w, end_w = slope_wk * first, slope_wk * rise, slope_wk * stray, slope_wk * end
    if slope_wpa:
        first, rise, stray, end = stretch.vapour_pa
        first_w, rise_w = first_w + slope_wpa * first, rise_w + slope_wpa * rise
        stray_w, end_w = stray_w + slope_wpa * stray, end_w + slope_wpa * end
    if stretch.sky_wm2 is not STILL:
        area_m2 = body.sky_area_m2
        first, rise, stray, end = stretch.sky_wm2
        first_w, rise_w = first_w - area_m2 * first, rise_w - area_m2 * rise
        stray_w, end_w = stray_w + area_m2 * stray, end_w - area_m2 * end
    return first_w, rise_w, stray_w, end_w


def _looked_at(
    body: Body,
    around: Surroundings,
    now: Moment,
    stretch: Stretch,
    reached: tuple[float, float, float, float],
) -> Moment | None:
    """The step checked and corrected by the heat at its end; None where that is too far from what it took."""
    rise_k, pace_k, content_c, left_w = reached
    skin_c = now.skin_c + rise_k
    if not SKIN_RANGE_C[0] < skin_c < SKIN_RANGE_C[1]:
        return None
    end = stretch.points[-1]
    wet = now.film_gm2 > 0.0 or now.exchange.vapour_gm2s > 0.0
    ends = exchange(body, skin_c, end[1:3], around, wet, end.sky_loss_wm2)
    per_w = stretch.length_s / body.shell_jk
    stiffness = (ends.slope_wk + body.coupling_wk) * per_w
    shift_k = 2.0 * phis(-stiffness)[2] * (ends.heat_w - left_w) * per_w
    if not -TOLERANCE_K <= shift_k <= TOLERANCE_K:
        return None
    skin_c += shift_k
    pace_c = now.skin_c + pace_k
    coldest_c, warmest_c = min(now.skin_c, skin_c, pace_c), max(now.skin_c, skin_c, pace_c)
    film_gm2: float | None = None
    if wet:
        film_gm2 = _wet_film(body, now, stretch, (coldest_c, warmest_c), ends)
    elif _stays_dry(coldest_c, stretch):
        film_gm2 = 0.0
    if film_gm2 is None:
        return None
    frost_gm2 = film_gm2 if skin_c < FREEZING_C else 0.0
    corrected = Exchange(ends.heat_w - ends.slope_wk * shift_k, *ends[1:])
    return Moment(end, skin_c, content_c, film_gm2, frost_gm2, corrected)


def _stays_dry(coldest_c: float, stretch: Stretch) -> bool:
    """Whether nothing settles, at any sample, on a dry skin that becomes no colder."""
    return stretch.most_pa < surface_saturation_pa(coldest_c - TOLERANCE_K)[0]


def _wet_film(
    body: Body, now: Moment, stretch: Stretch, skins_c: tuple[float, float], ends: Exchange
) -> float | None:
    """The film at the end, where it surely was one of water or one of frost all the way; else None."""
    coldest_c, warmest_c = skins_c[0] - TOLERANCE_K, skins_c[1] + TOLERANCE_K
    thawed = coldest_c > FREEZING_C and now.frost_gm2 == 0.0
    if not thawed and not (warmest_c < FREEZING_C and now.frost_gm2 == now.film_gm2):
        return None
    gm2s_pa = ends.vapour_slope_wpa / (body.area_m2 * latent_heat_jg(warmest_c))
    least_gm2s = gm2s_pa * (stretch.least_pa - surface_saturation_pa(warmest_c)[0])
    if least_gm2s < 0.0 and now.film_gm2 + least_gm2s * stretch.length_s < TRACE_GM2:
        return None
    first, rise, _, end = stretch.vapour_pa
    flux_gm2s = 0.5 * (now.exchange.vapour_gm2s + ends.vapour_gm2s)
    flux_gm2s += gm2s_pa * (first + 0.5 * rise - 0.5 * end)  # the mean of the air is not that of its ends
    film_gm2 = now.film_gm2 + flux_gm2s * stretch.length_s
    return min(film_gm2, body.run_off_gm2) if thawed else film_gm2
