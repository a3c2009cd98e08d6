"""Learns how a zone answers to the outdoor air, and forecasts its dew point and temperature with odds."""

from dataclasses import dataclass

import numpy as np

from monitor.outlook.balance import Balance, BalanceTrack, predict_newest
from monitor.outlook.bands import Bands, daily_bands
from monitor.outlook.bank import (
    BASELINES,
    KNOTS_H,
    Expert,
    Fitted,
    Track,
    expert_drivers,
    judged_error,
    mix,
    track,
)
from monitor.outlook.hourly import AHEAD_H, DAY_H, HOUR_S, AirHistory, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import (
    Drivers,
    Space,
    drivers,
    input_columns,
    same_hour_lag_h,
    to_dew_point,
    to_space,
)

RECENT_H = 18 * DAY_H  # what `forecast` needs to look back
LEARNT_DAYS = 7  # below this the zone counts as not yet learnt
CARRY_H = 6  # a sensor silent for longer gets no forecast
SAMPLES = 60
# Half-widths taken while a zone has no errors of its own: the spread of persistence in an unheated building
# (80 %, attic of the open record, rounded up). Wide on purpose.
UNLEARNT_HALF_K = np.interp(KNOTS_H, [1, 6, 12, 24, 48], [1.0, 3.0, 4.5, 5.0, 6.5])


@dataclass(frozen=True, slots=True)
class QuantityModel:
    """One quantity's bank as of a morning, with its bands and its own past errors."""

    experts: tuple[Expert, ...]
    fitted: tuple[Fitted, ...]
    expert_weight: FloatArray
    choice: tuple[int, ...]
    balance: BalanceTrack
    balance_space: Space
    centre: FloatArray
    half: FloatArray
    stretch: FloatArray  # by which past errors are scaled so that they fill the band
    past_error: FloatArray  # (rows, knots)
    past_hour: FloatArray  # hour of day of each row of past_error
    mean_error: FloatArray  # mean absolute error of late, by knot
    persistence_error: FloatArray


@dataclass(frozen=True, slots=True)
class ZoneModel:
    """How one zone answers, as learnt up to `fitted_s`; `sighted` models use the weather, `blind` do not."""

    zone: str
    fitted_s: float
    days: float
    sighted: tuple[QuantityModel, QuantityModel] | None  # dew point, temperature
    blind: tuple[QuantityModel, QuantityModel]


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


def fit(history: AirHistory, outdoor: OutdoorAir | None) -> ZoneModel:
    """Learn from all the history given (best 60 days, at least 7) as it stood at its last hour."""
    known = np.isfinite(history.vapour_pressure_pa) & np.isfinite(history.temperature_c)
    sighted = None
    if outdoor is not None and np.isfinite(outdoor.vapour_pressure_pa).any():
        sighted = _pair(history, outdoor)
    days = float(known.sum()) / DAY_H
    return ZoneModel(history.zone, history.end_s, days, sighted, _pair(history, None))


def _pair(history: AirHistory, outdoor: OutdoorAir | None) -> tuple[QuantityModel, QuantityModel]:
    return (
        _quantity(track(history, outdoor, temperature=False), history, Space.VAPOUR),
        _quantity(track(history, outdoor, temperature=True), history, Space.TEMPERATURE),
    )


def _quantity(replay: Track, history: AirHistory, balance_space: Space) -> QuantityModel:
    error = replay.error
    bands = daily_bands(error)
    centre, half, stretch = _newest(bands)
    candidates = np.stack([replay.value, replay.baseline[0]])
    judged = judged_error(candidates, replay.target)[:, -1]
    whole = np.flatnonzero(np.isfinite(error).all(axis=1))
    hour = (history.start_s / HOUR_S + np.arange(error.shape[0], dtype=np.float64)) % DAY_H
    kept = whole[-28 * DAY_H :]
    return QuantityModel(
        replay.experts,
        replay.fitted,
        replay.expert_weight,
        tuple(int(c) for c in replay.choice),
        replay.balance,
        balance_space,
        centre,
        half,
        stretch,
        error[kept],
        hour[kept],
        judged[0],
        judged[1],
    )


def _newest(bands: Bands) -> tuple[FloatArray, FloatArray, FloatArray]:
    centre, half, raw = bands.centre[-1], bands.half[-1], bands.raw_half[-1]
    known = np.isfinite(half)
    stretch = np.where(known & (raw > 0), half / np.where(raw > 0, raw, 1.0), 1.0)
    return np.where(known, centre, 0.0), np.where(known, half, UNLEARNT_HALF_K), stretch


