"""Combines several small models of a zone by their own recent errors, and guards against a bad one."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from monitor.outlook.balance import BalanceTrack, balance_track
from monitor.outlook.early import (
    NOTHING_KNOWN,
    KnownRoom,
    RoomsKnown,
    early_share,
    quantity_name,
    replay_rooms,
    young_mornings,
)
from monitor.outlook.experts import AIR_EXPERT, KNOTS_H, Expert, experts_for, looking_at
from monitor.outlook.hourly import AHEAD_H, DAY_H, AirHistory, BoolArray, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import Drivers, Space, drivers, same_hour_lag_h, to_dew_point
from monitor.outlook.learning import Fitted, replay_experts
from monitor.outlook.ridge import day_of

JUDGED_DAYS = 14  # a model's weight comes from its errors of so many days
PREFER_POWER, BALANCE_POWER, BLIND_POWER = 8.0, 16.0, 8.0  # weight = (best error / own error) ** power
# A baseline takes over when it was better than the models by this factor: measured on the first two thirds of
# the open records, 0.85 cost them 2 % at a day.
TRUST = 0.7
SMALL_K = (
    0.15  # errors so small leave nothing to learn: the best of them is used, as in a yard that is outdoors
)
LEAST_JUDGED_H = 48
REACH_DAYS, REACH_BEYOND, REACH_MORE_K, UNKNOWN_REACH_K = 42, 1.25, 0.5, 15.0

BASELINES = ("persistence", "same hour yesterday", "outdoor air", "balance")
# Where it stands among the candidates: the models together, the baselines, rooms known before.
PERSISTENCE = 1
# What each is thought to miss by before it was judged, over persistence; the doubted are heard later.
USUAL, USUAL_OF_ROOMS = np.array([0.9, 1.0, 1.05, 2.0, 1.2]), 0.9
DOUBTED = np.array([True, False, False, True, True])


@dataclass(frozen=True, slots=True)
class Track:
    """What a bank would have forecast, hour by hour, each day by models fitted on the days before it.

    Values are dew points (or temperatures) at the knots. `share` is what each candidate has of the newest
    day's forecast at each knot: the combined models, the baselines, and rooms known before.
    """

    experts: tuple[Expert, ...]
    fitted: tuple[Fitted, ...]
    air: Fitted | None  # what foresees the indoor air for the vapour experts
    expert_weight: FloatArray  # (experts and the balance, knots), newest day
    rooms: tuple[Fitted, ...]  # rooms known before, as carried on here; none once the zone has had its days
    share: FloatArray  # (candidates, knots), newest day
    young: BoolArray  # (days,) while the zone's own models have not had their days
    balance: BalanceTrack
    reach: FloatArray  # (knots,), newest day: how far the zone has moved in so many hours of late
    now: FloatArray  # (rows,) what was measured
    target: FloatArray  # (rows, knots)
    value: FloatArray  # (rows, knots)
    baseline: FloatArray  # (baselines, rows, knots)

    @property
    def error(self) -> FloatArray:
        """What came minus what was forecast; NaN where the target is not known."""
        return self.target - self.value

    @property
    def moved(self) -> FloatArray:
        """How far the zone itself moved meanwhile."""
        return np.abs(self.target - self.now[:, None])


def track(
    history: AirHistory,
    outdoor: OutdoorAir | None,
    *,
    temperature: bool,
    known: RoomsKnown = NOTHING_KNOWN,
    added: tuple[str, ...] = (),
) -> Track:
    """Replay the whole record with a fit for each day; the newest day's fit is the one to forecast with.

    `added` names what the models look at beside the air and the weather.
    """
    experts = experts_for(temperature, outdoor is not None, added)
    spaces = {expert.space: drivers(history, outdoor, expert.space) for expert in experts}
    air: Fitted | None = None
    if outdoor is not None and not temperature:
        spaces, air = _with_foreseen_air(spaces, drivers(history, outdoor, Space.TEMPERATURE), added)
    judged = spaces[Space.TEMPERATURE if temperature else Space.DEW_POINT]
    balance_space = Space.TEMPERATURE if temperature else Space.VAPOUR
    balance = balance_track(spaces.get(balance_space) or drivers(history, outdoor, balance_space), KNOTS_H)
    target = np.stack([shifted(judged.zone, h) for h in KNOTS_H], axis=1)
    reach, day = _reach(target, judged.zone), day_of(target.shape[0])
    values, fitted = replay_experts(experts, spaces)
    values = within_reach(values, judged.zone[:, None], reach[day])
    baseline = _baselines(judged, to_dew_point(balance.value, balance_space))
    voices = np.concatenate([values, baseline[-1:]])  # in a bay open to the weather the balance knows most
    weight = _expert_weights(voices, target)
    candidates = np.concatenate([_mix(voices, weight)[None], baseline])
    young = young_mornings(judged.zone)
    name = quantity_name(temperature=temperature, sighted=outdoor is not None)
    early, rooms = _early(judged, known.of(name), young, name, sighted=outdoor is not None)
    candidates = np.concatenate([candidates, early])
    unsure = np.array([not room.anywhere for room in known.of(name)], dtype=np.bool_)
    share = _shares(candidates, target, young, unsure, sighted=outdoor is not None)
    value = within_reach(_mix(candidates, share), judged.zone[:, None], reach[day])
    value = np.where(np.isfinite(value), value, baseline[0])
    return Track(
        experts,
        fitted,
        air,
        weight[-1],
        rooms if young[-1] else (),
        share[-1] if young[-1] else share[-1, : 1 + len(BASELINES)],
        young,
        balance,
        reach[-1],
        judged.zone,
        target,
        value,
        baseline,
    )


def _early(
    d: Drivers, known: Sequence[KnownRoom], young: BoolArray, name: str, *, sighted: bool
) -> tuple[FloatArray, tuple[Fitted, ...]]:
    """What rooms known before would have foretold in the zone's first weeks; nothing after them."""
    rows = d.zone.size
    if young[-1]:
        return replay_rooms(d, known, name, sighted=sighted)
    first = (rows - 1) % DAY_H
    last = min(first + DAY_H * int(young.sum()) + 1, rows)  # days are then counted as in the whole
    found, fitted = replay_rooms(d.first(last), known, name, sighted=sighted)
    rest = np.full((len(known), rows - last, len(KNOTS_H)), np.nan)
    return np.concatenate([found, rest], axis=1), fitted


