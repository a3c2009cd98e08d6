"""How the uncertainty of a body's skin grows and fades while it is followed: linearised Kalman prediction.

Two numbers are uncertain together: the skin temperature, and the logarithm of a factor on all exchange with
the air (convection correlations differ by 15 %, and a cylinder's fill is rarely known). A factor that is too
high makes a cold skin too warm, so a surface probe teaches both.
"""

import math
from collections.abc import Sequence

from monitor.physics.bodies import Body
from monitor.physics.step_response import phis
from monitor.physics.stepping import AirPoint, Moment

_GAP_S = 600.0  # samples farther apart leave room for the air to have strayed
_EXCHANGE_DRIFT_PER_DAY = 1e-3  # variance of the log factor gained: 3 % in a day
_S_PER_H = 3600.0
_S_PER_DAY = 86_400.0


class Spread:
    """Variances of skin and exchange, carried along by the stepper's visits."""

    def __init__(self, body: Body, air: Sequence[AirPoint], variances: tuple[float, float, float]) -> None:
        self.skin_var_k2, self.covariance_k, self.exchange_var = variances
        self._body = body
        self._air = air
        self._next = 1
        self._kept = 1.0  # share of an early error still left at the end of the current gap

    def visit(self, before: Moment, after: Moment) -> None:
        """Takes one step of the body into account."""
        body = self._body
        heat_w, slope_wk, *_ = before.exchange
        air, now_s = before.air, after.air.time_s
        length_s = now_s - air.time_s
        capacity_jk = body.shell_jk + body.content_jk(before.content_c, after.content_c)
        fading = slope_wk * length_s / capacity_jk
        fade = math.exp(-fading)
        taken_w = 0.5 * (heat_w + after.exchange.heat_w) - body.internal_w
        taken_w += body.sky_area_m2 * 0.5 * (air.sky_loss_wm2 + after.air.sky_loss_wm2)
        lead_k = taken_w * length_s / capacity_jk * phis(-fading)[0]
        self.skin_var_k2 = (
            fade * fade * self.skin_var_k2
            + 2.0 * fade * lead_k * self.covariance_k
            + lead_k * lead_k * self.exchange_var
            + body.drift_k2h * length_s / _S_PER_H * phis(-2.0 * fading)[0]
        )
        sky_std_w = body.sky_area_m2 * air.sky_std_wm2
        if sky_std_w:  # a sky told too cold is so all night: such errors add up, not their squares
            sky_std_k = sky_std_w * length_s / capacity_jk * phis(-fading)[0]
            self.skin_var_k2 = (math.sqrt(self.skin_var_k2) + sky_std_k) ** 2
        self.covariance_k = fade * self.covariance_k + lead_k * self.exchange_var
        self.exchange_var = min(
            self.exchange_var + _EXCHANGE_DRIFT_PER_DAY * length_s / _S_PER_DAY,
            max(body.exchange_var, self.exchange_var),
        )
        self._kept *= fade
        if now_s >= self._air[self._next].time_s:
            self._close_gap()

    def _close_gap(self) -> None:
        gap_s = self._air[self._next].time_s - self._air[self._next - 1].time_s
        if gap_s > _GAP_S:
            # mean variance of a random walk tied down at both ends of the gap
            strayed_k2 = self._body.air_wander_kh**2 * gap_s / _S_PER_H / 6.0
            self.skin_var_k2 += (1.0 - self._kept) ** 2 * strayed_k2
        self._next += 1
        self._kept = 1.0