def forecast(model: ZoneModel, recent: AirHistory, outdoor: OutdoorAir | None) -> ZoneForecast:
    """The 48 hours after `recent`, whose outdoor air runs on as far as a forecast was had."""
    carried, silent_h = _carry(recent)
    if silent_h > CARRY_H:
        return _nothing(model, recent, f"no reading for more than {CARRY_H} h")
    notes = [f"the last reading is {silent_h} h old"] if silent_h else []
    dew, dew_balance, seen = _values(model, 0, carried, outdoor)
    air, _, _ = _values(model, 1, carried, outdoor)
    notes += _notes(model, seen)
    pair = model.sighted if seen.any() and model.sighted else model.blind
    hours = np.arange(1.0, AHEAD_H + 1.0)
    now_dew = float(to_space(carried.vapour_pressure_pa[-1:], Space.DEW_POINT)[0])
    dew_course = np.interp(hours, [0, *KNOTS_H], [now_dew, *dew])
    air_course = np.interp(hours, [0, *KNOTS_H], [carried.temperature_c[-1], *air])
    balance = np.interp(hours, [0, *KNOTS_H], [now_dew, *dew_balance])
    hour = recent.end_s / HOUR_S % DAY_H
    picked = _picked(pair, hour)
    dew_band, dew_samples = _spread(pair[0], dew_course, picked, hours)
    air_band, air_samples = _spread(pair[1], air_course, picked, hours)
    if (apart := _disagreement(dew_band, balance)) is not None:
        notes.append(apart)
    return ZoneForecast(
        zone=model.zone,
        issued_s=recent.end_s,
        now_dew_point_c=now_dew,
        now_temperature_c=float(carried.temperature_c[-1]),
        times_s=recent.end_s + hours * HOUR_S,
        dew_point_c=dew_band,
        temperature_c=air_band,
        dew_point_samples_c=np.minimum(dew_samples, air_samples),
        temperature_samples_c=air_samples,
        balance_dew_point_c=balance,
        with_weather=bool(seen.any()),
        notes=tuple(notes),
    )


def _carry(recent: AirHistory) -> tuple[AirHistory, int]:
    """Hold the last reading over a short silence."""
    known = np.flatnonzero(np.isfinite(recent.vapour_pressure_pa) & np.isfinite(recent.temperature_c))
    silent_h = recent.temperature_c.size - 1 - int(known[-1]) if known.size else recent.temperature_c.size
    if not 0 < silent_h <= CARRY_H:
        return recent, silent_h
    pressure, air = recent.vapour_pressure_pa.copy(), recent.temperature_c.copy()
    pressure[-silent_h:], air[-silent_h:] = pressure[known[-1]], air[known[-1]]
    held = AirHistory(
        recent.zone, recent.start_s, air, pressure, recent.door_open_frac, recent.neighbour_pressure_pa
    )
    return held, silent_h


def _values(
    model: ZoneModel, which: int, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray, np.ndarray]:
    """Values at the knots, the balance's, and at which knots the weather was used."""
    blind, blind_balance = _bank_values(model.blind[which], recent, None)
    if outdoor is None or model.sighted is None:
        return blind, blind_balance, np.zeros(len(KNOTS_H), dtype=bool)
    value, balance = _bank_values(model.sighted[which], recent, outdoor)
    seen = np.isfinite(value)
    return np.where(seen, value, blind), np.where(np.isfinite(balance), balance, np.nan), seen


def _bank_values(
    model: QuantityModel, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray]:
    kinds = {model.balance_space, *(expert.space for expert in model.experts)}
    spaces = {space: drivers(recent, outdoor, space) for space in kinds}
    values = np.full((len(model.experts), len(KNOTS_H)), np.nan)
    for e, (expert, fitted) in enumerate(zip(model.experts, model.fitted, strict=True)):
        d = expert_drivers(expert, spaces)
        for k, h in enumerate(KNOTS_H):
            row = input_columns(d, h, expert.groups)[-1]
            values[e, k] = float(row @ fitted.slope[k]) + fitted.level[k] + d.zone[-1]
        values[e] = to_dew_point(values[e], expert.space)
    d = spaces[model.balance_space]
    balance = to_dew_point(predict_newest(model.balance, d, KNOTS_H), model.balance_space)
    plain = _plain(d, model.balance_space)
    candidates = np.stack([mix(values, model.expert_weight), *plain, balance])
    chosen = candidates[list(model.choice), np.arange(len(KNOTS_H))]
    fallback = plain[0] if outdoor is None else np.full(len(KNOTS_H), np.nan)
    return np.where(np.isfinite(chosen), chosen, fallback), balance