def _shares(
    candidates: FloatArray, target: FloatArray, young: BoolArray, unsure: BoolArray, *, sighted: bool
) -> FloatArray:
    """What each candidate has of each day's forecast: (days, candidates, knots).

    In the first weeks all speak, by their errors so far; after them the models, or the baseline that was
    clearly better of late. Without weather the models never leave the baselines far behind at a day, so
    there all of them speak for good and the models give way by degrees.
    """
    plain = 1 + len(BASELINES)
    usual = np.concatenate([USUAL, np.full(unsure.size, USUAL_OF_ROOMS)])
    doubted = np.concatenate([DOUBTED, unsure])
    early = early_share(*judged_sums(candidates, target), usual, PERSISTENCE, doubted)
    settled = np.zeros_like(early)
    if sighted:
        choice = _choices(candidates[:plain], target)
        np.put_along_axis(settled, choice[None], 1.0, axis=0)
    else:
        settled[:plain] = preference(judged_error(candidates[:plain], target), BLIND_POWER)
    found: FloatArray = np.where(young[None, :, None], early, settled).transpose(1, 0, 2)
    return found


def _with_foreseen_air(
    spaces: dict[Space, Drivers], air: Drivers, added: tuple[str, ...]
) -> tuple[dict[Space, Drivers], Fitted]:
    values, fitted = replay_experts((looking_at(AIR_EXPERT, added),), {Space.TEMPERATURE: air})
    foreseen = foreseen_air(values[0], air.zone)
    return {space: replace(d, foreseen_air_c=foreseen) for space, d in spaces.items()}, fitted[0]


def foreseen_air(values: FloatArray, now: FloatArray) -> FloatArray:
    """Indoor air by hour ahead (rows, 48) from values at the knots; as now where nothing is foreseen."""
    foreseen = np.full((now.size, AHEAD_H), np.nan)
    foreseen[:, np.array(KNOTS_H) - 1] = np.where(np.isfinite(values), values, now[:, None])
    return foreseen


