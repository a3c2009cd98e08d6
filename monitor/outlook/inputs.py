"""The physical inputs of the forecaster: what drives a zone's air from now to an hour ahead."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum
from functools import partial

import numpy as np

from monitor.model.reading import CONTACTS, Quantity
from monitor.outlook.beside import SOURCES, SUN, contact_columns, source_columns, sun_columns
from monitor.outlook.hourly import (
    AHEAD_H,
    DAY_H,
    HOUR_S,
    AirHistory,
    FloatArray,
    OutdoorAir,
    ahead,
    shifted,
    trailing_mean,
)
from monitor.physics.saturation import dew_point_c, saturation_pressure_water_pa

LEAST_PRESSURE_PA = 1.0
HARMONICS, FINER_HARMONICS = 2, 4  # of the day
MILD_C = 10.0
RESPONSE_TIMES_H = (2.0, 8.0, 30.0)  # air change of a leaky bay, of a tight hall, moisture held by walls
_NO_COLUMNS = ("space", "sighted", "beside")
WEEK_H = 7 * DAY_H
CAP_DAYS, CAP_QUANTILE = 14, 0.95


class Space(StrEnum):
    """In which quantity a model is linear: vapour mixes linearly, dew point is what is judged."""

    VAPOUR = "vapour pressure, hPa"
    DEW_POINT = "dew point, degC"
    TEMPERATURE = "temperature, degC"


@dataclass(frozen=True, slots=True)
class Drivers:
    """One quantity of a zone in one space, with what drives it; one row an hour.

    `zone`, `outdoor` and `outdoor_ahead` (rows, 48) are the quantity itself; `air_c`, `outdoor_air_c` and
    `outdoor_air_ahead_c` are temperatures; `saturated` is the quantity at saturation; `neighbour` that of
    the other zones; `foreseen_air_c` (rows, 48) the indoor air that a temperature model expects.
    """

    hour: FloatArray
    zone: FloatArray
    outdoor: FloatArray
    outdoor_ahead: FloatArray
    air_c: FloatArray
    outdoor_air_c: FloatArray
    outdoor_air_ahead_c: FloatArray
    saturated: FloatArray | None = None
    neighbour: FloatArray | None = None
    foreseen_air_c: FloatArray | None = None
    humidity_frac: FloatArray | None = None
    sun_wm2: FloatArray | None = None
    sun_ahead_wm2: FloatArray | None = None
    beside: Mapping[Quantity, FloatArray] = field(default_factory=dict)
    sighted: bool = True  # False: nothing is told of the outdoor air
    space: Space = Space.TEMPERATURE

    def last(self, rows: int) -> "Drivers":
        """Only the newest rows."""
        return self._rows(slice(-rows, None))

    def first(self, rows: int) -> "Drivers":
        """Only the oldest rows."""
        return self._rows(slice(rows))

    def _rows(self, rows: slice) -> "Drivers":
        held = {name: getattr(self, name) for name in self.__slots__ if name not in _NO_COLUMNS}
        part = {name: column[rows] for name, column in held.items() if column is not None}
        return replace(self, **part, beside={name: column[rows] for name, column in self.beside.items()})


def to_space(pressure_pa: FloatArray, space: Space) -> FloatArray:
    """Vapour pressure in the quantity a model works in."""
    floored = np.maximum(pressure_pa, LEAST_PRESSURE_PA)
    return dew_point_c(floored) if space is Space.DEW_POINT else floored / 100.0


def to_dew_point(value: FloatArray, space: Space) -> FloatArray:
    """A model's result as dew point (or as temperature, which stays what it is)."""
    if space is Space.VAPOUR:
        return dew_point_c(np.maximum(value * 100.0, LEAST_PRESSURE_PA))
    return value