def _plain(d: Drivers, space: Space) -> list[FloatArray]:
    """Persistence, the same hour yesterday, and the outdoor air, at the newest row."""
    yesterday = np.array([shifted(d.zone, h - same_hour_lag_h(h))[-1] for h in KNOTS_H])
    outdoor = np.array([d.outdoor_ahead[-1, h - 1] for h in KNOTS_H])
    return [to_dew_point(v, space) for v in (np.full(len(KNOTS_H), d.zone[-1]), yesterday, outdoor)]


def _picked(pair: tuple[QuantityModel, QuantityModel], hour: float) -> FloatArray:
    """Joint error courses (both quantities, courses, knots) that began nearest to this hour of day."""
    dew, air = pair
    rows = min(dew.past_error.shape[0], air.past_error.shape[0])
    if rows < SAMPLES:
        steps = np.linspace(-1.0, 1.0, SAMPLES) * 1.56  # evenly spread: 80 % of them lie within ±1.25
        return np.stack([np.outer(steps, model.half / 1.25) for model in pair])
    distance = np.abs((dew.past_hour[-rows:] - hour + 12.0) % DAY_H - 12.0)
    order = np.argsort(distance, kind="stable")[:SAMPLES]
    courses = []
    for model in pair:
        past = model.past_error[-rows:][order]
        courses.append(model.centre + (past - model.centre) * model.stretch)
    return np.stack(courses)


def _spread(
    model: QuantityModel, course: FloatArray, picked: FloatArray, hours: np.ndarray
) -> tuple[Band, FloatArray]:
    centre = np.interp(hours, [0, *KNOTS_H], [0.0, *model.centre])
    half = np.interp(hours, [0, *KNOTS_H], [0.0, *model.half])
    which = 1 if model.balance_space is Space.TEMPERATURE else 0
    errors = np.stack([np.interp(hours, [0, *KNOTS_H], [0.0, *path]) for path in picked[which]])
    return Band(course + centre, course + centre - half, course + centre + half), course + errors


def _notes(model: ZoneModel, seen: np.ndarray) -> list[str]:
    notes = []
    if model.days < LEARNT_DAYS:
        notes.append(f"still learning this zone: {model.days:.1f} of {LEARNT_DAYS} days known")
    if not seen.any():
        notes.append("no weather: forecast from the zone's own history")
    elif not seen.all():
        reach = max(h for h, s in zip(KNOTS_H, seen, strict=True) if s)
        notes.append(f"weather known for {reach} h; from its own history beyond")
    source = model.sighted if seen.any() and model.sighted is not None else model.blind
    taken = sorted({c for c in source[0].choice if c > 0})
    for c in taken:
        at = [h for h, used in zip(KNOTS_H, source[0].choice, strict=True) if used == c]
        notes.append(f"the models were worse than '{BASELINES[c - 1]}' of late; that is used at {_hours(at)}")
    return notes


def _hours(hours: list[int]) -> str:
    return f"{hours[0]} h" if len(hours) == 1 else f"{hours[0]} to {hours[-1]} h"


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


def _nothing(model: ZoneModel, recent: AirHistory, why: str) -> ZoneForecast:
    hours = np.arange(1.0, AHEAD_H + 1.0)
    gap = np.full(AHEAD_H, np.nan)
    band, none = Band(gap, gap, gap), np.empty((0, AHEAD_H))
    end_s, nan = recent.end_s, float("nan")
    times_s = end_s + hours * HOUR_S
    return ZoneForecast(model.zone, end_s, nan, nan, times_s, band, band, none, none, gap, False, (why,))


@dataclass(frozen=True, slots=True)
class Explanation:
    """What the balance says of a zone, for people."""

    exchange_lag_h: float
    thermal_lag_h: float
    wettest_hour: int
    wettest_gain_pa_h: float
    text: str


def explain(model: ZoneModel) -> Explanation | None:
    """The zone in words; None while the balance is not known."""
    if model.sighted is None:
        return None
    vapour, heat = (quantity.balance.newest for quantity in model.sighted)
    if vapour is None or heat is None:
        return None
    hour = int(np.argmax(vapour.gain_by_hour))
    gain = float(vapour.gain_by_hour[hour]) * 100.0
    text = (
        f"Moisture follows the outdoor air with a lag of {_lag(vapour)}, temperature with {_lag(heat)}; "
        f"most moisture of its own comes in around {hour:02d}:00 UTC ({gain:+.0f} Pa an hour)."
    )
    return Explanation(vapour.lag_h, heat.lag_h, hour, gain, text)


def _lag(balance: Balance) -> str:
    return f"{balance.lag_h * 60.0:.0f} min" if balance.lag_h < 2.0 else f"{balance.lag_h:.0f} h"
