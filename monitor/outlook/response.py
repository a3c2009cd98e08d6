"""Learns how a zone answers to the outdoor air, and forecasts its dew point and temperature with odds."""

from dataclasses import dataclass, replace
from datetime import UTC, datetime, tzinfo

import numpy as np

from monitor.outlook.balance import Balance, BalanceTrack, predict_newest
from monitor.outlook.bands import bands_of
from monitor.outlook.bank import (
    BASELINES,
    Track,
    foreseen_air,
    mix,
    track,
    within_reach,
)
from monitor.outlook.early import NOTHING_KNOWN, YOUNG_DAYS, RoomsKnown, newest_of_rooms, quantity_name
from monitor.outlook.experts import AIR_EXPERT, KNOTS_H, Expert
from monitor.outlook.forecast import (
    ForecastMoment,
    ForecastSpread,
    ZoneForecast,
    assemble,
    nothing_known,
    spread_at,
)
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import (
    Drivers,
    Found,
    Space,
    drivers,
    input_columns,
    same_hour_lag_h,
    to_dew_point,
    to_space,
)
from monitor.outlook.learning import Fitted, expert_drivers

RECENT_H = 18 * DAY_H  # what `forecast` needs to look back
CARRY_H = 6  # a sensor silent for longer gets no forecast


@dataclass(frozen=True, slots=True)
class QuantityModel:
    """One quantity's bank as of a morning, with its bands and its own past errors."""

    experts: tuple[Expert, ...]
    fitted: tuple[Fitted, ...]
    air: Fitted | None
    expert_weight: FloatArray
    rooms: tuple[Fitted, ...]
    share: FloatArray
    balance: BalanceTrack
    balance_space: Space
    reach: FloatArray
    spread: ForecastSpread


@dataclass(frozen=True, slots=True)
class ZoneModel:
    """How one zone answers, as learnt up to `fitted_s`; `sighted` models use the weather, `blind` do not."""

    zone: str
    fitted_s: float
    days: float
    sighted: tuple[QuantityModel, QuantityModel] | None  # dew point, temperature
    blind: tuple[QuantityModel, QuantityModel]


def fit(history: AirHistory, outdoor: OutdoorAir | None, rooms: RoomsKnown = NOTHING_KNOWN) -> ZoneModel:
    """Learn from all the history given (best 60 days) as it stood at its last hour.

    `rooms` are those known before; they speak in the zone's first weeks.
    """
    known = np.isfinite(history.vapour_pressure_pa) & np.isfinite(history.temperature_c)
    sighted = None
    if outdoor is not None and np.isfinite(outdoor.vapour_pressure_pa).any():
        sighted = _pair(history, outdoor, rooms)
    days = float(known.sum()) / DAY_H
    return ZoneModel(history.zone, history.end_s, days, sighted, _pair(history, None, rooms))


def _pair(
    history: AirHistory, outdoor: OutdoorAir | None, rooms: RoomsKnown
) -> tuple[QuantityModel, QuantityModel]:
    def of(space: Space) -> QuantityModel:
        temperature = space is Space.TEMPERATURE
        found = track(history, outdoor, temperature=temperature, known=rooms)
        name = quantity_name(temperature=temperature, sighted=outdoor is not None)
        return _quantity(found, history, space, rooms.shape(name))

    return of(Space.VAPOUR), of(Space.TEMPERATURE)


def _quantity(
    replay: Track, history: AirHistory, balance_space: Space, shape: FloatArray | None
) -> QuantityModel:
    rows = replay.now.size
    hour = (history.start_s / HOUR_S + np.arange(rows, dtype=np.float64)) % DAY_H
    return QuantityModel(
        replay.experts,
        replay.fitted,
        replay.air,
        replay.expert_weight,
        replay.rooms,
        replay.share,
        replay.balance,
        balance_space,
        replay.reach,
        spread_at(replay, bands_of(replay, shape), hour, rows - 1),
    )


