"""How skin and content of a body answer a heat: the exact solution of the linearised heat balances."""

import math

from monitor.physics.bodies import Body


def respond(
    body: Body, temperatures_c: tuple[float, float], heat_w: float, slope_wk: float, length_s: float
) -> tuple[float, float]:
    """Rise of skin and content under a heat that falls linearly as the skin warms.

    Arguments:
        body: the body.
        temperatures_c: of skin and content at the start, degC, floats.
        heat_w: heat to the skin at the start, W, a float.
        slope_wk: how that heat falls as the skin warms, W/K, a float, not negative.
        length_s: for how long, s, a float, positive.
    Returns:
        rise of skin and content, K.
    Raises:
        Nothing.
    Reference:
        phi(J h) h f with phi(z) = (e^z - 1)/z: Hochbruck and Ostermann, Acta Numerica 19 (2010) 209, section
        2.1, doi 10.1017/S0962492910000048; for two temperatures by the eigenvalues of J, which are real and
        never positive. The content's capacity is its mean over the rise.
    """
    skin_c, content_c = temperatures_c
    if not body.content_c:
        loss = -slope_wk / body.shell_jk
        return heat_w / body.shell_jk * length_s * phi(loss * length_s), 0.0
    across_w = body.coupling_wk * (content_c - skin_c)
    heat = (heat_w + across_w, -across_w)
    capacity_jk = body.content_jk(content_c, content_c)
    rises = _together(body, heat, slope_wk, capacity_jk, length_s)
    if not body.has_straight_content:
        mean_jk = body.content_jk(content_c, content_c + rises[1])
        rises = _together(body, heat, slope_wk, mean_jk, length_s)
    return rises


def phi(z: float) -> float:
    """Mean of an exponential over its first step, (e^z - 1)/z."""
    return math.expm1(z) / z if abs(z) > 1e-9 else 1.0 + 0.5 * z


def _together(
    body: Body, heat_w: tuple[float, float], slope_wk: float, capacity_jk: float, length_s: float
) -> tuple[float, float]:
    skin_rate = heat_w[0] / body.shell_jk
    content_rate = heat_w[1] / capacity_jk
    to_skin, to_content = body.coupling_wk / body.shell_jk, body.coupling_wk / capacity_jk
    skin_skin = -slope_wk / body.shell_jk - to_skin
    mean, half = 0.5 * (skin_skin - to_content), 0.5 * (skin_skin + to_content)
    spread = math.sqrt(half * half + to_skin * to_content)
    slow, fast = mean + spread, mean - spread
    phi_slow = phi(slow * length_s)
    mixing = (phi_slow - phi(fast * length_s)) / (2.0 * spread)
    turn_skin = (skin_skin - slow) * skin_rate + to_skin * content_rate
    turn_content = to_content * skin_rate - (to_content + slow) * content_rate
    return (
        length_s * (phi_slow * skin_rate + mixing * turn_skin),
        length_s * (phi_slow * content_rate + mixing * turn_content),
    )
