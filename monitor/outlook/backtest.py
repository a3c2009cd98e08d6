"""Replays a recording with rolling origins and scores the forecasts against four plain baselines."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from monitor.outlook.bands import Bands, bands_of, coverage
from monitor.outlook.bank import BASELINES, Track, track
from monitor.outlook.beside import Trial
from monitor.outlook.early import NOTHING_KNOWN, YOUNG_DAYS, RoomsKnown, quantity_name
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.helped import combined, tried
from monitor.outlook.hourly import DAY_H, AirHistory, BoolArray, FloatArray, OutdoorAir
from monitor.outlook.ridge import day_of
from monitor.physics.moist_air import relative_humidity_frac
from monitor.physics.saturation import saturation_pressure_water_pa

SHOWN_H = (3, 6, 12, 24)
EARLY_DAYS = 3  # from here on the first weeks are scored
SETTLED_DAYS = YOUNG_DAYS  # when every model has had its days
LEAST_SCORED_DAYS = 4  # so that some forecasts of a day ahead have come true
EVENT_QUANTILE = 0.8  # an event is humidity above the recording's own upper fifth, where no limit is given
EVENT_COURSES = 60
RELIABILITY_EDGES = (0.0, 0.1, 0.3, 0.5, 0.7, 0.9, 1.0)


@dataclass(frozen=True, slots=True)
class Recording:
    """One zone's record with the outdoor air beside it; `limit_humidity_frac` None: its own upper fifth.

    `tuned_on`: models were chosen and rooms learnt on its first two thirds, so its parts are told apart and
    its first weeks are not helped by what was learnt from it.
    """

    name: str
    history: AirHistory
    outdoor: OutdoorAir | None
    limit_humidity_frac: float | None = None
    tuned_on: bool = False


@dataclass(frozen=True, slots=True)
class HorizonScore:
    """Mean absolute error at one horizon, ours and the baselines' on the same hours."""

    horizon_h: int
    own: float
    baseline: tuple[float, ...]  # in the order of BASELINES
    coverage_frac: float
    width: float  # mean width of the 80 % band
    hours: int

    @property
    def over_persistence(self) -> float:
        """Error over persistence's; NaN where nothing could be scored."""
        return self.own / self.baseline[0] if self.baseline[0] else float("nan")

    @property
    def over_best(self) -> float:
        """Error over the best baseline's; NaN where nothing could be scored."""
        known = [value for value in self.baseline if np.isfinite(value)]
        return self.own / min(known) if known else float("nan")


@dataclass(frozen=True, slots=True)
class EventScore:
    """How good the odds are that humidity is over the limit, at one horizon."""

    horizon_h: int
    limit_humidity_frac: float
    base_rate_frac: float
    brier: float
    brier_climate: float
    reliability: tuple[tuple[float, float, int], ...]  # said, happened, hours; per bin

    @property
    def skill(self) -> float:
        """Brier skill score over the base rate; 1 is perfect, 0 no better than the base rate."""
        return 1.0 - self.brier / self.brier_climate if self.brier_climate else 0.0


@dataclass(frozen=True, slots=True)
class ZoneBacktest:
    """One recording, one part of it."""

    name: str
    part: str
    dew_point: tuple[HorizonScore, ...]
    temperature: tuple[HorizonScore, ...]
    humidity: tuple[HorizonScore, ...]  # in percent; of a room without weather or a balance some are missing
    events: tuple[EventScore, ...]


@dataclass(frozen=True, slots=True)
class Replay:
    """A recording replayed once; scored as often as wanted."""

    recording: Recording
    dew_point: Track
    temperature: Track
    dew_point_bands: Bands
    temperature_bands: Bands


Progress = Callable[[str], None]


def replay(recording: Recording, rooms: RoomsKnown = NOTHING_KNOWN, trial: Trial | None = None) -> Replay:
    """Forecast every hour of the record by models fitted on the days before it, and by rooms known before.

    With a `trial`, what was measured beside the air speaks from the morning on at which it has earned it.
    """
    sighted = recording.outdoor is not None
    rooms = NOTHING_KNOWN if recording.tuned_on else rooms
    tracks, bands = [], []
    for temperature in (False, True):
        found = track(recording.history, recording.outdoor, temperature=temperature, known=rooms)
        if trial is not None:
            sets = tried(found, recording.history, recording.outdoor, rooms, trial, temperature=temperature)
            found = combined(found, sets)
        tracks.append(found)
        shape = rooms.shape(quantity_name(temperature=temperature, sighted=sighted))
        bands.append(bands_of(tracks[-1], shape))
    return Replay(recording, tracks[0], tracks[1], bands[0], bands[1])


def backtest(
    recordings: Sequence[Recording],
    progress: Progress,
    split_frac: float = 2 / 3,
    rooms: RoomsKnown = NOTHING_KNOWN,
    trial: Trial | None = None,
) -> tuple[ZoneBacktest, ...]:
    """Every recording with its parts."""
    found: list[ZoneBacktest] = []
    for recording in recordings:
        progress(recording.name)
        found += parts(replay(recording, rooms, trial), split_frac)
    return tuple(found)