def drivers(history: AirHistory, outdoor: OutdoorAir | None, space: Space) -> Drivers:
    """Collect what a space's models look at; without outdoor air its inputs are all missing."""
    rows, sighted = history.temperature_c.size, outdoor is not None
    if outdoor is None:
        nothing = np.full(rows, np.nan)
        outdoor = OutdoorAir(nothing, nothing)
    hour = (history.start_s / HOUR_S + np.arange(rows, dtype=np.float64)) % DAY_H
    air_ahead = _issued_or_actual(outdoor.temperature_c, outdoor.issued_temperature_c, rows)
    outdoor_air, sun = outdoor.temperature_c[:rows], outdoor.sun_wm2
    told = outdoor.issued_sun_wm2  # where none was told, nothing is learnt of it
    sun_ahead = ahead(sun, rows) if sun is not None and told is None else told
    air = (history.temperature_c, outdoor_air, air_ahead)
    warm = Drivers(
        hour,
        *air,
        *air,
        sun_wm2=None if sun is None else sun[:rows],
        sun_ahead_wm2=sun_ahead,
        beside=history.beside,
        sighted=sighted,
    )
    if space is Space.TEMPERATURE:
        return warm
    pressure_ahead = _issued_or_actual(outdoor.vapour_pressure_pa, outdoor.issued_pressure_pa, rows)
    neighbour, saturation_pa = (
        history.neighbour_pressure_pa,
        saturation_pressure_water_pa(history.temperature_c),
    )
    return replace(
        warm,
        zone=to_space(history.vapour_pressure_pa, space),
        outdoor=to_space(outdoor.vapour_pressure_pa[:rows], space),
        outdoor_ahead=to_space(pressure_ahead, space) if sighted else pressure_ahead,
        saturated=to_space(saturation_pa, space),
        neighbour=None if neighbour is None else to_space(neighbour, space),
        humidity_frac=history.vapour_pressure_pa / saturation_pa,
        space=space,
    )


def let_in(d: Drivers) -> Drivers:
    """The outdoor air as far as the zone lets it in: no further than the zone itself has been of late.

    A dehumidified store follows dry outdoor air and stands still at its set point in wet; the same holds
    for a cabinet. In a zone without a dryer the limit lies above the outdoor air and changes little.
    """
    limit = np.full(d.zone.size, np.inf)
    for start in np.flatnonzero(d.hour < 1.0).tolist():
        recent = d.zone[max(0, start - CAP_DAYS * DAY_H) : start]
        recent = recent[np.isfinite(recent)]
        if recent.size >= DAY_H:
            limit[start:] = np.quantile(recent, CAP_QUANTILE)
    capped_ahead = np.minimum(d.outdoor_ahead, limit[:, None])
    return replace(d, outdoor=np.minimum(d.outdoor, limit), outdoor_ahead=capped_ahead)


def _issued_or_actual(actual: FloatArray, issued: FloatArray | None, rows: int) -> FloatArray:
    came = ahead(actual, rows)
    return came if issued is None else np.where(np.isfinite(issued), issued, came)


