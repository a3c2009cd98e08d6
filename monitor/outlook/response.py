"""Learns how a zone answers to the outdoor air, and forecasts its dew point and temperature with odds."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, tzinfo

import numpy as np
import numpy.typing as npt

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
from monitor.outlook.beside import Trial, called
from monitor.outlook.early import NOTHING_KNOWN, YOUNG_DAYS, RoomsKnown, newest_of_rooms, quantity_name
from monitor.outlook.experts import AIR_EXPERT, KNOTS_H, Expert, looking_at
from monitor.outlook.forecast import (
    ForecastMoment,
    ForecastSpread,
    ZoneForecast,
    assemble,
    nothing_known,
    spread_at,
)
from monitor.outlook.helped import combined, days_known, spoke, tried
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, BoolArray, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import (
    Drivers,
    Found,
    Space,
    drivers,
    newest_inputs,
    same_hour_lag_h,
    to_dew_point,
    to_space,
)
from monitor.outlook.learning import Fitted, expert_drivers

IntArray = npt.NDArray[np.int64]

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
    added: tuple[str, ...] = ()  # what it looks at beside the air and the weather
    helped: tuple["QuantityModel", ...] = ()  # the same with what a shop has added
    error_frac: FloatArray = field(default_factory=lambda: np.empty((0, len(KNOTS_H))))  # theirs over its own
    helped_spread: ForecastSpread | None = None  # of the forecasts with what had earned its place

    @property
    def choice(self) -> IntArray:
        """By knot which of `helped` speaks, counted from 1; 0: none has earned it."""
        shares = np.where(np.isfinite(self.error_frac), self.error_frac, np.inf)
        best: IntArray = np.argmin(np.concatenate([np.ones((1, len(KNOTS_H))), shares]), axis=0)
        return best


@dataclass(frozen=True, slots=True)
class ZoneModel:
    """How one zone answers, as learnt up to `fitted_s`; `sighted` models use the weather, `blind` do not.

    `tried`: whether what a shop has added was tried too.
    """

    zone: str
    fitted_s: float
    days: float
    sighted: tuple[QuantityModel, QuantityModel] | None  # dew point, temperature
    blind: tuple[QuantityModel, QuantityModel]
    tried: bool = True
    known_days: Mapping[str, float] = field(default_factory=dict)  # of each added input


def fit(
    history: AirHistory,
    outdoor: OutdoorAir | None,
    rooms: RoomsKnown = NOTHING_KNOWN,
    trial: Trial | None = None,
) -> ZoneModel:
    """Learn from all the history given (best 60 days) as it stood at its last hour.

    `rooms` are those known before; they speak in the zone's first weeks. What a shop has added is tried by
    the rules of a `trial`, where there is one.
    """
    known = np.isfinite(history.vapour_pressure_pa) & np.isfinite(history.temperature_c)
    sighted = None
    if outdoor is not None and np.isfinite(outdoor.vapour_pressure_pa).any():
        sighted = _pair(history, outdoor, rooms, trial)
    days, tried_too = float(known.sum()) / DAY_H, trial is not None
    blind = _pair(history, None, rooms, trial)
    known_days = days_known(history, outdoor) if tried_too else {}
    return ZoneModel(history.zone, history.end_s, days, sighted, blind, tried_too, known_days)


def _pair(
    history: AirHistory, outdoor: OutdoorAir | None, rooms: RoomsKnown, trial: Trial | None
) -> tuple[QuantityModel, QuantityModel]:
    rows = history.temperature_c.size
    hour = (history.start_s / HOUR_S + np.arange(rows, dtype=np.float64)) % DAY_H

    def of(space: Space) -> QuantityModel:
        temperature = space is Space.TEMPERATURE
        shape = rooms.shape(quantity_name(temperature=temperature, sighted=outdoor is not None))

        def spread(replay: Track) -> ForecastSpread:
            return spread_at(replay, bands_of(replay, shape), hour, rows - 1)

        base = track(history, outdoor, temperature=temperature, known=rooms)
        plain = _quantity(base, space, spread(base))
        if trial is None or not (
            sets := tried(base, history, outdoor, rooms, trial, temperature=temperature)
        ):
            return plain
        return replace(
            plain,
            helped=tuple(_quantity(one.replay, space, plain.spread, one.added) for one in sets),
            error_frac=np.stack([np.where(one.earned[-1], one.error_frac[-1], np.nan) for one in sets]),
            helped_spread=spread(combined(base, sets)),
        )

    return of(Space.VAPOUR), of(Space.TEMPERATURE)


def _quantity(
    replay: Track, balance_space: Space, spread: ForecastSpread, added: tuple[str, ...] = ()
) -> QuantityModel:
    """The newest day of a replay; of its other days nothing is held on to."""
    return QuantityModel(
        replay.experts,
        _alone(replay.fitted),
        None if replay.air is None else _alone((replay.air,))[0],
        replay.expert_weight.copy(),
        _alone(replay.rooms),
        replay.share.copy(),
        replace(replay.balance, value=replay.balance.value[-1:].copy()),
        balance_space,
        replay.reach.copy(),
        spread,
        added,
    )


def _alone(fitted: tuple[Fitted, ...]) -> tuple[Fitted, ...]:
    return tuple(Fitted(tuple(slope.copy() for slope in one.slope), one.level) for one in fitted)


def forecast(model: ZoneModel, recent: AirHistory, outdoor: OutdoorAir | None) -> ZoneForecast:
    """The 48 hours after `recent`, whose outdoor air runs on as far as a forecast was had."""
    recent, outdoor = _of_late(recent, outdoor)
    carried, silent_h = _carry(recent)
    if silent_h > CARRY_H:
        return nothing_known(model.zone, recent.end_s, f"no reading for more than {CARRY_H} h")
    notes = [f"the last reading is {silent_h} h old"] if silent_h else []
    dew, balance, seen, damp = _values(model, 0, carried, outdoor)
    air, _, _, warm = _values(model, 1, carried, outdoor)
    now_dew = float(to_space(carried.vapour_pressure_pa[-1:], Space.DEW_POINT)[0])
    return assemble(
        ForecastMoment(model.zone, recent.end_s, now_dew, float(carried.temperature_c[-1])),
        (dew, air),
        (damp, warm),
        balance,
        with_weather=bool(seen.any()),
        notes=notes + _notes(model, seen) + _not_heard(model, seen, (damp, warm)),
    )


def _of_late(recent: AirHistory, outdoor: OutdoorAir | None) -> tuple[AirHistory, OutdoorAir | None]:
    """Only as much of both as the newest row is made of: no input looks back further than `RECENT_H`."""
    rows = recent.temperature_c.size
    late = slice(max(rows - RECENT_H, 0), rows)
    if late.start == 0:
        return recent, outdoor
    neighbour = recent.neighbour_pressure_pa
    shorter = AirHistory(
        recent.zone,
        recent.start_s + late.start * HOUR_S,
        recent.temperature_c[late],
        recent.vapour_pressure_pa[late],
        None if neighbour is None else neighbour[late],
        {name: column[late] for name, column in recent.beside.items()},
    )
    return shorter, None if outdoor is None else outdoor.since(late.start)


def _carry(recent: AirHistory) -> tuple[AirHistory, int]:
    """Hold the last reading over a short silence."""
    known = np.flatnonzero(np.isfinite(recent.vapour_pressure_pa) & np.isfinite(recent.temperature_c))
    silent_h = recent.temperature_c.size - 1 - int(known[-1]) if known.size else recent.temperature_c.size
    if not 0 < silent_h <= CARRY_H:
        return recent, silent_h
    pressure, air = recent.vapour_pressure_pa.copy(), recent.temperature_c.copy()
    pressure[-silent_h:], air[-silent_h:] = pressure[known[-1]], air[known[-1]]
    held = AirHistory(recent.zone, recent.start_s, air, pressure, recent.neighbour_pressure_pa, recent.beside)
    return held, silent_h


def _values(
    model: ZoneModel, which: int, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray, BoolArray, ForecastSpread]:
    """Values at the knots, the balance's, at which knots the weather was used, and how wrong they may be."""
    blind, blind_balance, blind_spread = _with_help(model.blind[which], recent, None)
    if outdoor is None or model.sighted is None:
        return blind, blind_balance, np.zeros(len(KNOTS_H), dtype=bool), blind_spread
    value, balance, spread = _with_help(model.sighted[which], recent, outdoor)
    rows = recent.temperature_c.size + np.array(KNOTS_H) - 1
    told = np.isfinite(outdoor.vapour_pressure_pa[rows.clip(max=outdoor.vapour_pressure_pa.size - 1)])
    seen = np.isfinite(value) & told & (rows < outdoor.vapour_pressure_pa.size)
    return np.where(seen, value, blind), balance, seen, _with_blind_hours(spread, blind_spread, seen)