def parts(replayed: Replay, split_frac: float = 2 / 3) -> tuple[ZoneBacktest, ...]:
    """The first weeks of a replay, and what follows; of a record that was tuned on, both its parts too."""
    rows, settled = replayed.recording.history.temperature_c.size, SETTLED_DAYS * DAY_H
    cut = int(rows * split_frac)
    spans = [("first weeks", EARLY_DAYS * DAY_H, min(settled, rows))]
    if replayed.recording.tuned_on:
        spans += [("tuned on", settled, cut), ("untouched", max(cut, settled), rows)]
    spans += [("whole", settled, rows)]
    return tuple(score_rows(replayed, *span) for span in spans)


def score_rows(replayed: Replay, part: str, first: int, last: int) -> ZoneBacktest:
    """Score the origins of some rows."""
    rows = np.zeros(replayed.dew_point.target.shape[0], dtype=bool)
    rows[first:last] = True
    return ZoneBacktest(
        replayed.recording.name,
        part,
        _scores(replayed.dew_point, replayed.dew_point_bands, rows),
        _scores(replayed.temperature, replayed.temperature_bands, rows),
        _humidity_scores(replayed, rows),
        tuple(_event(replayed, h, rows) for h in (12, 24)),
    )


def _scores(replayed: Track, bands: Bands, rows: BoolArray) -> tuple[HorizonScore, ...]:
    error = np.where(rows[:, None], replayed.error, np.nan)
    held = coverage(error, bands)
    width = 2.0 * bands.half[day_of(rows.size)]
    found = []
    for h in SHOWN_H:
        k = KNOTS_H.index(h)
        use = np.isfinite(error[:, k])
        size = np.abs(replayed.baseline[:, use, k] - replayed.target[use, k])
        baseline = tuple(_mean(column) for column in size)
        own, hours = _mean(np.abs(error[use, k])), int(use.sum())
        found.append(HorizonScore(h, own, baseline, float(held[k]), _mean(width[use, k]), hours))
    return tuple(found)


def _humidity_scores(replayed: Replay, rows: BoolArray) -> tuple[HorizonScore, ...]:
    """The same of relative humidity, which follows from both quantities, in percent."""
    dew, air, found = replayed.dew_point, replayed.temperature, []
    for h in SHOWN_H:
        k = KNOTS_H.index(h)
        target = 100.0 * _humidity(air.target[:, k], dew.target[:, k])
        value = 100.0 * _humidity(air.value[:, k], dew.value[:, k])
        plain = 100.0 * _humidity(air.baseline[:, :, k], dew.baseline[:, :, k])
        low, high = (100.0 * edge for edge in humidity_band(replayed, k))
        use = rows & np.isfinite(target) & np.isfinite(value)
        banded = use & np.isfinite(low)
        held = (target >= low) & (target <= high)
        found.append(
            HorizonScore(
                h,
                _mean(np.abs(value - target)[use]),
                tuple(_mean(np.abs(one - target)[use]) for one in plain),
                _mean(held[banded].astype(np.float64)),
                _mean((high - low)[banded]),
                int(use.sum()),
            )
        )
    return tuple(found)


def humidity_band(replayed: Replay, knot: int) -> tuple[FloatArray, FloatArray]:
    """The ends of the 80 % band of humidity at a knot, by hour: joint past errors laid on the values."""
    low, high = (np.full(replayed.dew_point.now.size, np.nan) for _ in range(2))
    for block, courses in _humidity_courses(replayed, knot):
        low[block], high[block] = np.quantile(courses, (0.1, 0.9), axis=1)
    return low, high


def _mean(values: FloatArray) -> float:
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else float("nan")


def _event(replayed: Replay, horizon_h: int, rows: BoolArray) -> EventScore:
    k = KNOTS_H.index(horizon_h)
    target = _humidity(replayed.temperature.target[:, k], replayed.dew_point.target[:, k])
    limit = replayed.recording.limit_humidity_frac
    if limit is None:
        measured = target[np.isfinite(target)]
        limit = float(np.quantile(measured, EVENT_QUANTILE)) if measured.size else float("nan")
    odds = event_odds(replayed, k, limit)
    use = rows & np.isfinite(target) & np.isfinite(odds)
    happened, said = (target[use] > limit).astype(np.float64), odds[use]
    base = float(happened.mean()) if happened.size else float("nan")
    bins = np.clip(np.digitize(said, RELIABILITY_EDGES[1:-1]), 0, len(RELIABILITY_EDGES) - 2)
    table = tuple(
        (float(said[bins == b].mean()), float(happened[bins == b].mean()), int((bins == b).sum()))
        for b in range(len(RELIABILITY_EDGES) - 1)
        if (bins == b).any()
    )
    brier = float(((said - happened) ** 2).mean()) if happened.size else float("nan")
    return EventScore(horizon_h, limit, base, brier, base * (1.0 - base), table)


