"""Says of each coming shift what will cross its limit, how likely, when worst, and why."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from monitor.consumables.classes import Place
from monitor.consumables.exposure_air import AirSamples, AirStretch
from monitor.consumables.exposure_clock import ExposureClock, advance_clock
from monitor.consumables.exposure_limits import ClockRules
from monitor.consumables.package_facts import PackageFacts
from monitor.consumables.verdict import package_verdict
from monitor.model.level import Level
from monitor.model.shift_span import ShiftSpan
from monitor.outlook.courses import BodyCourse, ZoneCourse, body_course, zone_course
from monitor.outlook.forecast import ZoneForecast
from monitor.outlook.hourly import HOUR_S, BoolArray, FloatArray
from monitor.outlook.odds_record import AS_SAID, Calibration
from monitor.outlook.scene import Scene
from monitor.outlook.shifts import hours_of_shift
from monitor.outlook.telling import Telling
from monitor.physics.saturation import dew_point_c

COURSE_SPEAKS_S = 1.5 * 3600.0  # an hour of a course speaks until the next one
PACKAGE_COURSES = 12


class ShiftLimit(StrEnum):
    """Which limit is crossed."""

    WET = "wet"  # water on a body
    MARGIN = "margin"  # a body nearer the dew point than planned
    HUMIDITY = "humidity"
    DEW_POINT = "dew_point"
    CLOCK = "clock"  # a package's permitted exposure


@dataclass(frozen=True, slots=True)
class Crossing:
    """The odds that one thing crosses one limit during a shift; `by_course` says in which courses."""

    limit: ShiftLimit
    subject: str
    name: str
    zone: str
    probability_frac: float
    worst_s: float
    worst_value: float  # of the median course, in the limit's unit
    by_course: BoolArray
    used: bool = True  # of something that a shift uses; the rest is for the page


@dataclass(frozen=True, slots=True)
class ShiftOutlook:
    """What is expected of one shift; the probability is None where it cannot be told."""

    shift: ShiftSpan
    level: Level
    probability_frac: float | None
    wet_probability_frac: float | None
    worst_s: float | None
    reason: str
    crossings: tuple[Crossing, ...]
    notes: tuple[str, ...]
    calibration: Calibration = AS_SAID
    courses_frac: float | None = None  # the odds before the site's own record moved them


@dataclass(frozen=True, slots=True)
class Ahead:
    """The courses of a site, computed once for all shifts."""

    now_s: float
    air: Mapping[str, ZoneCourse]
    bodies: Mapping[str, BodyCourse]
    notes: tuple[str, ...]
    missing: tuple[str, ...]  # zones without a forecast


def look_ahead(
    scene: Scene, forecasts: Mapping[str, ZoneForecast], now_s: float, until_s: float | None = None
) -> Ahead:
    """Run every zone and body of a scene through its courses, no further than until_s."""
    air = {z: zone_course(f, until_s) for z, f in forecasts.items() if f.known and z in scene.zones}
    missing = tuple(zone.name for z, zone in scene.zones.items() if z not in air)
    notes = tuple(
        f"{scene.zones[z].name}: {note}" for z, f in forecasts.items() if z in scene.zones for note in f.notes
    )
    return with_bodies(scene, air, Ahead(now_s, air, {}, notes, missing))


def with_bodies(scene: Scene, air: Mapping[str, ZoneCourse], base: Ahead) -> Ahead:
    """The bodies run anew through the given air."""
    bodies = {
        b.id: body_course(b.body, scene.states[b.id], scene.zones[b.zone], air[b.zone])
        for b in scene.bodies
        if b.zone in air
    }
    return Ahead(base.now_s, air, bodies, base.notes, base.missing)


def shift_outlooks(scene: Scene, ahead: Ahead, shifts: Sequence[ShiftSpan]) -> tuple[ShiftOutlook, ...]:
    """The outlook of each shift of the scene's site."""
    return tuple(_outlook(scene, ahead, shift) for shift in shifts if shift.site == scene.site)


def calibrated(
    outlooks: Sequence[ShiftOutlook], calibration: Calibration, telling: Telling, warn_frac: float
) -> tuple[ShiftOutlook, ...]:
    """The odds as the site's own record moves them; a level is raised by it, never lowered."""
    found = []
    for outlook in outlooks:
        said = outlook.probability_frac
        odds = None if said is None else calibration.of(said)
        raised = odds is not None and odds >= telling.worth_a_look_frac * warn_frac
        level = Level.CAUTION if raised and outlook.level is Level.SAFE else outlook.level
        found.append(
            replace(outlook, probability_frac=odds, level=level, calibration=calibration, courses_frac=said)
        )
    return tuple(found)


def hours_of(times_s: FloatArray, shift: ShiftSpan) -> BoolArray:
    """Which hours of a course, each by its end, belong to a shift."""
    ends = hours_of_shift(shift)
    return (times_s > ends[0] - 0.5 * HOUR_S) & (times_s <= ends[-1] + 0.5 * HOUR_S)


