"""Lets a probe on the skin correct what is believed of a body, and teach how fast it exchanges heat."""

import math
from dataclasses import replace

from monitor.physics.bodies import Body
from monitor.physics.elementwise import check_range
from monitor.physics.lag import BODY_RANGE_C, BodyState

_SURPRISE = 4.0  # standard deviations beyond which the body itself was changed: moved, wetted, swapped
_ERROR_LASTS_S = 1800.0
_MOST_FACTOR = 4.0  # a learned factor outside 1/4 to 4 would say the settings are wrong


def observe(body: Body, state: BodyState, surface_temperature_c: float, std_k: float) -> BodyState:
    """Corrects a state with a measured skin temperature taken at the state's own time.

    A probe within four standard deviations of what was expected corrects skin and content and, through their
    covariance, the exchange factor (the body's time constant). A probe farther off says that something was
    done to the body: the skin follows the probe and nothing is learned about the time constant.

    A probe's error is mostly its contact and its calibration, which last: readings closer together than half
    an hour are taken to share one error, so a probe that reports every few seconds teaches no more than its
    error allows.

    Arguments:
        body: the body.
        state: the state at the time of the measurement (advance it there first).
        surface_temperature_c: measured, degC, a float, -60 to 90.
        std_k: standard uncertainty of the probe and its contact, K, a float, 0.01 to 20.
    Returns:
        the corrected state.
    Raises:
        RangeError: an argument outside its range.
    Reference:
        Update of the extended Kalman filter: Gelb (ed.), Applied Optimal Estimation, 1974, chapters 4 and 6.
    """
    check_range("surface_temperature_c", surface_temperature_c, *BODY_RANGE_C, "degC")
    check_range("std_k", std_k, 0.01, 20.0, "K")
    surprise_k = surface_temperature_c - state.skin_c
    probe_var_k2 = std_k * std_k * _shared_readings(state)
    expected_k2 = state.skin_var_k2 + probe_var_k2
    covariance_k = state.skin_exchange_cov_k
    skin_var_k2 = state.skin_var_k2
    if surprise_k * surprise_k > _SURPRISE * _SURPRISE * expected_k2:
        skin_var_k2 = surprise_k * surprise_k
        covariance_k = 0.0
        expected_k2 = skin_var_k2 + probe_var_k2
    gain = skin_var_k2 / expected_k2
    teaching = covariance_k / expected_k2
    learned = state.exchange_log + teaching * surprise_k
    return replace(
        state,
        skin_c=state.skin_c + gain * surprise_k,
        content_c=state.content_c + gain * surprise_k if body.content_c else state.skin_c + gain * surprise_k,
        skin_var_k2=(1.0 - gain) * skin_var_k2,
        skin_exchange_cov_k=(1.0 - gain) * covariance_k,
        exchange_log=min(max(learned, -math.log(_MOST_FACTOR)), math.log(_MOST_FACTOR)),
        exchange_var=state.exchange_var - teaching * covariance_k,
        probe_time_s=state.time_s,
    )


def _shared_readings(state: BodyState) -> float:
    """How many readings at the present spacing fall within the time one probe error lasts; at least 1."""
    if state.probe_time_s is None or state.time_s - state.probe_time_s >= _ERROR_LASTS_S:
        return 1.0
    return _ERROR_LASTS_S / max(state.time_s - state.probe_time_s, 1.0)
