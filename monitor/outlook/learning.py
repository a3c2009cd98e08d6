"""Fits a bank's experts anew for each day of a record and replays what they would have forecast."""

from dataclasses import dataclass, field

import numpy as np

from monitor.outlook.experts import KNOTS_H, Expert
from monitor.outlook.hourly import FloatArray, shifted
from monitor.outlook.inputs import Drivers, Found, Space, input_table, let_in, to_dew_point
from monitor.outlook.ridge import DailyFits, daily_sums, day_of, robust_weight


@dataclass(frozen=True, slots=True)
class Fitted:
    """The newest day's coefficients of one expert, by knot."""

    slope: tuple[FloatArray, ...]
    level: FloatArray


@dataclass(slots=True)
class _Table:
    """Inputs that some experts share, so that their sums are computed once."""

    drivers: Drivers
    members: list[int] = field(default_factory=list)
    groups: dict[str, None] = field(default_factory=dict)  # in order, each once
    found: Found = field(default_factory=dict)

    def fits(
        self, experts: tuple[Expert, ...], h: int, weight: FloatArray | None
    ) -> dict[int, tuple[DailyFits, FloatArray]]:
        """Each member's daily fits and the changes they forecast."""
        d, day = self.drivers, day_of(self.drivers.zone.size)
        self.found = {key: columns for key, columns in self.found.items() if not key[1]}
        inputs, place = input_table(d, h, tuple(self.groups), self.found)
        sums = daily_sums(inputs, self.change(h), horizon_h=h, weight=weight)
        result = {}
        for e in self.members:
            columns = np.array([c for name in (*experts[e].groups, "hours") for c in place[name]])
            fits = sums.fits(experts[e].window_days, experts[e].shrink, columns)
            result[e] = fits, fits.predict(inputs[:, columns], day)
        return result

    def change(self, h: int) -> FloatArray:
        """What there was to forecast."""
        return shifted(self.drivers.zone, h) - self.drivers.zone


def replay_experts(
    experts: tuple[Expert, ...], spaces: dict[Space, Drivers]
) -> tuple[FloatArray, tuple[Fitted, ...]]:
    """Every expert's forecasts at the knots (experts, rows, knots) and its newest coefficients."""
    tables = _tables(experts, spaces)
    judge = min(1, len(experts) - 1)
    judging = next(table for table in tables if judge in table.members)
    values = np.full((len(experts), judging.drivers.zone.size, len(KNOTS_H)), np.nan)
    slopes: list[list[FloatArray]] = [[] for _ in experts]
    levels = np.full((len(experts), len(KNOTS_H)), np.nan)
    weight, before = None, KNOTS_H[0]
    for n, h in enumerate((KNOTS_H[0], *KNOTS_H)):  # the first knot once more, for its weights
        weight = None if weight is None else shifted(weight, h - before)
        asked = tables if n else [judging]
        made = {e: fit for table in asked for e, fit in table.fits(experts, h, weight).items()}
        # An hour that was out of the usual for one horizon was so for the next.
        weight, before = robust_weight(judging.change(h) - made[judge][1]), h
        if not n:
            continue
        for e, (fits, change) in made.items():
            now = spaces[experts[e].space].zone
            values[e, :, n - 1] = to_dew_point(change + now, experts[e].space)
            slopes[e].append(fits.slope[-1])
            levels[e, n - 1] = fits.level[-1]
    return values, tuple(Fitted(tuple(slopes[e]), levels[e]) for e in range(len(experts)))


def _tables(experts: tuple[Expert, ...], spaces: dict[Space, Drivers]) -> list[_Table]:
    """Experts share a table that look at the same air and need as long a past of it."""
    tables: dict[tuple[Space, bool, bool], _Table] = {}
    for e, expert in enumerate(experts):
        key = (expert.space, expert.let_in, "week ago" in expert.groups)
        if key not in tables:
            tables[key] = _Table(expert_drivers(expert, spaces))
        tables[key].members.append(e)
        tables[key].groups.update(dict.fromkeys(expert.groups))
    return list(tables.values())


def expert_drivers(expert: Expert, spaces: dict[Space, Drivers]) -> Drivers:
    """What an expert looks at."""
    d = spaces[expert.space]
    return let_in(d) if expert.let_in else d
