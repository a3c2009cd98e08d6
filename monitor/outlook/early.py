"""A zone's first weeks: plain rules and rooms known before, mixed by their own errors."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from monitor.outlook.experts import KNOTS_H
from monitor.outlook.hourly import DAY_H, AirHistory, BoolArray, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import Drivers, Found, Space, drivers, group_columns, to_dew_point
from monitor.outlook.learning import Fitted
from monitor.outlook.ridge import daily_sums, day_of

YOUNG_DAYS = 24  # known hours of so many days, and a zone's own models have had theirs
SIGHTED = ("same hour", "past day", "past day outdoor", "unlike yesterday", "trend", "coming", "exchange")
BLIND = ("same hour", "past day", "trend")
HELD_DAYS = 20.0  # of the zone's own hours that speak against what other rooms did before it is given up
WINDOW_DAYS = 28
FIRST_H = 24.0  # judged hours that speak for what was thought of a candidate beforehand
POWER = 3.0  # weight = (least error / own error) ** power
UNJUDGED = 24  # a candidate that may be far off has no voice before so many judged hours


@dataclass(frozen=True, slots=True)
class KnownRoom:
    """How a room known before answered: slopes by quantity ("temperature_blind", …), each (knots, inputs).

    It says nothing of a quantity that it has no slopes of. `anywhere`: may be believed in a new zone before
    anything was judged there.
    """

    name: str
    anywhere: bool
    slope: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True)
class RoomsKnown:
    """What is known before a zone has spoken: rooms, and how sizes of errors lie about a zone's own changes.

    `error_shape` by quantity: quantiles of |error| over the mean change of so many hours, (knots, levels).
    """

    rooms: tuple[KnownRoom, ...] = ()
    error_shape: Mapping[str, FloatArray] | None = None

    def shape(self, name: str) -> FloatArray | None:
        """That of one quantity, None where nothing is known."""
        return None if self.error_shape is None else self.error_shape[name]

    def of(self, name: str) -> tuple[KnownRoom, ...]:
        """The rooms that say something of one quantity."""
        return tuple(room for room in self.rooms if name in room.slope)


NOTHING_KNOWN = RoomsKnown()


def rooms_known(data: Mapping[str, Any]) -> RoomsKnown:
    """Read the reference data of rooms known before."""
    rooms = tuple(
        KnownRoom(
            row["name"],
            bool(row["anywhere"]),
            {name: np.array(columns, dtype=np.float64) for name, columns in row["slope"].items()},
        )
        for row in data["room"]
    )
    size = data["error_shape"]["size"]
    return RoomsKnown(rooms, {name: np.array(columns, dtype=np.float64) for name, columns in size.items()})


def quantity_name(*, temperature: bool, sighted: bool) -> str:
    """Under which name a quantity's numbers stand in the data."""
    return f"{'temperature' if temperature else 'dew_point'}_{'weather' if sighted else 'blind'}"


def groups_of(*, sighted: bool) -> tuple[str, ...]:
    """What such a model looks at."""
    return SIGHTED if sighted else BLIND


def replay_rooms(
    d: Drivers, rooms: Sequence[KnownRoom], name: str, *, sighted: bool
) -> tuple[FloatArray, tuple[Fitted, ...]]:
    """What each room would have foretold (rooms, rows, knots), and its newest slopes.

    Its answer is carried day by day towards what the zone itself does.
    """
    rows, found, day = d.zone.size, Found(), day_of(d.zone.size)
    value = np.full((len(rooms), rows, len(KNOTS_H)), np.nan)
    if not rooms:
        return value, ()
    slopes: list[list[FloatArray]] = [[] for _ in rooms]
    levels = np.zeros((len(rooms), len(KNOTS_H)))
    for k, h in enumerate(KNOTS_H):
        inputs = group_columns(d, h, groups_of(sighted=sighted), found)
        sums = daily_sums(inputs, shifted(d.zone, h) - d.zone, horizon_h=h)
        for n, room in enumerate(rooms):
            fits = sums.towards(room.slope[name][k], WINDOW_DAYS, HELD_DAYS)
            value[n, :, k] = to_dew_point(fits.predict(inputs, day) + d.zone, d.space)
            slopes[n].append(fits.slope[-1])
            levels[n, k] = fits.level[-1]
    return value, tuple(Fitted(tuple(slopes[n]), levels[n]) for n in range(len(rooms)))


