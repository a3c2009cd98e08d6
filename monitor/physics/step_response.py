"""How skin and content of a body answer a heat: the exact solution of the linearised heat balances."""

import math

from monitor.physics.bodies import STRAIGHT, Body

_SAME_CAPACITY_K = 0.05  # a content that moves less keeps its heat capacity


def respond(
    body: Body, temperatures_c: tuple[float, float], push: tuple[float, float, float], length_s: float
) -> tuple[float, float]:
    """Rise of skin and content under a heat that falls as the skin warms and rises steadily with the air.

    Arguments:
        body: the body.
        temperatures_c: of skin and content at the start, degC, floats.
        push: heat at the start, W; its fall, W/K, not negative; what the air adds to it by the end, W.
        length_s: for how long, s, a float, positive.
    Returns:
        rise of skin and content, K.
    Raises:
        Nothing.
    Reference:
        h phi1(J h) f + h phi2(J h) (f' h): Hochbruck and Ostermann, Acta Numerica 19 (2010) 209,
        doi 10.1017/S0962492910000048; for two temperatures by the eigenvalues of J, which are real and never
        positive. The content's capacity is its mean over the rise.
    """
    skin_c, content_c = temperatures_c
    if not body.content_c:
        heat_w, slope_wk, raise_w = push
        phi1, phi2, _ = phis(-slope_wk / body.shell_jk * length_s)
        return (heat_w * phi1 + raise_w * phi2) * length_s / body.shell_jk, 0.0
    across_w = body.coupling_wk * (content_c - skin_c)
    capacity_jk = body.content_jk(content_c, content_c)
    rises = _together(body, push, across_w, capacity_jk, length_s)
    if len(body.content_c) > STRAIGHT and abs(rises[1]) > _SAME_CAPACITY_K:
        mean_jk = body.content_jk(content_c, content_c + rises[1])
        rises = _together(body, push, across_w, mean_jk, length_s)
    return rises


def phis(z: float) -> tuple[float, float, float]:
    """The first three phi functions: phi1 = (e^z - 1)/z, phi2 = (phi1 - 1)/z, phi3 = (phi2 - 1/2)/z."""
    if abs(z) < 1e-3:
        return 1.0 + 0.5 * z, 0.5 + z / 6.0, 1.0 / 6.0 + z / 24.0
    phi1 = math.expm1(z) / z
    phi2 = (phi1 - 1.0) / z
    return phi1, phi2, (phi2 - 0.5) / z


def _together(
    body: Body, push: tuple[float, float, float], across_w: float, capacity_jk: float, length_s: float
) -> tuple[float, float]:
    heat_w, slope_wk, raise_w = push
    shell_jk = body.shell_jk
    skin_rate = (heat_w + across_w) / shell_jk
    content_rate = -across_w / capacity_jk
    raise_rate = raise_w / shell_jk
    to_skin, to_content = body.coupling_wk / shell_jk, body.coupling_wk / capacity_jk
    skin_skin = -slope_wk / shell_jk - to_skin
    mean, half = 0.5 * (skin_skin - to_content), 0.5 * (skin_skin + to_content)
    spread = math.sqrt(half * half + to_skin * to_content)
    slow, fast = mean + spread, mean - spread
    slow1, slow2, _ = phis(slow * length_s)
    fast1, fast2, _ = phis(fast * length_s)
    # p(J) = p(slow) I + (p(slow) - p(fast))/(slow - fast) (J - slow I)
    mix1, mix2 = (slow1 - fast1) / (2.0 * spread), (slow2 - fast2) / (2.0 * spread)
    turn_skin = (skin_skin - slow) * skin_rate + to_skin * content_rate
    turn_content = to_content * skin_rate - (to_content + slow) * content_rate
    skin_k = slow1 * skin_rate + mix1 * turn_skin
    skin_k += (slow2 + mix2 * (skin_skin - slow)) * raise_rate
    content_k = slow1 * content_rate + mix1 * turn_content + mix2 * to_content * raise_rate
    return length_s * skin_k, length_s * content_k
