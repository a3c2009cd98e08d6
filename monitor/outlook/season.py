"""Replays the warnings of a whole season: what would have been told, and whether it came true."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime

import numpy as np

from monitor.model.shift_span import ShiftSpan
from monitor.outlook.backtest import RELIABILITY_EDGES, SETTLED_DAYS, Replay
from monitor.outlook.forecast import ForecastMoment, ZoneForecast, assemble, spread_at
from monitor.outlook.hourly import DAY_H, HOUR_S, FloatArray
from monitor.outlook.odds_record import calibration_of
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import ShiftOutlook, calibrated, hours_of, look_ahead, shift_outlooks
from monitor.outlook.shifts import LEAST_KNOWN_FRAC, ShiftPlan, upcoming
from monitor.outlook.warning import (
    KEEP_SCORED,
    Score,
    Tally,
    WarningMemory,
    WarningRules,
    act_by_s,
    decide,
    score,
    tally,
)
from monitor.physics.bodies import Body
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.lag import BodyState, start_state, trajectory
from monitor.physics.moist_air import relative_humidity_frac
from monitor.physics.path import Trajectory
from monitor.physics.placed_body import BodyFacts
from monitor.physics.saturation import dew_point_c

DECIDE_EVERY_H = 3
LOOK_H = 30  # shifts further off are not yet decided on in a replay


@dataclass(frozen=True, slots=True)
class Season:
    """Zones replayed side by side on the same hours, what stands in them, and who works when.

    `odds_frac` are the odds from which a warning is given, tried side by side in one pass.
    """

    scene: Scene  # its zones; how `bodies` are is put in as the season goes on
    replays: Mapping[str, Replay]
    bodies: tuple[BodyFacts, ...]
    shifts: ShiftPlan
    rules: WarningRules
    odds_frac: tuple[float, ...]
    progress: Callable[[str], None] = field(default=lambda _: None)

    @property
    def start_s(self) -> float:
        """The first hour."""
        return next(iter(self.replays.values())).recording.history.start_s

    @property
    def rows(self) -> int:
        """Hours in the season."""
        return next(iter(self.replays.values())).recording.history.temperature_c.size


@dataclass(frozen=True, slots=True)
class _Truth:
    """What was measured, and what the bodies did in it."""

    humidity_frac: Mapping[str, FloatArray]
    dew_point_c: Mapping[str, FloatArray]
    path: Mapping[str, Trajectory]


@dataclass(frozen=True, slots=True)
class OddsSaid:
    """The odds last said of a shift while there was time to act, and what came."""

    shift: ShiftSpan
    probability_frac: float
    humid: bool
    courses_frac: float  # before the record of the shifts before it moved them


@dataclass(frozen=True, slots=True)
class SeasonResult:
    """Every shift scored under each of the odds tried, and what was said of it."""

    scores: Mapping[float, tuple[Score, ...]]
    said: tuple[OddsSaid, ...]


def replay_season(season: Season) -> SeasonResult:
    """Decide through the season at waking hours, and score every shift by what was measured in it."""
    truth, rows = _truth(season), _decision_rows(season)
    memories = {odds: WarningMemory() for odds in season.odds_frac}
    said: dict[str, ShiftOutlook] = {}
    first_s = season.start_s + rows[0] * HOUR_S
    whole = upcoming(season.shifts, first_s, (season.rows - rows[0]) * HOUR_S)
    over = [(shift, humid) for shift in whole if (humid := _was_humid(season, truth, shift)) is not None]
    for n, row in enumerate(rows):
        now_s = season.start_s + row * HOUR_S
        if n % 200 == 0:
            season.progress(f"{datetime.fromtimestamp(now_s, season.rules.zone):%Y-%m-%d}")
        shifts = upcoming(season.shifts, now_s, LOOK_H * HOUR_S)
        outlooks = calibrated(
            _outlooks(season, truth, shifts, row),
            calibration_of(_record(over, said, now_s)),
            season.scene.telling,
            season.scene.warn_frac,
        )
        for outlook in outlooks:
            if (
                outlook.probability_frac is not None
                and outlook.shift.start_s - now_s >= season.rules.min_lead_s
            ):
                said[outlook.shift.id] = outlook
        for odds, memory in memories.items():
            rules = season.rules.model_copy(update={"probability": odds})
            memories[odds], _ = decide(outlooks, memory, now_s, rules)
    came = [(shift, humid) for shift, humid in over if shift.start_s > first_s + DAY_H * HOUR_S]
    return SeasonResult(
        {
            odds: tuple(score(replace(memory, scores=()), shift, humid).scores[0] for shift, humid in came)
            for odds, memory in memories.items()
        },
        tuple(
            OddsSaid(shift, one.probability_frac, humid, one.courses_frac)
            for shift, humid in came
            if (one := said.get(shift.id)) is not None
            and one.probability_frac is not None
            and one.courses_frac is not None
        ),
    )


def _record(
    over: Sequence[tuple[ShiftSpan, bool]], said: Mapping[str, ShiftOutlook], now_s: float
) -> list[tuple[float, bool]]:
    """What was said of the shifts that are over, as the service remembers it."""
    found = [
        (one.courses_frac, humid)
        for shift, humid in over
        if shift.end_s <= now_s and (one := said.get(shift.id)) is not None and one.courses_frac is not None
    ]
    return found[-KEEP_SCORED:]


def _decision_rows(season: Season) -> list[int]:
    """Every few waking hours, and each shift's last good moment."""
    rows = range(SETTLED_DAYS * DAY_H, season.rows)
    local = [datetime.fromtimestamp(season.start_s + row * HOUR_S, season.rules.zone) for row in rows]
    regular = {
        row
        for row, moment in zip(rows, local, strict=True)
        if moment.hour % DECIDE_EVERY_H == 0
        and season.rules.not_before <= moment.time() <= season.rules.not_after
    }
    spans = upcoming(season.shifts, season.start_s, season.rows * HOUR_S)
    last = {int((act_by_s(s, season.rules, None) - season.start_s) // HOUR_S) for s in spans}
    return sorted(regular | {row for row in last if row in rows})


def replayed_forecast(replayed: Replay, row: int) -> ZoneForecast | None:
    """The forecast that was to be had at an hour of a replay; None where nothing was measured then."""
    history = replayed.recording.history
    air, pressure = float(history.temperature_c[row]), float(history.vapour_pressure_pa[row])
    if not (np.isfinite(air) and np.isfinite(pressure)):
        return None
    hour = (history.start_s / HOUR_S + np.arange(history.temperature_c.size, dtype=np.float64)) % DAY_H
    dew, heat = replayed.dew_point, replayed.temperature
    now = ForecastMoment(history.zone, history.start_s + row * HOUR_S, float(dew_point_c(pressure)), air)
    spreads = (
        spread_at(dew, replayed.dew_point_bands, hour, row),
        spread_at(heat, replayed.temperature_bands, hour, row),
    )
    values = (dew.value[row], heat.value[row])
    balance = dew.baseline[3, row]
    return assemble(now, values, spreads, balance, with_weather=True, notes=[])


def _outlooks(
    season: Season, truth: _Truth, shifts: Sequence[ShiftSpan], row: int
) -> tuple[ShiftOutlook, ...]:
    states = {b.id: _state(b.body, truth.path[b.id], row) for b in season.bodies}
    scene = replace(season.scene, bodies=season.bodies, states=states)
    made = {zone: replayed_forecast(replayed, row) for zone, replayed in season.replays.items()}
    forecasts = {zone: forecast for zone, forecast in made.items() if forecast is not None}
    until_s = max((shift.end_s for shift in shifts), default=None)
    ahead = look_ahead(scene, forecasts, season.start_s + row * HOUR_S, until_s)
    return shift_outlooks(scene, ahead, [s for s in shifts if s.start_s > ahead.now_s])


def _state(body: Body, path: Trajectory, row: int) -> BodyState:
    start = start_state(body, float(path.time_s[row]), float(path.skin_c[row]))
    return replace(
        start,
        content_c=float(path.content_c[row]),
        film_gm2=float(path.film_gm2[row]),
        frost_gm2=float(path.frost_gm2[row]),
    )


def _truth(season: Season) -> _Truth:
    humidity, dew, path = {}, {}, {}
    for zone, replayed in season.replays.items():
        history = replayed.recording.history
        measured = relative_humidity_frac(history.temperature_c, history.vapour_pressure_pa)
        humidity[zone] = np.minimum(measured, 1.0)
        dew[zone] = dew_point_c(history.vapour_pressure_pa)
    times = season.start_s + np.arange(season.rows, dtype=np.float64) * HOUR_S
    for body in season.bodies:
        air = _joined(season.replays[body.zone].recording.history.temperature_c)
        damp = _joined(humidity[body.zone])
        zone_ahead = season.scene.zones[body.zone]
        state = start_state(body.body, season.start_s, float(air[0]))
        path[body.id] = trajectory(
            body.body,
            state,
            times,
            air,
            damp,
            pressure_pa=zone_ahead.pressure_pa,
            draught_ms=zone_ahead.draught_ms,
            sky=zone_ahead.sky,
        )
    return _Truth(humidity, dew, path)


def _joined(values: FloatArray) -> FloatArray:
    """Straight lines over holes: a body goes on through an hour that nobody measured."""
    known = np.flatnonzero(np.isfinite(values))
    return np.interp(np.arange(values.size, dtype=np.float64), known, values[known])


def _was_humid(season: Season, truth: _Truth, shift: ShiftSpan) -> bool | None:
    """By the same limits as the outlook; None where too little was measured."""
    times = season.start_s + np.arange(season.rows, dtype=np.float64) * HOUR_S
    inside = hours_of(times, shift)
    if not inside.any() or shift.end_s > float(times[-1]):
        return None
    over, known = [], []
    for zone in season.replays:
        limits = season.scene.zones[zone]
        for limit, values in (
            (limits.limit_humidity_frac, truth.humidity_frac[zone][inside]),
            (limits.limit_dew_point_c, truth.dew_point_c[zone][inside]),
        ):
            if limit is not None:
                over.append(bool((values[np.isfinite(values)] > limit).any()))
                known.append(float(np.isfinite(values).mean()))
    for path in truth.path.values():
        near = path.margin_k[inside] < season.scene.margin_k
        over.append(bool((near | (path.film_gm2[inside] > DRY_BELOW_GM2)).any()))
    if known and min(known) < LEAST_KNOWN_FRAC and not any(over):
        return None
    return any(over) if over else None


def season_table(result: SeasonResult) -> list[str]:
    """Lines of a table: what the warnings would have come to, by the odds from which they are given."""
    lines = [
        f"{'told from':>9}{'humid':>7}{'shifts':>8}{'hits':>7}{'misses':>8}{'false alarms':>14}{'lead':>8}"
    ]
    for odds, scores in result.scores.items():
        found = tally(scores)
        lines.append(
            f"{odds:>9.0%}{found.hits + found.misses:>7}{len(scores):>8}{_share(found.hit_rate_frac):>7}"
            f"{found.misses:>8}{_share(found.false_alarm_frac):>14}{_hours(found):>8}"
        )
    return lines


def odds_table(result: SeasonResult) -> list[str]:
    """Lines of a table: the odds last said in time to act against how often the shift was humid."""
    said = np.array([one.probability_frac for one in result.said])
    came = np.array([float(one.humid) for one in result.said])
    if not said.size:
        return ["no shift could be judged"]
    base, brier = float(came.mean()), float(((said - came) ** 2).mean())
    climate = base * (1.0 - base)
    skill = f"{1.0 - brier / climate:.2f}" if climate else "-"
    lines = [f"Brier {brier:.3f}, skill over the base rate of {base:.0%}: {skill}"]
    lines.append(f"{'said':>9}{'came':>7}{'shifts':>8}")
    bins = np.digitize(said, RELIABILITY_EDGES[1:-1])
    for b in range(len(RELIABILITY_EDGES) - 1):
        inside = bins == b
        if inside.any():
            lines.append(f"{said[inside].mean():>9.0%}{came[inside].mean():>7.0%}{int(inside.sum()):>8}")
    return lines


def _share(value: float | None) -> str:
    return "-" if value is None else f"{value:.1%}"


def _hours(found: Tally) -> str:
    return "-" if found.mean_lead_h is None else f"{found.mean_lead_h:.1f} h"