def same_hour_lag_h(horizon_h: int) -> int:
    """How far back the target's hour of day was last seen, counted from the target."""
    return DAY_H * -(-horizon_h // DAY_H)


def _same_hour(d: Drivers, h: int) -> list[FloatArray]:
    return [shifted(d.zone, h - same_hour_lag_h(h)) - d.zone]


def _exchange(d: Drivers, h: int) -> list[FloatArray]:
    """Driving difference now, on the way, and at the target."""
    coming = d.outdoor_ahead[:, :h].mean(axis=1)
    return [coming - d.zone, d.outdoor_ahead[:, h - 1] - d.zone, d.outdoor - d.zone]


def _memory(d: Drivers, h: int) -> list[FloatArray]:
    """Outdoor air as first-order systems of several speeds would feel it."""
    since = h - np.arange(1, h + 1)
    found = []
    for time_h in RESPONSE_TIMES_H:
        weight = np.exp(-since / time_h)
        found.append(d.outdoor_ahead[:, :h] @ (weight / weight.sum()) - d.zone)
    return found


def _heat(d: Drivers, h: int) -> list[FloatArray]:
    """Heat drives moisture out of walls and goods."""
    coming = d.outdoor_air_ahead_c[:, :h].mean(axis=1)
    lag = shifted(d.air_c, h - same_hour_lag_h(h))
    return [
        coming - d.air_c,
        d.outdoor_air_ahead_c[:, h - 1] - d.air_c,
        d.outdoor_air_c - d.air_c,
        lag - d.air_c,
    ]


def _past_day(d: Drivers, _: int) -> list[FloatArray]:
    return [trailing_mean(d.zone, DAY_H) - d.zone]


def _past_day_outdoor(d: Drivers, _: int) -> list[FloatArray]:
    return [trailing_mean(d.outdoor, DAY_H) - d.outdoor]


def _trend(d: Drivers, _: int) -> list[FloatArray]:
    return [d.zone - shifted(d.zone, -1), d.zone - shifted(d.zone, -3)]


def _trend_outdoor(d: Drivers, _: int) -> list[FloatArray]:
    return [d.outdoor - shifted(d.outdoor, -3)]


def _older_days(d: Drivers, h: int) -> list[FloatArray]:
    lag = same_hour_lag_h(h)
    days = [shifted(d.zone, h - lag - DAY_H * n) for n in range(3)]
    return [days[1] - d.zone, (days[0] + days[1] + days[2]) / 3.0 - d.zone]


def _unlike_yesterday(d: Drivers, h: int) -> list[FloatArray]:
    return [shifted(d.outdoor, h - same_hour_lag_h(h)) - d.outdoor_ahead[:, h - 1]]


def _coming(d: Drivers, h: int) -> list[FloatArray]:
    """How far the outdoor air will leave its past day."""
    past = trailing_mean(d.outdoor, DAY_H)
    return [d.outdoor_ahead[:, :h].mean(axis=1) - past, d.outdoor_ahead[:, h - 1] - past]


def _saturation(d: Drivers, _: int) -> list[FloatArray]:
    return [] if d.saturated is None else [d.zone - d.saturated]


def _warming(d: Drivers, _: int) -> list[FloatArray]:
    return [d.air_c - trailing_mean(d.air_c, DAY_H), d.air_c - shifted(d.air_c, -3)]


def _warming_outdoors(d: Drivers, h: int) -> list[FloatArray]:
    coming = d.outdoor_air_ahead_c[:, :h].mean(axis=1)
    return [coming - trailing_mean(d.outdoor_air_c, DAY_H)]


def _held_humidity(d: Drivers, h: int) -> list[FloatArray]:
    """Where walls and goods that keep the relative humidity would take the zone as its air warms."""
    if d.foreseen_air_c is None or d.humidity_frac is None:
        return []
    saturation_pa = saturation_pressure_water_pa(d.foreseen_air_c[:, h - 1])
    return [
        to_space(humidity * saturation_pa, d.space) - d.zone
        for humidity in (d.humidity_frac, trailing_mean(d.humidity_frac, DAY_H))
    ]


def _season(d: Drivers, h: int) -> list[FloatArray]:
    """Windows are opened when it is mild: what exchange and the past day do, by the outdoor air."""
    mild = (d.outdoor_air_ahead_c[:, :h].mean(axis=1) - MILD_C) / MILD_C
    coming = d.outdoor_ahead[:, :h].mean(axis=1)
    return [(coming - d.zone) * mild, (trailing_mean(d.zone, DAY_H) - d.zone) * mild]


def _extremes(d: Drivers, h: int) -> list[FloatArray]:
    on_the_way = d.outdoor_ahead[:, :h]
    return [on_the_way.max(axis=1) - d.zone, on_the_way.min(axis=1) - d.zone]


def _past_week(d: Drivers, _: int) -> list[FloatArray]:
    return [trailing_mean(d.zone, 3 * DAY_H) - d.zone, trailing_mean(d.zone, WEEK_H) - d.zone]


def _past_week_outdoor(d: Drivers, _: int) -> list[FloatArray]:
    return [trailing_mean(d.outdoor, 3 * DAY_H) - d.outdoor]


def _week_ago(d: Drivers, h: int) -> list[FloatArray]:
    return [shifted(d.zone, h - WEEK_H) - d.zone]


def _daily_profile(d: Drivers, h: int) -> list[FloatArray]:
    """The hour's usual place within the day, over a week, at the target and now."""
    week = trailing_mean(d.zone, WEEK_H)
    first = same_hour_lag_h(h) // DAY_H
    target = [shifted(d.zone, h - DAY_H * n) for n in range(first, 8)]
    now = [shifted(d.zone, -DAY_H * n) for n in range(1, 8)]
    return [sum(target) / len(target) - week, sum(now) / len(now) - week]


def _neighbour(d: Drivers, h: int) -> list[FloatArray]:
    if d.neighbour is None:
        return []
    return [
        d.neighbour - d.zone,
        trailing_mean(d.neighbour, DAY_H) - trailing_mean(d.zone, DAY_H),
        shifted(d.neighbour, h - same_hour_lag_h(h)) - d.neighbour,
    ]


def _finer_hours(d: Drivers, h: int) -> list[FloatArray]:
    return harmonics(d.hour, h, first=HARMONICS + 1, last=FINER_HARMONICS)


def _beside(d: Drivers, quantity: Quantity) -> FloatArray:
    """What was added, not known where it is not measured any more: a model may still look for it."""
    return d.beside.get(quantity, np.full(d.zone.size, np.nan))


def _contact(quantity: Quantity, d: Drivers, h: int) -> list[FloatArray]:
    if not d.sighted:
        return contact_columns(_beside(d, quantity), None, None, h)
    drive = d.outdoor_ahead[:, :h].mean(axis=1) - d.zone
    return contact_columns(_beside(d, quantity), d.outdoor - d.zone, drive, h)


def _source(quantity: Quantity, d: Drivers, h: int) -> list[FloatArray]:
    return source_columns(_beside(d, quantity), h)


def _sun(d: Drivers, h: int) -> list[FloatArray]:
    rows = d.zone.size
    sun = np.full(rows, np.nan) if d.sun_wm2 is None else d.sun_wm2
    ahead_wm2 = np.full((rows, AHEAD_H), np.nan) if d.sun_ahead_wm2 is None else d.sun_ahead_wm2
    return sun_columns(sun, ahead_wm2, h, RESPONSE_TIMES_H[1])


GROUPS: dict[str, Callable[[Drivers, int], list[FloatArray]]] = {
    "same hour": _same_hour,
    "exchange": _exchange,
    "memory": _memory,
    "heat": _heat,
    "past day": _past_day,
    "past day outdoor": _past_day_outdoor,
    "trend": _trend,
    "trend outdoor": _trend_outdoor,
    "older days": _older_days,
    "unlike yesterday": _unlike_yesterday,
    "coming": _coming,
    "saturation": _saturation,
    "warming": _warming,
    "warming outdoors": _warming_outdoors,
    "held humidity": _held_humidity,
    "season": _season,
    "extremes": _extremes,
    "past week": _past_week,
    "past week outdoor": _past_week_outdoor,
    "week ago": _week_ago,
    "daily profile": _daily_profile,
    "neighbour": _neighbour,
    "finer hours": _finer_hours,
    SUN: _sun,
    **{quantity: partial(_contact, quantity) for quantity in CONTACTS},
    **{quantity: partial(_source, quantity) for quantity in SOURCES},
}
ANY_HORIZON = frozenset(
    {"past day", "past day outdoor", "trend", "trend outdoor", "warming", "saturation", "past week"}
    | {"past week outdoor"}
)
Found = dict[tuple[str, int], list[FloatArray]]


def harmonics(hour: FloatArray, horizon_h: int, first: int = 1, last: int = HARMONICS) -> list[FloatArray]:
    """Sine and cosine of the target's hour of day; rows are hours, so one day of them says all."""
    phase = 2.0 * np.pi * ((hour[:DAY_H] + horizon_h) % DAY_H) / DAY_H
    waves = (wave(n * phase) for n in range(first, last + 1) for wave in (np.sin, np.cos))
    days = -(-hour.size // DAY_H)
    return [np.broadcast_to(wave, (days, wave.size)).ravel()[: hour.size] for wave in waves]


def group_columns(d: Drivers, horizon_h: int, groups: Sequence[str], found: Found) -> FloatArray:
    """The inputs of some groups alone, without the hour of day: (rows, inputs)."""
    columns = [column for name in groups for column in _found(d, horizon_h, name, found)]
    return np.stack(columns, axis=1)


def _found(d: Drivers, horizon_h: int, name: str, found: Found) -> list[FloatArray]:
    key = (name, 0 if name in ANY_HORIZON else horizon_h)
    if key not in found:
        found[key] = GROUPS[name](d, horizon_h)
    return found[key]


def newest_inputs(d: Drivers, horizon_h: int, groups: Sequence[str], found: Found) -> FloatArray:
    """The newest row of `input_table`, shape (inputs,)."""
    columns = [column for name in groups for column in _found(d, horizon_h, name, found)]
    return np.array([column[-1] for column in (*columns, *harmonics(d.hour[-1:], horizon_h))])


def input_table(
    d: Drivers, horizon_h: int, groups: Sequence[str], found: Found | None = None
) -> tuple[FloatArray, dict[str, list[int]]]:
    """The inputs of one horizon (rows, inputs), and in which columns each group stands.

    A row with anything missing holds NaN. The daily waves come last, as "hours". `found` keeps what was
    computed before from the same drivers.
    """
    if not 1 <= horizon_h <= AHEAD_H:
        raise ValueError(horizon_h)
    found = {} if found is None else found
    columns: list[FloatArray] = []
    place = {}
    for name in groups:
        here = _found(d, horizon_h, name, found)
        place[name] = list(range(len(columns), len(columns) + len(here)))
        columns += here
    waves = harmonics(d.hour, horizon_h)
    place["hours"] = list(range(len(columns), len(columns) + len(waves)))
    return np.stack(columns + waves, axis=1), place