def humid_courses(crossings: Sequence[Crossing]) -> BoolArray | None:
    """In which courses the shift is humid: anything that it uses crosses, but for a package's clock.

    None where nothing can be judged at all.
    """
    judged = [c for c in crossings if c.limit is not ShiftLimit.CLOCK]
    return _any_course([c for c in judged if c.used], judged)


def _any_course(counted: Sequence[Crossing], judged: Sequence[Crossing]) -> BoolArray | None:
    if not judged:
        return None
    found: BoolArray = np.zeros_like(judged[0].by_course)
    for crossing in counted:
        found |= crossing.by_course
    return found


def crossings_of(scene: Scene, ahead: Ahead, shift: ShiftSpan) -> tuple[Crossing, ...]:
    """Every limit that can be judged, likeliest first."""
    found: list[Crossing] = []
    for zone_id, course in ahead.air.items():
        zone, inside = scene.zones[zone_id], hours_of(course.times_s, shift)
        if not inside.any():
            continue
        place = (zone.id, zone.name, zone.id)
        if zone.limit_humidity_frac is not None:
            over = course.humidity_frac - zone.limit_humidity_frac
            value = course.humidity_frac[-1]
            found.append(_crossing(ShiftLimit.HUMIDITY, place, course.times_s, inside, over, value))
        if zone.limit_dew_point_c is not None:
            dew = dew_point_c(course.vapour_pressure_pa)
            over = dew - zone.limit_dew_point_c
            found.append(_crossing(ShiftLimit.DEW_POINT, place, course.times_s, inside, over, dew[-1]))
    for thing in scene.bodies:
        if (body := ahead.bodies.get(thing.id)) is None or not (
            inside := hours_of(body.times_s, shift)
        ).any():
            continue
        place = (thing.id, thing.name, thing.zone)
        wetness = np.where(body.wet, np.maximum(-body.margin_k, 1e-3), -body.margin_k)
        under = scene.margin_k - body.margin_k
        for limit, over in ((ShiftLimit.WET, wetness), (ShiftLimit.MARGIN, under)):
            crossing = _crossing(limit, place, body.times_s, inside, over, body.margin_k[-1])
            found.append(replace(crossing, used=thing.used))
    clocks = (_clock_crossing(p, scene.clocks[p.id], ahead, shift) for p in scene.packages)
    found += [c for c in clocks if c is not None]
    return tuple(sorted(found, key=lambda c: -c.probability_frac))


def _crossing(
    limit: ShiftLimit,
    place: tuple[str, str, str],
    times_s: FloatArray,
    inside: BoolArray,
    over: FloatArray,
    value: FloatArray,
) -> Crossing:
    """`over` is positive where the limit is crossed; its last row is the median course."""
    crossed = (over[:-1] > 0.0) & inside
    share = crossed.mean(axis=0) + 1e-6 * np.where(inside, over[-1], -np.inf)
    worst = int(np.argmax(np.where(inside, share, -np.inf)))
    by_course: BoolArray = np.logical_or.reduce(crossed, axis=1)
    subject, name, zone = place
    return Crossing(
        limit,
        subject,
        name,
        zone,
        float(by_course.mean()),
        float(times_s[worst]),
        float(value[worst]),
        by_course,
    )