def _reach(target: FloatArray, now: FloatArray) -> FloatArray:
    """By day and knot, a little beyond the largest change known of the last weeks: (days, knots)."""
    moved = np.abs(target - now[:, None])
    mornings = np.flatnonzero(np.diff(day_of(now.size), prepend=-1)).tolist()
    reach = np.full((len(mornings), len(KNOTS_H)), UNKNOWN_REACH_K)
    for day, morning in enumerate(mornings):
        for k, h in enumerate(KNOTS_H):
            known = moved[max(morning - REACH_DAYS * DAY_H, 0) : max(morning - h, 0), k]
            known = known[np.isfinite(known)]
            if known.size >= LEAST_JUDGED_H:
                reach[day, k] = REACH_BEYOND * float(known.max()) + REACH_MORE_K
    return reach


def within_reach(values: FloatArray, now: FloatArray | float, reach: FloatArray) -> FloatArray:
    """No model may send a zone further than it has ever gone: the last guard against a bad fit."""
    return np.clip(values, now - reach, now + reach)


def _baselines(d: Drivers, balance: FloatArray) -> FloatArray:
    persistence = np.repeat(d.zone[:, None], len(KNOTS_H), axis=1)
    yesterday = np.stack([shifted(d.zone, h - same_hour_lag_h(h)) for h in KNOTS_H], axis=1)
    outdoor = np.stack([d.outdoor_ahead[:, h - 1] for h in KNOTS_H], axis=1)
    return np.stack([persistence, yesterday, outdoor, balance])


def judged_error(values: FloatArray, target: FloatArray) -> FloatArray:
    """Mean absolute error of each candidate, as known on each morning: (candidates, days, knots)."""
    total, count = judged_sums(values, target)
    result = np.full(total.shape, np.nan)
    np.divide(total, count, out=result, where=count >= LEAST_JUDGED_H)
    return result


def judged_sums(values: FloatArray, target: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Each candidate's errors of the last weeks, summed and counted, as known on each morning."""
    size = np.abs(values - target)
    known = np.isfinite(size)
    zero = np.zeros((values.shape[0], 1, values.shape[2]))
    total = np.concatenate([zero, np.cumsum(np.where(known, size, 0.0), axis=1)], axis=1)
    count = np.concatenate([zero, np.cumsum(known, axis=1)], axis=1)
    rows = target.shape[0]
    morning = np.flatnonzero(np.diff(day_of(rows), prepend=-1))
    sums, counts = (np.zeros((values.shape[0], morning.size, len(KNOTS_H))) for _ in range(2))
    for k, h in enumerate(KNOTS_H):
        last = np.maximum(morning - h, 0)
        first = np.maximum(last - JUDGED_DAYS * DAY_H, 0)
        sums[:, :, k] = total[:, last, k] - total[:, first, k]
        counts[:, :, k] = count[:, last, k] - count[:, first, k]
    return sums, counts


def _expert_weights(values: FloatArray, target: FloatArray) -> FloatArray:
    """By day, expert or balance, and knot; equal while nothing is known of them."""
    power = np.full((values.shape[0], 1, 1), PREFER_POWER)
    power[-1] = BALANCE_POWER
    return preference(judged_error(values, target), power).transpose(1, 0, 2)


def preference(error: FloatArray, power: FloatArray | float) -> FloatArray:
    """Weights of candidates over the first axis by their errors; equal where none was judged."""
    best = np.min(np.where(np.isfinite(error), error, np.inf), axis=0)
    weight = (best / np.maximum(error, 1e-9)) ** power
    weight = np.where(np.isfinite(error), weight, 0.0)
    return np.where(np.isfinite(best), weight, 1.0)


def mix(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted mean over the first axis of what is there."""
    use = np.where(np.isfinite(values), weight, 0.0)
    mass = use.sum(axis=0)
    result = np.full(mass.shape, np.nan)
    np.divide(
        (np.where(np.isfinite(values), values, 0.0) * use).sum(axis=0), mass, out=result, where=mass > 0
    )
    return result


def _mix(values: FloatArray, weight: FloatArray) -> FloatArray:
    return mix(values, weight[day_of(values.shape[1])].transpose(1, 0, 2))


def _choices(candidates: FloatArray, target: FloatArray) -> np.ndarray:
    """By day and knot, which candidate to use; the models unless a baseline was clearly better."""
    fair = np.where(np.isfinite(candidates[0]), target, np.nan)  # judged on the same hours
    error = judged_error(candidates, fair)
    error = np.where(np.isfinite(error), error, np.inf)
    error[0] *= np.where(error[0] < SMALL_K, 1.0, TRUST)
    choice: np.ndarray = np.argmin(error, axis=0)
    return choice
