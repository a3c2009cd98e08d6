"""Follows a value over the last while, and says how fast it moves and when it will meet a limit."""

from dataclasses import dataclass
from functools import lru_cache

HOUR_S = 3600.0
REMEMBERED = 512  # trends whose older slopes are kept; three kilobytes each
FAR_H = 99.0  # as good as never; a plain number, so that it can be compared, stored and shown


@dataclass(frozen=True, slots=True)
class TrendRules:
    """How much of the past counts: at most `keep` samples, `apart_s` apart, over `least_s` at least."""

    apart_s: float = 300.0
    keep: int = 13
    least_s: float = 1500.0


@dataclass(frozen=True, slots=True)
class Trend:
    """Samples of one value, oldest first; the newest moves along until the next is due."""

    samples: tuple[tuple[float, float], ...] = ()


def followed(trend: Trend, time_s: float, value: float, rules: TrendRules) -> Trend:
    """The trend with one more value; a gap longer than the window starts it anew."""
    samples = trend.samples
    if samples and (time_s < samples[-1][0] or time_s - samples[-1][0] > rules.apart_s * rules.keep):
        samples = ()
    if len(samples) >= 2 and samples[-1][0] - samples[-2][0] < rules.apart_s:
        samples = samples[:-1]
    return Trend((*samples, (time_s, value))[-rules.keep :])


def slope_per_h(trend: Trend, rules: TrendRules) -> float | None:
    """How fast the value moves, per hour; None while too little is known.

    The median of the slopes between all pairs of samples (Theil 1950, Sen 1968,
    doi:10.1080/01621459.1968.10480934): a few odd samples do not sway it.
    """
    samples = trend.samples
    if len(samples) < 3 or samples[-1][0] - samples[0][0] < rules.least_s:
        return None
    *before, (time_s, value) = samples
    to_newest = [(value - earlier) / (time_s - at_s) for at_s, earlier in before if time_s > at_s]
    return _middle([*_slopes(samples[:-1]), *sorted(to_newest)]) * HOUR_S


def _middle(values: list[float]) -> float:
    """The median of some numbers, which are sorted for it; two sorted runs are merged."""
    values.sort()
    half = len(values) // 2
    return values[half] if len(values) % 2 else (values[half - 1] + values[half]) / 2


@lru_cache(maxsize=REMEMBERED)
def _slopes(samples: tuple[tuple[float, float], ...]) -> tuple[float, ...]:
    """Between all pairs, in order; remembered, because only the newest sample moves from tick to tick."""
    return tuple(
        sorted(
            (later[1] - earlier[1]) / (later[0] - earlier[0])
            for n, earlier in enumerate(samples)
            for later in samples[n + 1 :]
            if later[0] > earlier[0]
        )
    )


def hours_to(trend: Trend, limit: float, rules: TrendRules) -> float | None:
    """Hours until a falling value meets a limit at its present pace; FAR_H if it does not fall.

    0 where it lies below the limit already, None while too little is known.
    """
    slope = slope_per_h(trend, rules)
    if slope is None:
        return None
    distance = _middle([value for _, value in trend.samples[-3:]]) - limit
    if distance <= 0.0:
        return 0.0
    if slope >= 0.0:
        return FAR_H
    return min(distance / -slope, FAR_H)