def _with_blind_hours(spread: ForecastSpread, blind: ForecastSpread, seen: BoolArray) -> ForecastSpread:
    """Where the weather is not known, no band is narrower than that of a forecast without it."""
    if not seen.any():
        return blind
    half = np.where(seen, spread.half, np.maximum(spread.half, blind.half))
    return replace(spread, half=half, stretch=spread.stretch * half / np.maximum(spread.half, 1e-9))


def _with_help(
    model: QuantityModel, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray, ForecastSpread]:
    """Values, the balance's, and their spread, with what was added and has earned its place.

    Where any of that is not known now, all is as it would be without: values and spread.
    """
    plain, balance = _bank_values(model, recent, outdoor)
    choice, value = model.choice, plain
    if model.helped_spread is None or not choice.any():
        return plain, balance, model.spread
    space = Space.TEMPERATURE if model.balance_space is Space.TEMPERATURE else Space.DEW_POINT
    d = drivers(recent, outdoor, space)
    for n in sorted({*choice.tolist()} - {0}):
        helped = model.helped[n - 1]
        here = (choice == n) & np.isfinite(plain)
        if here.any() and not spoke(d, helped.added)[-1][here].all():
            return plain, balance, model.spread
        value = np.where(here, _bank_values(helped, recent, outdoor)[0], value)
    return value, balance, model.helped_spread