def newest_of_rooms(d: Drivers, fitted: Sequence[Fitted], *, sighted: bool) -> FloatArray:
    """The newest row's forecasts at the knots: (rooms, knots)."""
    found, value = Found(), np.full((len(fitted), len(KNOTS_H)), np.nan)
    for k, h in enumerate(KNOTS_H):
        row = group_columns(d, h, groups_of(sighted=sighted), found)[-1]
        for n, one in enumerate(fitted):
            value[n, k] = float(row @ one.slope[k]) + one.level[k] + d.zone[-1]
    return to_dew_point(value, d.space)


def room_of(history: AirHistory, outdoor: OutdoorAir | None, known: RoomsKnown) -> KnownRoom | None:
    """A zone that has had its days as a room known to its younger siblings; None where it has not.

    Another kind of place may stand beside it, so a sibling is heard when it was judged.
    """
    if not known.rooms or np.isfinite(history.vapour_pressure_pa).sum() < YOUNG_DAYS * DAY_H:
        return None
    slope = {}
    for sighted in (True, False):
        for space in (Space.DEW_POINT, Space.TEMPERATURE):
            name = quantity_name(temperature=space is Space.TEMPERATURE, sighted=sighted)
            d = drivers(history, outdoor if sighted else None, space)
            slope[name] = np.array(replay_rooms(d, known.rooms[:1], name, sighted=sighted)[1][0].slope)
    return KnownRoom(history.zone, anywhere=False, slope=slope)


def known_to(
    zone: str, histories: Mapping[str, AirHistory], outdoor: OutdoorAir | None, known: RoomsKnown
) -> RoomsKnown:
    """What a zone can learn from: rooms known before and, while it is young, its siblings that are not.

    A zone whose first weeks lie so far back that none of its errors there count any more needs neither.
    """
    hours = np.isfinite(histories[zone].vapour_pressure_pa).sum()
    if hours >= (YOUNG_DAYS + WINDOW_DAYS) * DAY_H:
        return replace(known, rooms=())
    if hours >= YOUNG_DAYS * DAY_H:
        return known
    found = [room_of(one, outdoor, known) for name, one in histories.items() if name != zone]
    return replace(known, rooms=(*known.rooms, *(one for one in found if one is not None)))


def young_mornings(zone: FloatArray) -> BoolArray:
    """By day, whether the zone's own models have not had their days yet."""
    known = np.concatenate([[0], np.cumsum(np.isfinite(zone))])
    mornings = np.flatnonzero(np.diff(day_of(zone.size), prepend=-1))
    young: BoolArray = known[mornings] < YOUNG_DAYS * DAY_H
    return young


def early_share(
    total: FloatArray, count: FloatArray, usual: FloatArray, persistence: int, unsure: BoolArray
) -> FloatArray:
    """Weights of candidates from their judged errors (candidates, days, knots).

    `usual` is what each is thought to miss by beforehand, over what persistence does; (candidates,).
    """
    size = total[persistence] / np.maximum(count[persistence], 1.0)
    size = np.where(count[persistence] > 0, size, 1.0)
    error = (total + FIRST_H * usual[:, None, None] * size) / (count + FIRST_H)
    error = np.maximum(error, 1e-9)
    weight: FloatArray = (error.min(axis=0) / error) ** POWER
    return np.where(unsure[:, None, None] & (count < UNJUDGED), 0.0, weight)
