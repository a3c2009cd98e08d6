"""Explains a zone by a plain balance: an effective exchange rate, gains by hour of day, a thermal lag."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.hourly import DAY_H, FloatArray, shifted
from monitor.outlook.inputs import HARMONICS, Drivers, harmonics
from monitor.outlook.ridge import LEAST_ROWS, day_of, window_sums

# Effective exchange with the outdoor air, per hour. It is not the true air change: walls and goods take up
# and give back vapour, which slows a zone's answer by up to ten times.
RATES_H = np.geomspace(0.008, 3.0, 15)
JUDGED_BY_H = (6, 12, 24)  # the rate is the one that forecasts best over these horizons
WINDOW_DAYS = 21
_WAVES = 2 * HARMONICS


@dataclass(frozen=True, slots=True)
class Balance:
    """d(zone)/dt = rate·(outdoor − zone) + gain(hour of day), in the units of its space per hour."""

    rate_h: float
    gain_by_hour: FloatArray  # (24,)

    @property
    def lag_h(self) -> float:
        """Time in which 63 % of an outdoor change has arrived inside."""
        return 1.0 / self.rate_h

    def run(self, start: float, hour: float, outdoor: FloatArray, rate_h: FloatArray) -> FloatArray:
        """Step hour by hour from `start`; `rate_h` by hour lets a door or a fan change the exchange."""
        value = np.empty(outdoor.size)
        for n in range(outdoor.size):
            keep = float(np.exp(-rate_h[n]))
            gain = float(self.gain_by_hour[int(hour + n + 1) % DAY_H])
            start = keep * start + (1.0 - keep) * (float(outdoor[n]) + gain / float(rate_h[n]))
            value[n] = start
        return value


@dataclass(frozen=True, slots=True)
class BalanceTrack:
    """The balance refitted every day: its forecasts at each horizon, and the newest day's balance."""

    value: FloatArray  # (rows, horizons)
    newest: Balance | None
    newest_waves: FloatArray  # (horizons, 1 + waves): level and daily waves of the newest day


def balance_track(d: Drivers, horizons_h: tuple[int, ...]) -> BalanceTrack:
    """Fit on the days before each day, and forecast that day's rows; of no outdoor air there is nothing."""
    rows = d.zone.size
    if not np.isfinite(d.outdoor_ahead).any():
        waves_of_none = np.full((len(horizons_h), 1 + _WAVES), np.nan)
        return BalanceTrack(np.full((rows, len(horizons_h)), np.nan), None, waves_of_none)
    days = int(day_of(rows)[-1]) + 1
    misfit = np.zeros((days, RATES_H.size))
    waves, carried = {}, {}
    for h in sorted({*horizons_h, *JUDGED_BY_H}):
        carried[h] = _carried(d, h, RATES_H)
        found, mean_square = _regress(d, h, days, carried[h])
        waves[h] = found
        if h in JUDGED_BY_H:
            misfit += mean_square
    known = np.isfinite(misfit).all(axis=1)
    best = np.where(known, np.argmin(np.where(np.isfinite(misfit), misfit, np.inf), axis=1), -1)
    value = np.stack([_predict(d, h, waves[h], best, carried[h]) for h in horizons_h], axis=1)
    newest_waves = np.stack([waves[h][-1, :, max(best[-1], 0)] for h in horizons_h])
    return BalanceTrack(value, _explain(waves[DAY_H][-1], int(best[-1])), newest_waves)


def predict_newest(track: BalanceTrack, d: Drivers, horizons_h: tuple[int, ...]) -> FloatArray:
    """The newest row's forecast at each horizon by the newest day's balance."""
    if track.newest is None:
        return np.full(len(horizons_h), np.nan)
    last, result = d.last(1), np.empty(len(horizons_h))
    for n, h in enumerate(horizons_h):
        free = _carried(last, h, np.array([track.newest.rate_h]))[0, 0]
        result[n] = free + float(_wave_columns(last, h)[0] @ track.newest_waves[n])
    return result


def _wave_columns(d: Drivers, h: int) -> FloatArray:
    return np.stack([np.ones(d.zone.size), *harmonics(d.hour, h)], axis=1)


def _carried(d: Drivers, h: int, rates_h: FloatArray) -> FloatArray:
    """What is left of now and what came from outdoors after h hours, for each rate; gains not counted."""
    keep = np.exp(-rates_h)
    since = h - np.arange(1, h + 1)
    share = (1.0 - keep) * keep ** since[:, None]
    carried: FloatArray = keep**h * d.zone[:, None] + d.outdoor_ahead[:, :h] @ share
    return carried


def _regress(d: Drivers, h: int, days: int, carried: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Level and waves of the gains (days, 1 + waves, rates), and each rate's mean square misfit."""
    rest = shifted(d.zone, h)[:, None] - carried
    table = np.concatenate([_wave_columns(d, h), rest], axis=1)
    use = np.isfinite(table).all(axis=1)
    table = np.where(use[:, None], table, 0.0)
    sums = window_sums(table, use.astype(np.float64), day_of(d.zone.size, h), days, WINDOW_DAYS)
    width = 1 + _WAVES
    mass = sums[:, 0, 0]
    enough = mass >= LEAST_ROWS
    waves = np.full((days, width, RATES_H.size), np.nan)
    misfit = np.full((days, RATES_H.size), np.nan)
    part = sums[enough]
    ridge = 1e-6 * mass[enough, None, None] * np.eye(width)
    waves[enough] = np.linalg.solve(part[:, :width, :width] + ridge, part[:, :width, width:])
    square = np.einsum("dii->di", part[:, width:, width:])
    explained = np.einsum("dwr,dwr->dr", waves[enough], part[:, :width, width:])
    misfit[enough] = np.maximum(square - explained, 0.0) / mass[enough, None]
    return waves, misfit


def _predict(
    d: Drivers, h: int, waves: FloatArray, best: np.ndarray, carried_by_rate: FloatArray
) -> FloatArray:
    day = day_of(d.zone.size)
    rate = best[day]
    row = np.arange(d.zone.size)
    carried = carried_by_rate[row, np.maximum(rate, 0)]
    gains = np.einsum("ij,ij->i", _wave_columns(d, h), waves[day, :, np.maximum(rate, 0)])
    return np.where(rate >= 0, carried + gains, np.nan)


def _explain(waves: FloatArray, best: int) -> Balance | None:
    """Turn the waves of the 24-hour answer back into the gains that cause them."""
    if best < 0:
        return None
    rate, wave = float(RATES_H[best]), waves[:, best]
    arrived = 1.0 - np.exp(-DAY_H * rate)
    gain = np.full(DAY_H, wave[0] * rate / arrived)
    hours = np.arange(DAY_H)
    for n in range(1, HARMONICS + 1):
        turn = 2.0 * np.pi * n / DAY_H
        answer = complex(wave[2 * n], -wave[2 * n - 1])  # a·sin + b·cos = Re[(b − ia)·exp(iωt)]
        cause = answer * complex(rate, turn) / arrived
        gain = gain + np.real(cause * np.exp(1j * turn * hours))
    return Balance(rate, gain)