def _clock_crossing(
    package: PackageFacts, clock: ExposureClock, ahead: Ahead, shift: ShiftSpan
) -> Crossing | None:
    course = ahead.air.get(clock.zone or "")
    verdict = package_verdict(clock, package.rules)
    if (
        course is None or verdict.used_frac is None or verdict.used_frac >= 1.0
    ):  # what is over crosses no more
        return None
    picked = np.linspace(0, course.temperature_c.shape[0] - 2, PACKAGE_COURSES).astype(int)
    used = np.array([clock_used_frac(clock, package.rules, course, int(n), shift.end_s) for n in picked])
    over = used >= 1.0
    by_course = np.repeat(over, -(-(course.temperature_c.shape[0] - 1) // picked.size))
    due_s = verdict.due_at_s if verdict.due_at_s is not None else shift.end_s
    worst_s = min(max(due_s, shift.start_s), shift.end_s)
    return Crossing(
        ShiftLimit.CLOCK,
        package.id,
        package.name,
        clock.zone or "",
        float(over.mean()),
        worst_s,
        float(np.median(used)),
        by_course[: course.temperature_c.shape[0] - 1],
    )


def clock_used_frac(
    clock: ExposureClock, rules: ClockRules, course: ZoneCourse, row: int, until_s: float
) -> float:
    """Share of its permitted exposure a package has used when it lies in a course's air until then."""
    verdict = package_verdict(clock_after(clock, rules, course, row, until_s), rules)
    return verdict.used_frac if verdict.used_frac is not None else 0.0


def clock_after(
    clock: ExposureClock,
    rules: ClockRules,
    course: ZoneCourse,
    row: int,
    until_s: float,
    lies: tuple[Place, str | None] | None = None,
) -> ExposureClock:
    """The package's clock when it stays where it is, or lies open somewhere else, in a course's air."""
    place, zone = lies or (clock.place, clock.zone)
    ahead = (course.times_s >= clock.time_s - COURSE_SPEAKS_S) & (course.times_s <= until_s)
    air = AirSamples(
        course.times_s[ahead],
        course.temperature_c[row, ahead],
        course.humidity_frac[row, ahead],
        np.ones(int(ahead.sum()), dtype=np.bool_),
    )
    steady = replace(rules, reading_speaks_s=COURSE_SPEAKS_S)
    return advance_clock(clock, AirStretch(place, zone, until_s, air), steady)


def _outlook(scene: Scene, ahead: Ahead, shift: ShiftSpan) -> ShiftOutlook:
    crossings = crossings_of(scene, ahead, shift)
    humid = humid_courses(crossings)
    reaches = any(course.times_s[-1] >= shift.end_s for course in ahead.air.values())
    notes = ahead.notes + (() if reaches else ("the shift ends beyond the 48 hours that can be foreseen",))
    if humid is None:
        why = f"no forecast for {', '.join(ahead.missing)}" if ahead.missing else "nothing here has a limit"
        return ShiftOutlook(shift, Level.UNKNOWN, None, None, None, why, crossings, notes)
    probability = float(humid.mean())
    judged = [c for c in crossings if c.limit is not ShiftLimit.CLOCK]
    wet = _any_course([c for c in judged if c.used and c.limit is ShiftLimit.WET], judged)
    beside = _any_course([c for c in judged if not c.used], judged)
    wet_probability = 0.0 if wet is None else float(wet.mean())
    beside_probability = 0.0 if beside is None else float(beside.mean())
    level = _level(scene, ahead, max(probability, beside_probability), wet_probability)
    of_used = [c for c in judged if c.used] if probability >= _shown_from(scene) else []
    worst = _leading(of_used or judged, scene.telling.as_likely_frac)
    reason = reason_text(scene, ahead, shift, worst) + ("" if worst.used else "; not in use, so no message")
    if ahead.missing:
        reason += f"; nothing known of {', '.join(ahead.missing)}"
    return ShiftOutlook(shift, level, probability, wet_probability, worst.worst_s, reason, crossings, notes)


def _level(scene: Scene, ahead: Ahead, probability: float, wet_probability: float) -> Level:
    if wet_probability >= scene.telling.likely_frac:
        return Level.DANGER
    if probability >= _shown_from(scene):
        return Level.CAUTION
    return Level.UNKNOWN if ahead.missing else Level.SAFE  # what is not known never counts as safe


def _shown_from(scene: Scene) -> float:
    return scene.telling.worth_a_look_frac * scene.warn_frac


_GRAVITY = {
    ShiftLimit.WET: 0,
    ShiftLimit.MARGIN: 1,
    ShiftLimit.DEW_POINT: 2,
    ShiftLimit.HUMIDITY: 2,
    ShiftLimit.CLOCK: 3,
}


def _leading(crossings: Sequence[Crossing], as_likely_frac: float) -> Crossing:
    """The crossing to speak of: water before margins before humid air, if about as likely."""
    likely = [c for c in crossings if c.probability_frac >= as_likely_frac * crossings[0].probability_frac]
    return min(likely, key=lambda c: (_GRAVITY[c.limit], -c.probability_frac))


def reason_text(scene: Scene, ahead: Ahead, shift: ShiftSpan, crossing: Crossing) -> str:
    """Why, in words a lead can act on."""
    say, course = scene.words, ahead.air[crossing.zone]
    row = int(np.argmin(np.abs(course.times_s - crossing.worst_s)))
    dew = say.temperature(float(dew_point_c(course.vapour_pressure_pa[-1])[row]))
    cause = _cause(scene, ahead, crossing, row)
    at = say.clock(crossing.worst_s, shift.start_s)
    if crossing.limit in (ShiftLimit.WET, ShiftLimit.MARGIN):
        body = ahead.bodies[crossing.subject]
        skin, margin_k = say.temperature(float(body.skin_c[-1, row])), float(body.margin_k[-1, row])
        return f"{cause}{crossing.name} at {skin}, {say.apart(margin_k)} the dew point, worst {at}"
    name = scene.zones[crossing.zone].name
    if crossing.limit is ShiftLimit.HUMIDITY:
        return f"{cause}{name} at {crossing.worst_value:.0%} RH, dew point {dew}, worst {at}"
    return f"{cause}{name} with a dew point of {dew}, worst {at}"


def _cause(scene: Scene, ahead: Ahead, crossing: Crossing, row: int) -> str:
    course = ahead.air[crossing.zone]
    dew = dew_point_c(course.vapour_pressure_pa[-1])
    outdoor = np.array((np.nan, *scene.outdoor_dew_point_c))
    if outdoor.size > row and np.isfinite(outdoor[1 : row + 1]).all():
        rising = np.flatnonzero(outdoor[1 : row + 1] >= float(dew[0]) + scene.telling.rising_k)
        if rising.size:
            return f"wet air from outside from {scene.words.clock(float(course.times_s[rising[0] + 1]))}: "
    if dew[row] >= dew[0] + scene.telling.rising_k:
        return "moisture building up inside: "
    if crossing.limit in (ShiftLimit.WET, ShiftLimit.MARGIN):
        return "steel colder than the air: "
    return ""
