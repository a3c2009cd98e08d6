"""How the uncertainty of a body's skin grows and fades while it is followed: linearised Kalman prediction.

Two numbers are uncertain together: the skin temperature, and the logarithm of a factor on all exchange with
the air (convection correlations differ by 15 %, and a cylinder's fill is rarely known). A factor that is too
high makes a cold skin too warm, so a surface probe teaches both.
"""

import math

from monitor.physics.bodies import Body
from monitor.physics.stepping import Moment

_GAP_S = 600.0  # samples farther apart leave room for the air to have strayed
_EXCHANGE_DRIFT_PER_DAY = 1e-3  # variance of the log factor gained: 3 % in a day
_S_PER_H = 3600.0
_S_PER_DAY = 86_400.0


class Spread:
    """Variances of skin and exchange, carried along by the stepper's visits."""

    __slots__ = ("_body", "_kept", "covariance_k", "exchange_var", "skin_var_k2")

    def __init__(self, body: Body, variances: tuple[float, float, float]) -> None:
        self.skin_var_k2, self.covariance_k, self.exchange_var = variances
        self._body = body
        self._kept = 1.0  # share of an early error still left at the end of the current gap

    def visit(self, before: Moment, after: Moment) -> None:
        """Takes one step of the body into account."""
        body, air, later = self._body, before.air, after.air
        length_s = later.time_s - air.time_s
        capacity_jk = body.shell_jk
        if body.content_c:
            capacity_jk += body.content_jk(before.content_c, after.content_c)
        fading = before.exchange.slope_wk * length_s / capacity_jk
        lost = -math.expm1(-fading)
        fade = 1.0 - lost
        mean = twice = 1.0  # means of what is left over the step, of errors and of their squares
        if fading:
            mean, twice = lost / fading, 0.5 * lost * (1.0 + fade) / fading
        taken_w = 0.5 * (before.exchange.heat_w + after.exchange.heat_w) - body.internal_w
        if air.sky_loss_wm2 or later.sky_loss_wm2:
            taken_w += body.sky_area_m2 * 0.5 * (air.sky_loss_wm2 + later.sky_loss_wm2)
        lead_k = taken_w * length_s / capacity_jk * mean
        covariance_k, exchange_var = self.covariance_k, self.exchange_var
        self.skin_var_k2 = (
            fade * fade * self.skin_var_k2
            + 2.0 * fade * lead_k * covariance_k
            + lead_k * lead_k * exchange_var
            + body.drift_k2h * length_s / _S_PER_H * twice
        )
        if air.sky_std_wm2:  # a sky told too cold is so all night: such errors add up, not their squares
            sky_std_k = body.sky_area_m2 * air.sky_std_wm2 * length_s / capacity_jk * mean
            self.skin_var_k2 = (math.sqrt(self.skin_var_k2) + sky_std_k) ** 2
        self.covariance_k = fade * covariance_k + lead_k * exchange_var
        if exchange_var < body.exchange_var:
            drifted = exchange_var + _EXCHANGE_DRIFT_PER_DAY * length_s / _S_PER_DAY
            self.exchange_var = min(drifted, body.exchange_var)
        self._kept *= fade

    def close(self, gap_s: float) -> None:
        """Takes into account for how long no air was measured, at the end of that."""
        if gap_s > _GAP_S:
            # mean variance of a random walk tied down at both ends of the gap
            strayed_k2 = self._body.air_wander_kh**2 * gap_s / _S_PER_H / 6.0
            self.skin_var_k2 += (1.0 - self._kept) ** 2 * strayed_k2
        self._kept = 1.0