def forecast(model: ZoneModel, recent: AirHistory, outdoor: OutdoorAir | None) -> ZoneForecast:
    """The 48 hours after `recent`, whose outdoor air runs on as far as a forecast was had."""
    carried, silent_h = _carry(recent)
    if silent_h > CARRY_H:
        return nothing_known(model.zone, recent.end_s, f"no reading for more than {CARRY_H} h")
    notes = [f"the last reading is {silent_h} h old"] if silent_h else []
    dew, balance, seen = _values(model, 0, carried, outdoor)
    air, _, _ = _values(model, 1, carried, outdoor)
    pair = model.sighted if seen.any() and model.sighted else model.blind
    now_dew = float(to_space(carried.vapour_pressure_pa[-1:], Space.DEW_POINT)[0])
    return assemble(
        ForecastMoment(model.zone, recent.end_s, now_dew, float(carried.temperature_c[-1])),
        (dew, air),
        (pair[0].spread, pair[1].spread),
        balance,
        with_weather=bool(seen.any()),
        notes=notes + _notes(model, seen),
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
    rows = recent.temperature_c.size + np.array(KNOTS_H) - 1
    told = np.isfinite(outdoor.vapour_pressure_pa[rows.clip(max=outdoor.vapour_pressure_pa.size - 1)])
    seen = np.isfinite(value) & told & (rows < outdoor.vapour_pressure_pa.size)
    return np.where(seen, value, blind), balance, seen


def _bank_values(
    model: QuantityModel, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray]:
    kinds = {model.balance_space, *(expert.space for expert in model.experts)}
    spaces = {space: drivers(recent, outdoor, space) for space in kinds}
    if model.air is not None:
        air = drivers(recent, outdoor, Space.TEMPERATURE)
        expected = np.repeat(_expert_values(AIR_EXPERT, model.air, air)[None], air.zone.size, axis=0)
        foreseen = foreseen_air(expected, air.zone)
        spaces = {space: replace(d, foreseen_air_c=foreseen) for space, d in spaces.items()}
    values = np.full((len(model.experts), len(KNOTS_H)), np.nan)
    for e, (expert, fitted) in enumerate(zip(model.experts, model.fitted, strict=True)):
        d = expert_drivers(expert, spaces)
        now = float(to_dew_point(d.zone[-1:], expert.space)[0])
        values[e] = within_reach(_expert_values(expert, fitted, d), now, model.reach)
    d = spaces[model.balance_space]
    balance = to_dew_point(predict_newest(model.balance, d, KNOTS_H), model.balance_space)
    plain = _plain(d, model.balance_space)
    combined = mix(np.concatenate([values, balance[None]]), model.expert_weight)
    judged = spaces[Space.TEMPERATURE if model.balance_space is Space.TEMPERATURE else Space.DEW_POINT]
    rooms = newest_of_rooms(judged, model.rooms, sighted=outdoor is not None)
    chosen = mix(np.concatenate([np.stack([combined, *plain, balance]), rooms]), model.share)
    chosen = within_reach(chosen, plain[0], model.reach)
    fallback = plain[0] if outdoor is None else np.full(len(KNOTS_H), np.nan)
    return np.where(np.isfinite(chosen), chosen, fallback), balance


def _expert_values(expert: Expert, fitted: Fitted, d: Drivers) -> FloatArray:
    """One expert's newest forecast at the knots."""
    value, found = np.full(len(KNOTS_H), np.nan), Found()
    for k, h in enumerate(KNOTS_H):
        row = input_columns(d, h, expert.groups, found)[-1]
        value[k] = float(row @ fitted.slope[k]) + fitted.level[k] + d.zone[-1]
    return to_dew_point(value, expert.space)


def _plain(d: Drivers, space: Space) -> list[FloatArray]:
    """Persistence, the same hour yesterday, and the outdoor air, at the newest row."""
    yesterday = np.array([shifted(d.zone, h - same_hour_lag_h(h))[-1] for h in KNOTS_H])
    outdoor = np.array([d.outdoor_ahead[-1, h - 1] for h in KNOTS_H])
    return [to_dew_point(v, space) for v in (np.full(len(KNOTS_H), d.zone[-1]), yesterday, outdoor)]


def _notes(model: ZoneModel, seen: np.ndarray) -> list[str]:
    notes = []
    if model.days < YOUNG_DAYS:
        notes.append(
            f"still learning this zone, {model.days:.0f} of {YOUNG_DAYS} days: held to what is plain"
        )
    if not seen.any():
        notes.append("no weather: forecast from the zone's own history")
    elif not seen.all():
        reach = max(h for h, s in zip(KNOTS_H, seen, strict=True) if s)
        notes.append(f"weather known for {reach} h; from its own history beyond")
    source = model.sighted if seen.any() and model.sighted is not None else model.blind
    share = source[0].share
    alone = share.max(axis=0) == share.sum(axis=0)
    choice = np.where(alone, np.argmax(share, axis=0), 0).tolist()
    for c in sorted({c for c in choice if c > 0}):
        at = [h for h, used in zip(KNOTS_H, choice, strict=True) if used == c]
        notes.append(f"the models were worse than '{BASELINES[c - 1]}' of late; that is used at {_hours(at)}")
    return notes


def _hours(hours: list[int]) -> str:
    return f"{hours[0]} h" if len(hours) == 1 else f"{hours[0]} to {hours[-1]} h"


@dataclass(frozen=True, slots=True)
class Explanation:
    """What the balance says of a zone, for people."""

    exchange_lag_h: float
    thermal_lag_h: float
    wettest_hour: int
    wettest_gain_pa_h: float
    text: str


def explain(model: ZoneModel, clock: tzinfo = UTC) -> Explanation | None:
    """The zone in words, its hours on the shop's `clock`; None while the balance is not known."""
    if model.sighted is None:
        return None
    vapour, heat = (quantity.balance.newest for quantity in model.sighted)
    if vapour is None or heat is None:
        return None
    hour = int(np.argmax(vapour.gain_by_hour))
    gain = float(vapour.gain_by_hour[hour]) * 100.0
    local = datetime.fromtimestamp(model.fitted_s, UTC).replace(hour=hour).astimezone(clock)
    text = (
        f"Moisture follows the outdoor air with a lag of {_lag(vapour)}, temperature with {_lag(heat)}; "
        f"most moisture of its own comes in around {local:%H}:00."
    )
    return Explanation(vapour.lag_h, heat.lag_h, hour, gain, text)


def _lag(balance: Balance) -> str:
    return f"{balance.lag_h * 60.0:.0f} min" if balance.lag_h < 2.0 else f"{balance.lag_h:.0f} h"