def event_odds(replayed: Replay, knot: int, limit_humidity_frac: float) -> FloatArray:
    """Odds by hour that humidity at a knot is over a limit: joint past errors laid on the values."""
    odds = np.full(replayed.dew_point.now.size, np.nan)
    for block, courses in _humidity_courses(replayed, knot):
        odds[block] = (courses > limit_humidity_frac).mean(axis=1)
    return odds


def _humidity_courses(replayed: Replay, knot: int) -> Iterator[tuple[slice, FloatArray]]:
    """Day by day, equally likely humidities at a knot (hours of the day, courses)."""
    dew, air = replayed.dew_point, replayed.temperature
    rows, h = dew.target.shape[0], KNOTS_H[knot]
    joint = np.isfinite(dew.error[:, knot]) & np.isfinite(air.error[:, knot])
    for start in np.flatnonzero(np.diff(day_of(rows), prepend=-1)).tolist():
        known = np.flatnonzero(joint[max(start - 28 * DAY_H, 0) : max(start - h, 0)])
        if known.size < EVENT_COURSES:
            continue
        picked = known[np.linspace(0, known.size - 1, EVENT_COURSES).astype(int)]
        picked += max(start - 28 * DAY_H, 0)
        block = slice(start, min(start + DAY_H, rows))
        air_c = air.value[block, knot][:, None] + air.error[picked, knot]
        dew_c = dew.value[block, knot][:, None] + dew.error[picked, knot]
        yield block, _humidity(air_c, dew_c)


def _humidity(air_c: FloatArray, dew_c: FloatArray) -> FloatArray:
    return np.minimum(relative_humidity_frac(air_c, saturation_pressure_water_pa(dew_c)), 1.0)


def too_short(recording: Recording) -> str:
    """Why nothing of a recording can be scored yet; empty where it can."""
    days = recording.history.temperature_c.size / DAY_H
    least = EARLY_DAYS + LEAST_SCORED_DAYS
    if days >= least:
        return ""
    return (
        f"forecasts are scored from the {EARLY_DAYS + 1}th day on, so it takes {least} at least: let it "
        f"measure {least - days:.0f} days more"
    )


Quantity = Literal["dew_point", "temperature", "humidity"]


def error_table(found: Sequence[ZoneBacktest], of: Quantity = "dew_point") -> list[str]:
    """Lines of a table: our error, its ratio to persistence and to the best baseline, and coverage."""
    lines = [f"{'recording':<22}{'part':<12}" + "".join(f"{h:>3} h own /pers /best cover |" for h in SHOWN_H)]
    for one in found:
        scores: tuple[HorizonScore, ...] = getattr(one, of)
        cells = (
            f"{_cell(s.own, 9, '.2f')} {_cell(s.over_persistence, 5, '.2f')} {_cell(s.over_best, 5, '.2f')} "
            f"{_cell(s.coverage_frac, 4, '.0%')} |"
            for s in scores
        )
        lines.append(f"{one.name:<22}{one.part:<12}" + "".join(cells))
    return lines


def _cell(value: float, width: int, form: str) -> str:
    """A number in its column; a dash where there is none."""
    return f"{value:>{width}{form}}" if np.isfinite(value) else f"{'-':>{width}}"


def baseline_table(found: Sequence[ZoneBacktest]) -> list[str]:
    """Lines of a table: mean absolute dew-point error of ours and of each baseline."""
    lines = [f"{'recording':<22}{'part':<12}{'model':<22}" + "".join(f"{h:>6} h" for h in SHOWN_H)]
    for one in found:
        names = ("own", *BASELINES)
        for n, name in enumerate(names):
            values = [s.own if n == 0 else s.baseline[n - 1] for s in one.dew_point]
            lines.append(
                f"{one.name:<22}{one.part:<12}{name:<22}" + "".join(_cell(v, 8, ".2f") for v in values)
            )
    return lines


def event_table(found: Sequence[ZoneBacktest]) -> list[str]:
    """Lines of a table: Brier score and skill, and how often what was said came true."""
    lines = [
        f"{'recording':<22}{'part':<12}{'h':>3}{'limit':>7}{'rate':>6}{'Brier':>7}{'skill':>7}  said>came"
    ]
    for one in found:
        for e in one.events:
            pairs = " ".join(f"{said:.2f}>{came:.2f}" for said, came, _ in e.reliability)
            lines.append(
                f"{one.name:<22}{one.part:<12}{e.horizon_h:>3}{_cell(e.limit_humidity_frac, 7, '.0%')}"
                f"{_cell(e.base_rate_frac, 6, '.0%')}{_cell(e.brier, 7, '.3f')}{_cell(e.skill, 7, '.2f')}"
                f"  {pairs}"
            )
    return lines