def _not_heard(model: ZoneModel, seen: BoolArray, used: tuple[ForecastSpread, ForecastSpread]) -> list[str]:
    pair = model.sighted if seen.any() and model.sighted is not None else model.blind
    missed = {
        called(model.helped[n - 1].added)
        for model, spread in zip(pair, used, strict=True)
        for n in {*model.choice.tolist()} - {0}
        if spread.past_error is model.spread.past_error
    }
    return [f"{one} not known now: forecast as without" for one in sorted(missed)]


def _bank_values(
    model: QuantityModel, recent: AirHistory, outdoor: OutdoorAir | None
) -> tuple[FloatArray, FloatArray]:
    kinds = {model.balance_space, *(expert.space for expert in model.experts)}
    spaces = {space: drivers(recent, outdoor, space) for space in kinds}
    if model.air is not None:
        air = drivers(recent, outdoor, Space.TEMPERATURE)
        expert = looking_at(AIR_EXPERT, model.added)
        expected = np.repeat(_expert_values(expert, model.air, air, Found())[None], air.zone.size, axis=0)
        foreseen = foreseen_air(expected, air.zone)
        spaces = {space: replace(d, foreseen_air_c=foreseen) for space, d in spaces.items()}
    values = np.full((len(model.experts), len(KNOTS_H)), np.nan)
    shared: dict[tuple[Space, bool], Found] = {}  # inputs that several experts look at
    for e, (expert, fitted) in enumerate(zip(model.experts, model.fitted, strict=True)):
        d = expert_drivers(expert, spaces)
        now = float(to_dew_point(d.zone[-1:], expert.space)[0])
        found = shared.setdefault((expert.space, expert.let_in), Found())
        values[e] = within_reach(_expert_values(expert, fitted, d, found), now, model.reach)
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


def _expert_values(expert: Expert, fitted: Fitted, d: Drivers, found: Found) -> FloatArray:
    """One expert's newest forecast at the knots; `found` keeps what was computed from the same drivers."""
    value = np.full(len(KNOTS_H), np.nan)
    for k, h in enumerate(KNOTS_H):
        row = newest_inputs(d, h, expert.groups, found)
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


def explain(model: ZoneModel, clock: tzinfo = UTC) -> str:
    """The zone in words, its hours on the shop's `clock`; empty while neither balance nor helps are known."""
    return " ".join([*_balance_said(model, clock), *_help_said(model)])


def _balance_said(model: ZoneModel, clock: tzinfo) -> list[str]:
    if model.sighted is None:
        return []
    vapour, heat = (quantity.balance.newest for quantity in model.sighted)
    if vapour is None or heat is None:
        return []
    hour = int(np.argmax(vapour.gain_by_hour))
    local = datetime.fromtimestamp(model.fitted_s, UTC).replace(hour=hour).astimezone(clock)
    return [
        f"Moisture follows the outdoor air with a lag of {_lag(vapour)}, temperature with {_lag(heat)}; "
        f"most moisture of its own comes in around {local:%H}:00."
    ]


def _help_said(model: ZoneModel) -> list[str]:
    """What each added input does here, as its own record shows."""
    pair = model.sighted or model.blind
    said: dict[tuple[str, ...], list[str]] = {}
    for quantity, name in zip(pair, ("dew point", "temperature"), strict=True):
        sets = zip(quantity.helped, quantity.error_frac, strict=True)
        for n, (helped, shares) in enumerate(sets, start=1):
            told = said.setdefault(helped.added, [])
            if (quantity.choice == n).any() if len(helped.added) > 1 else np.isfinite(shares).any():
                k = int(np.nanargmin(shares))
                told.append(f"the {name} {KNOTS_H[k]} h ahead misses by {1.0 - shares[k]:.0%} less")
    helps = [
        f"With {called(added)} {' and '.join(told)}."
        if told
        else f"With {called(added)} nothing is gained here."
        for added, told in said.items()
        if told or len(added) == 1
    ]
    return helps + [
        f"Of {called((name,))} {days:.0f} days are known, too few to say whether it helps."
        for name, days in model.known_days.items()
        if (name,) not in said
    ]


def _lag(balance: Balance) -> str:
    return f"{balance.lag_h * 60.0:.0f} min" if balance.lag_h < 2.0 else f"{balance.lag_h:.0f} h"
