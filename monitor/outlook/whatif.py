"""What would happen to a zone's air if the door, the heater or the dehumidifier were handled otherwise."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from monitor.model.reading import Quantity
from monitor.outlook.courses import ZoneCourse
from monitor.outlook.hourly import DAY_H, HOUR_S, AirHistory, BoolArray, FloatArray, OutdoorAir, shifted
from monitor.outlook.inputs import Space, drivers, harmonics
from monitor.outlook.response import ZoneModel
from monitor.outlook.scene import Scene
from monitor.outlook.shift_outlook import Ahead, with_bodies
from monitor.physics.saturation import saturation_pressure_water_pa

LEAST_DOOR_HOURS = 48


@dataclass(frozen=True, slots=True)
class Practice:
    """Assumed numbers of the plan, from the outlook's reference data; each has its provenance there."""

    door_shut_factor: float  # exchange with the door kept shut, over the usual exchange
    door_open_factor: float
    heater_lag_h: float
    dryer_lag_h: float
    purge_s: float
    purge_after_idle_h: float
    least_saving_frac: float
    worth_planning_frac: float  # odds of a humid shift below which nothing is planned
    most_actions: float  # of all the shifts ahead
    good_enough_frac: float  # of the best saving: the weakest, latest measure that saves so much is proposed
    longest_start_h: float  # before a shift
    safe_side_deviations: float  # by which a body is clear when it is wanted


def practice_from_mapping(data: Mapping[str, Any]) -> Practice:
    """Read the `plan` table of the outlook's reference data."""
    table = data["plan"]
    return Practice(**{name: float(table[name]["value"]) for name in Practice.__slots__})


@dataclass(frozen=True, slots=True)
class ZoneAnswer:
    """How fast a zone exchanges with the outdoor air, usually and by its door."""

    rate_h: float
    shut_factor: float
    open_factor: float
    measured: bool  # whether the door's effect was learnt from a door sensor


@dataclass(frozen=True, slots=True)
class Control:
    """What is done otherwise in one zone; a time of None means: not done."""

    shut_from_s: float | None = None
    shut_until_s: float | None = None
    open_from_s: float | None = None
    open_until_s: float | None = None
    heat_to_c: float | None = None
    heat_from_s: float = 0.0
    dry_to_frac: float | None = None
    dry_from_s: float = 0.0


def zone_answer(
    model: ZoneModel, practice: Practice, history: AirHistory, outdoor: OutdoorAir | None
) -> ZoneAnswer | None:
    """The exchange of a zone; its door's effect from its sensor, else assumed."""
    if model.sighted is None or (balance := model.sighted[0].balance.newest) is None:
        return None
    learnt = door_factors(history, outdoor) if outdoor is not None else None
    shut, opened = learnt or (practice.door_shut_factor, practice.door_open_factor)
    return ZoneAnswer(balance.rate_h, shut, opened, learnt is not None)


def door_factors(history: AirHistory, outdoor: OutdoorAir) -> tuple[float, float] | None:
    """Exchange with the door shut and open over the usual one, by regressing hourly changes on the door."""
    door = history.beside.get(Quantity.DOOR_OPEN)
    if door is None:
        return None
    d = drivers(history, outdoor, Space.VAPOUR)
    following = shifted(door, 1)
    drive = d.outdoor_ahead[:, 0] - d.zone
    columns = [drive, following * drive, np.ones(drive.size), *harmonics(d.hour, 1)]
    table = np.stack([*columns, shifted(d.zone, 1) - d.zone], axis=1)
    table = table[np.isfinite(table).all(axis=1)]
    often = float((following > 0.5).sum())
    if table.shape[0] < 7 * DAY_H or not LEAST_DOOR_HOURS <= often <= table.shape[0] - LEAST_DOOR_HOURS:
        return None
    shut, opening = np.linalg.lstsq(table[:, :-1], table[:, -1], rcond=None)[0][:2]
    usual = shut + opening * float(np.nanmean(following))
    if shut <= 0.0 or opening <= 0.0 or usual <= 0.0:
        return None
    return float(shut / usual), float((shut + opening) / usual)


