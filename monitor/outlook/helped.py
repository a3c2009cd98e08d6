"""Lets what a shop adds into a zone's forecast where it has shown there, day by day, that it makes it nearer.

Each added input is tried alone and all of them together, as banks of their own beside the plain one. On every
morning, for every horizon, the one is used whose errors known by then were smaller by enough and on days
enough; where none was, and at any hour at which an input is missing, the plain one speaks with its own band.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.outlook.bank import Track, track
from monitor.outlook.beside import SUN, Trial
from monitor.outlook.early import RoomsKnown
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import DAY_H, AirHistory, BoolArray, FloatArray, OutdoorAir
from monitor.outlook.inputs import Drivers, Found, Space, drivers, group_columns
from monitor.outlook.ridge import day_of


@dataclass(frozen=True, slots=True)
class Tried:
    """One or more added inputs, replayed together: what came of it, and where it has earned its place."""

    added: tuple[str, ...]
    replay: Track
    spoke: BoolArray  # (rows, knots) every input was there
    error_frac: (
        FloatArray  # (days, knots) its error over the plain one's, as known each morning; NaN: too few
    )
    earned: BoolArray  # (days, knots)


def days_known(history: AirHistory, outdoor: OutdoorAir | None) -> dict[str, float]:
    """Each input that a zone has, and of how many days its hours are known."""
    hours: dict[str, FloatArray] = {name: history.beside[name] for name in sorted(history.beside)}
    if outdoor is not None and outdoor.sun_wm2 is not None:
        hours[SUN] = outdoor.sun_wm2[: history.temperature_c.size]
    days = {name: float(np.isfinite(each).sum()) / DAY_H for name, each in hours.items()}
    return {name: known for name, known in days.items() if known > 0.0}


def sets_to_try(history: AirHistory, outdoor: OutdoorAir | None) -> list[tuple[str, ...]]:
    """Each input that a zone has, and all of them."""
    names = tuple(days_known(history, outdoor))
    alone: list[tuple[str, ...]] = [(name,) for name in names]
    return alone if len(names) < 2 else [*alone, names]


def spoke(d: Drivers, added: tuple[str, ...]) -> BoolArray:
    """Where every column of some added inputs is known: (rows, knots)."""
    found = Found()
    each = [np.isfinite(group_columns(d, h, added, found).sum(axis=1)) for h in KNOTS_H]
    return np.stack(each, axis=1)


def tried(
    base: Track,
    history: AirHistory,
    outdoor: OutdoorAir | None,
    known: RoomsKnown,
    trial: Trial,
    *,
    temperature: bool,
) -> tuple[Tried, ...]:
    """Every set of added inputs replayed and judged by what was known each morning."""
    d = drivers(history, outdoor, Space.TEMPERATURE if temperature else Space.DEW_POINT)
    found = []
    for added in sets_to_try(history, outdoor):
        there = spoke(d, added)
        if there.any(axis=1).sum() < trial.least_days * DAY_H:
            continue
        own = track(history, outdoor, temperature=temperature, known=known, added=added)
        found.append(Tried(added, own, there, *_judged(base, own, there, trial)))
    return tuple(found)


def _judged(base: Track, own: Track, there: BoolArray, trial: Trial) -> tuple[FloatArray, BoolArray]:
    """Share of error left, and whether it is less for certain: each by morning and knot."""
    day = day_of(base.now.size)
    days, window = int(day[-1]) + 1, int(trial.judged_days)
    share, earned = np.full((days, len(KNOTS_H)), np.nan), np.zeros((days, len(KNOTS_H)), dtype=np.bool_)
    both = there & np.isfinite(base.error) & np.isfinite(own.error)
    plain, helped = (np.where(both, np.abs(one.error), 0.0) for one in (base, own))
    for k, h in enumerate(KNOTS_H):
        count, was, now = (
            np.bincount(day, weights=weight, minlength=days)
            for weight in (both[:, k].astype(np.float64), plain[:, k], helped[:, k])
        )
        late = -(-(DAY_H - 1 + h) // DAY_H)  # days until a whole day's targets have come
        saved = np.where(count > 0, (was - now) / np.maximum(count, 1.0), np.nan)
        for morning in range(late, days):
            seen = slice(max(morning - late + 1 - window, 0), morning - late + 1)
            each = saved[seen][np.isfinite(saved[seen])]
            if each.size < trial.least_days:
                continue
            share[morning, k] = now[seen].sum() / max(float(was[seen].sum()), 1e-9)
            doubt = float(each.std(ddof=1)) / np.sqrt(each.size)
            earned[morning, k] = (
                share[morning, k] <= 1.0 - trial.worth_frac and each.mean() >= trial.sure_deviations * doubt
            )
    return share, _with_neighbours(earned)


def _with_neighbours(earned: BoolArray) -> BoolArray:
    """Only where three horizons beside each other agree: one among many is there by chance."""
    three = earned[:, :-2] & earned[:, 1:-1] & earned[:, 2:]
    found = np.zeros_like(earned)
    for n in range(3):
        found[:, n : n + three.shape[1]] |= three
    return found


def choice_of(sets: Sequence[Tried], days: int) -> np.ndarray:
    """By morning and knot which set speaks, counted from 1; 0: none has earned it."""
    shares = [np.where(one.earned, one.error_frac, np.inf) for one in sets]
    if not shares:
        return np.zeros((days, len(KNOTS_H)), dtype=np.int64)
    table = np.stack([np.ones((days, len(KNOTS_H))), *shares])
    best: np.ndarray = np.argmin(table, axis=0)
    return best


def combined(base: Track, sets: Sequence[Tried]) -> Track:
    """What would have been forecast with what had earned its place each morning."""
    day = day_of(base.now.size)
    choice = choice_of(sets, int(day[-1]) + 1)[day]
    value = base.value
    for n, one in enumerate(sets, start=1):
        value = np.where((choice == n) & one.spoke & np.isfinite(one.replay.value), one.replay.value, value)
    return replace(base, value=value)
