"""One zone's coming 48 hours: median, band and equally likely courses, from values and past errors."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.bands import WINDOW_DAYS, Bands
from monitor.outlook.bank import Track
from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import AHEAD_H, DAY_H, HOUR_S, FloatArray, ahead
from monitor.outlook.ridge import day_of

SAMPLES = 60
STRETCH = (0.5, 2.0)
# Half-widths taken while a zone has no errors of its own: the spread of persistence in an unheated building
# (80 %, attic of the open record, rounded up). Wide on purpose.
UNLEARNT_HALF_K = np.interp(KNOTS_H, [1, 6, 12, 24, 48], [1.0, 3.0, 4.5, 5.0, 6.5])
HOURS = np.arange(1.0, AHEAD_H + 1.0)
# Straight lines from now and the knots to every hour, as one matrix: (1 + knots, hours).
_LINES = np.stack([np.interp(HOURS, [0, *KNOTS_H], column) for column in np.eye(1 + len(KNOTS_H))])


@dataclass(frozen=True, slots=True)
class Band:
    """Median and the ends of the 80 % band, hour by hour."""

    median: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True, slots=True)
class ZoneForecast:
    """A zone's next 48 hours; samples are equally likely courses, the same row for both quantities."""

    zone: str
    issued_s: float
    now_dew_point_c: float
    now_temperature_c: float
    times_s: FloatArray
    dew_point_c: Band
    temperature_c: Band
    dew_point_samples_c: FloatArray
    temperature_samples_c: FloatArray
    balance_dew_point_c: FloatArray
    with_weather: bool
    notes: tuple[str, ...]

    @property
    def known(self) -> bool:
        """False where there was nothing to forecast from."""
        return bool(np.isfinite(self.dew_point_c.median).all())


@dataclass(frozen=True, slots=True)
class ForecastSpread:
    """How wrong one quantity's forecasts were of late: the band at the knots, and whole past error courses.

    The courses hold every hour, so that they are as rough as the air is. `stretch` scales them so that
    they fill the band; `past_hour` is the hour of day they began at.
    """

    half: FloatArray
    stretch: FloatArray
    past_error: FloatArray  # (courses, hours)
    past_hour: FloatArray


def spread_at(replay: Track, bands: Bands, hour: FloatArray, row: int) -> ForecastSpread:
    """The spread as known at a row of a replay."""
    day = int(day_of(replay.now.size)[row])
    half, raw = bands.half[day], bands.raw_half[day]
    known = np.isfinite(half)
    stretch = np.where(known & (raw > 0), half / np.where(raw > 0, raw, 1.0), 1.0).clip(*STRETCH)
    last = max(row - AHEAD_H + 1, 0)
    first = max(last - WINDOW_DAYS * DAY_H, 0)
    past = slice(first, last)
    came = ahead(replay.now[first : row + 1], last - first)
    error = came - at_every_hour(replay.now[past], replay.value[past])
    whole = np.isfinite(error).all(axis=1)
    return ForecastSpread(
        np.where(known, half, UNLEARNT_HALF_K),
        stretch,
        error[whole],
        hour[past][whole],
    )


@dataclass(frozen=True, slots=True)
class ForecastMoment:
    """Now in one zone."""

    zone: str
    time_s: float
    dew_point_c: float
    temperature_c: float


def at_every_hour(now: float | FloatArray, knots: FloatArray) -> FloatArray:
    """Values at the knots as values at every hour; one row or many."""
    first = np.broadcast_to(np.asarray(now, dtype=np.float64), knots.shape[:-1])
    joined: FloatArray = np.concatenate([first[..., None], knots], axis=-1) @ _LINES
    return joined


def assemble(
    now: ForecastMoment,
    values: tuple[FloatArray, FloatArray],
    spreads: tuple[ForecastSpread, ForecastSpread],
    balance_dew_point_c: FloatArray,
    *,
    with_weather: bool,
    notes: list[str],
) -> ZoneForecast:
    """Put a forecast together from dew point and temperature at the knots and the spread of each."""
    errors = past_courses(spreads, now.time_s / HOUR_S % DAY_H)
    bands, courses = [], []
    for start, value, spread, error in zip(
        (now.dew_point_c, now.temperature_c), values, spreads, errors, strict=True
    ):
        course = at_every_hour(start, value)
        half = at_every_hour(0.0, spread.half)
        bands.append(Band(course, course - half, course + half))
        courses.append(course + error)
    balance = at_every_hour(now.dew_point_c, balance_dew_point_c)
    apart = _disagreement(bands[0], balance)
    return ZoneForecast(
        zone=now.zone,
        issued_s=now.time_s,
        now_dew_point_c=now.dew_point_c,
        now_temperature_c=now.temperature_c,
        times_s=now.time_s + HOURS * HOUR_S,
        dew_point_c=bands[0],
        temperature_c=bands[1],
        dew_point_samples_c=np.minimum(courses[0], courses[1]),
        temperature_samples_c=courses[1],
        balance_dew_point_c=balance,
        with_weather=with_weather,
        notes=tuple(notes if apart is None else [*notes, apart]),
    )


def past_courses(spreads: tuple[ForecastSpread, ForecastSpread], hour: float) -> FloatArray:
    """Joint error courses (both quantities, courses, hours) that began nearest to this hour of day."""
    rows = min(spread.past_error.shape[0] for spread in spreads)
    if rows < SAMPLES:
        steps = np.linspace(-1.0, 1.0, SAMPLES) * 1.56  # evenly spread: 80 % of them lie within ±1.25
        return np.stack([np.outer(steps, at_every_hour(0.0, spread.half) / 1.25) for spread in spreads])
    distance = np.abs((spreads[0].past_hour[-rows:] - hour + 12.0) % DAY_H - 12.0)
    order = np.argsort(distance, kind="stable")[:SAMPLES]
    courses = []
    for spread in spreads:
        stretch = np.interp(HOURS, KNOTS_H, spread.stretch)
        courses.append(spread.past_error[-rows:][order] * stretch)
    return np.stack(courses)


def nothing_known(zone: str, time_s: float, why: str) -> ZoneForecast:
    """A forecast that says only why there is none."""
    nan, gap = float("nan"), np.full(AHEAD_H, np.nan)
    band, none = Band(gap, gap, gap), np.empty((0, AHEAD_H))
    times_s = time_s + HOURS * HOUR_S
    return ZoneForecast(zone, time_s, nan, nan, times_s, band, band, none, none, gap, False, (why,))


def _disagreement(band: Band, balance: FloatArray) -> str | None:
    """Say so where the explanation leaves the forecast's band for three hours or more."""
    outside = (balance < band.low) | (balance > band.high)
    run = np.convolve(outside, np.ones(3), mode="valid") >= 3
    if not run.any():
        return None
    hour = int(np.argmax(run)) + 1
    apart = float(balance[hour] - band.median[hour])
    word = "wetter" if apart > 0 else "drier"
    return f"the plain balance expects it {abs(apart):.1f} K {word} from {hour} h ahead: look at both"