def controlled(
    course: ZoneCourse,
    control: Control,
    answer: ZoneAnswer | None,
    outdoor_pa: FloatArray,
    practice: Practice,
) -> ZoneCourse:
    """The courses of a zone's air under a control; `outdoor_pa` is hour by hour beside the courses.

    Heat here is electric or vented: it brings no vapour with it.
    """
    air = course.temperature_c + _warming(course, control, practice)
    pressure = course.vapour_pressure_pa
    if answer is not None:
        pressure = pressure + _door_change(course, control, answer, outdoor_pa)
    pressure = np.clip(pressure, 1.0, saturation_pressure_water_pa(air))
    if control.dry_to_frac is not None:
        pressure = _dried(course.times_s, air, pressure, control, practice)
    return replace(course, temperature_c=air, vapour_pressure_pa=pressure)


def ahead_under(
    scene: Scene,
    ahead: Ahead,
    controls: Mapping[str, Control],
    answers: Mapping[str, ZoneAnswer],
    outdoor_pa: FloatArray,
    practice: Practice,
) -> Ahead:
    """The whole site under controls, bodies included: the what-if question."""
    air = dict(ahead.air)
    for zone, control in controls.items():
        if zone in air:
            air[zone] = controlled(air[zone], control, answers.get(zone), outdoor_pa, practice)
    return with_bodies(scene, air, ahead)


def _within(times_s: FloatArray, from_s: float | None, until_s: float | None) -> FloatArray:
    if from_s is None or until_s is None:
        return np.zeros(times_s.size)
    overlap = np.minimum(times_s, until_s) - np.maximum(times_s - HOUR_S, from_s)
    return np.clip(overlap / HOUR_S, 0.0, 1.0)


def _door_change(
    course: ZoneCourse, control: Control, answer: ZoneAnswer, outdoor_pa: FloatArray
) -> FloatArray:
    """How far the vapour moves away from its usual course: dx/dt = −r'·x + (r' − r)(outdoor − usual)."""
    shut = _within(course.times_s, control.shut_from_s, control.shut_until_s)
    opened = _within(course.times_s, control.open_from_s, control.open_until_s)
    factor = 1.0 + shut * (answer.shut_factor - 1.0) + opened * (answer.open_factor - 1.0)
    rate = answer.rate_h * factor
    usual = course.vapour_pressure_pa
    change = np.zeros_like(usual)
    for n in range(1, course.times_s.size):
        keep = float(np.exp(-rate[n]))
        drive = 0.5 * (outdoor_pa[n] + outdoor_pa[n - 1] - usual[:, n] - usual[:, n - 1])
        push = (rate[n] - answer.rate_h) / rate[n] * (1.0 - keep) * drive
        change[:, n] = keep * change[:, n - 1] + np.where(np.isfinite(push), push, 0.0)
    return change


def _warming(course: ZoneCourse, control: Control, practice: Practice) -> FloatArray:
    warming = np.zeros_like(course.temperature_c)
    if control.heat_to_c is None:
        return warming
    on = course.times_s - HOUR_S >= control.heat_from_s
    wanted = np.maximum(control.heat_to_c - course.temperature_c, 0.0)
    return _approached(wanted, on, practice.heater_lag_h)


def _approached(wanted: FloatArray, on: BoolArray, lag_h: float) -> FloatArray:
    """Means of the hours of a change that is approached with a lag while something is on.

    dx/dt = (wanted − x) / lag, so over an hour the mean of what is left is lag·(1 − e^(−1/lag)) of what was.
    """
    means, reached = np.zeros_like(wanted), np.zeros(wanted.shape[0])
    keep = float(np.exp(-1.0 / lag_h))
    for n in np.flatnonzero(on[1:]) + 1:
        left = wanted[:, n] - reached
        means[:, n] = wanted[:, n] - left * lag_h * (1.0 - keep)
        reached = wanted[:, n] - left * keep
    return means


def _dried(
    times_s: FloatArray, air: FloatArray, pressure: FloatArray, control: Control, practice: Practice
) -> FloatArray:
    limit = (control.dry_to_frac or 1.0) * saturation_pressure_water_pa(air)
    on = times_s - HOUR_S >= control.dry_from_s
    taken = _approached(np.maximum(pressure - limit, 0.0), on, practice.dryer_lag_h)
    return pressure - np.minimum(taken, pressure - 1.0)
