"""Which conditions are watched in this shop, and what is observed of each at a tick."""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from monitor.alarms.conditions import (
    NO_NUMBERS,
    Condition,
    ConditionSubject,
    Observation,
    condition,
    condition_id,
)
from monitor.alarms.escalation import nobody_answers
from monitor.alarms.shop_conditions import body_conditions, package_conditions, shift_condition
from monitor.alarms.states import AlarmBook
from monitor.alarms.trend import FAR_H, HOUR_S, Trend, TrendRules
from monitor.consumables.classes import ConsumableKind
from monitor.consumables.exposure_clock import ExposureClock
from monitor.consumables.package_facts import PackageFacts
from monitor.core.body_figures import Figures
from monitor.core.heated_stores import HEATED
from monitor.core.humid_spells import told_now
from monitor.core.shop import GONE, Shop, ZoneFacts
from monitor.core.state import CoreState, Use
from monitor.model.air import AirState
from monitor.model.picture import ShiftNow
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.sensors.track import DoubtReason, SensorTrack

STILL_WET_K = -0.01  # passed on for a body that is still wet though its skin is above the dew point
BELIEVED = frozenset({SensorStatus.GOOD, SensorStatus.MAINTENANCE_REQUIRED})
TREND = TrendRules()
NO_TREND = Trend()
SERVICE = "service"
SERVICE_KINDS = ("broker_away", "store_behind", "warnings_undeliverable", "record_contradicted")

Seen = Iterator[tuple[str, float | None]]


def conditions(
    shop: Shop, clocks: Mapping[str, ExposureClock], shifts: tuple[ShiftNow, ...]
) -> list[Condition]:
    """Every condition watched now: those that are always there, and those of things that come and go."""
    found = list(shop.conditions)
    fixed = {c.subject for c in found}
    for body in shop.bodies.values():
        if body.id not in fixed:
            subject = ConditionSubject(body.id, body.zone, shop.zones[body.zone].site, body.kind)
            found += body_conditions(shop.catalogue, subject, shop.limits)
    for package in opened(shop, clocks).values():
        sort = package_sort(package, clocks[package.id])
        subject = ConditionSubject(package.id, package.zone, shop.zones[package.zone].site, sort)
        found += package_conditions(shop.catalogue, package=subject, limits=shop.limits)
    watched = {c.zone for c in found if c.unwatched_id is not None}
    have = {c.id for c in found}
    for zone in shop.zones.values():
        kind = "zone_not_named" if zone.kind == GONE else "zone_unwatched"
        if (zone.kind == GONE or zone.id in watched) and condition_id(kind, zone.id) not in have:
            found.append(condition(shop.catalogue, kind, ConditionSubject(zone.id, zone.id, zone.site)))
    found += [
        condition(shop.catalogue, "shifts_unknown", ConditionSubject(site, "", site))
        for site in sorted(shop.shifts.sites)
        if site in shop.wordings
    ]
    found += [
        shift_condition(shop.catalogue, ConditionSubject(shift.id, "", shift.site), shop.shift_odds_frac)
        for shift in shifts
        if shift.probability_frac is not None
    ]
    return found


def package_sort(package: PackageFacts, clock: ExposureClock) -> str:
    """What picks the advice; what more than its hours speaks against gets the strictest, that of no sort."""
    barred = clock.wet or clock.overheated or clock.unsound_beads > 0
    kind = package.rules.consumable.kind
    if kind is ConsumableKind.CORED_WIRE and not package.rules.seismic_work and not barred:
        return f"{kind}, no seismic work"
    return "" if barred else str(kind)


def opened(shop: Shop, clocks: Mapping[str, ExposureClock]) -> dict[str, PackageFacts]:
    """The packages whose time is watched: opened, and not withdrawn from use."""
    return {
        name: facts for name, facts in shop.packages.items() if name in clocks and not clocks[name].withdrawn
    }


def shifts_told(shop: Shop, book: AlarmBook, shifts: Sequence[ShiftNow], now_s: float) -> frozenset[str]:
    """The shifts of which it is time to tell, or that were told of."""
    standing = frozenset(shifts_standing(book, shifts))
    return told_now(shifts, shop.shift_odds_frac, standing, shop.telling, now_s)


def shifts_standing(book: AlarmBook, shifts: Iterable[ShiftNow]) -> dict[str, float]:
    """The shifts that people have been told of, and since when."""
    alarms = ((shift.id, book.alarms.get(condition_id("humid_shift_ahead", shift.id))) for shift in shifts)
    return {
        name: alarm.since_s if alarm.began_s is None else alarm.began_s
        for name, alarm in alarms
        if alarm is not None and alarm.active
    }


def of_shift(shift: ShiftNow, limit: float, told: frozenset[str]) -> float | None:
    """The odds; held at the limit until it is time to tell."""
    if shift.probability_frac is None or shift.id in told:
        return shift.probability_frac
    return min(shift.probability_frac, limit)


def of_zone(zone: ZoneFacts, air: AirState | None, oven_c: float | None, rise_kh: float) -> Seen:
    """Kind and value for each condition of a zone; no value is unknown."""
    humidity = None if air is None else air.relative_humidity_frac
    warm = oven_c if zone.kind in HEATED else (None if air is None else air.temperature_c)
    yield "storage_below_minimum", warm
    yield "quiver_below_minimum", warm
    yield "storage_humid", humidity
    yield "zone_humidity_high", humidity
    yield "zone_dew_point_high", None if air is None else air.dew_point_c
    yield "zone_dew_point_rising", None if air is None else rise_kh


def limited(air: AirState | None) -> tuple[float, ...] | None:
    """All of a zone's air that its limits look at."""
    return None if air is None else (air.relative_humidity_frac, air.temperature_c, air.dew_point_c)


def of_desiccant(zone: ZoneFacts, now_s: float) -> float:
    """Days past the day on which it was due; never due where none was ever entered."""
    due_s = zone.store.desiccant_due_s
    return -FAR_H if due_s is None else (now_s - due_s) / 86_400.0


def of_body(now: Figures | None) -> Seen:
    """Kind and value for each condition of a body."""
    if now is not None and now.wet_doubtful:
        yield "body_margin_low", None if now.doubtful else now.margin_k
        yield "body_wet", None
        yield "body_time_to_wet", now.hours_to_wet if now.hours_to_wet < FAR_H else None
        return
    if now is None:
        yield from (("body_margin_low", None), ("body_wet", None), ("body_time_to_wet", None))
        return
    yield "body_margin_low", now.margin_k
    yield "body_wet", min(now.margin_k, STILL_WET_K) if now.wet else now.margin_k
    # A body that is wet has its own condition; this one speaks of what is still to come.
    yield "body_time_to_wet", FAR_H if now.wet else now.hours_to_wet


def of_package(use: Use, back_s: float | None) -> Seen:
    """Kind and value for each condition of a package; `back_s` is when work goes on after a near rest."""
    yield "package_exposure_due", use.used_frac
    yield "package_exposure_over", use.used_frac
    outlasts_h = FAR_H
    if back_s is not None and use.due_at_s is not None and use.used_frac < 1.0:
        outlasts_h = (use.due_at_s - back_s) / HOUR_S
    yield "package_left_open", outlasts_h


def left_unanswered(state: CoreState) -> int:
    """Warnings that have gone all the way round without an answer; this one's own do not count."""
    courses = state.courses.courses
    return sum(courses[name].announcement.family != "service" for name in nobody_answers(state.courses))


def of_sensor(health: SensorHealth | None) -> float:
    """1 while a sensor is not believed."""
    return 0.0 if health is None or health.status in BELIEVED else 1.0


def of_track(track: SensorTrack) -> float:
    """The same for its alarm: one that was just set up gets its time to speak before anybody is called."""
    return 0.0 if track.reason is DoubtReason.NOT_HEARD_YET else of_sensor(track.health)


def zone_facts(zone: ZoneFacts, at_work: frozenset[str]) -> tuple[str, ...]:
    """The truths about a zone that may put its conditions out of play."""
    facts = () if zone.in_use else ("zone_out_of_use",)
    if zone.kind == "outdoor":
        facts = (*facts, "outdoor")
    return facts if zone.site in at_work else (*facts, "off_shift")


def seen(
    kind: str,
    subject: str,
    value: float | None,
    now_s: float,
    facts: tuple[str, ...] = (),
    numbers: dict[str, float] | None = None,
) -> Observation:
    """One observation, with the reason where there is no value."""
    reason = "" if value is not None else "no believable reading"
    return Observation(condition_id(kind, subject), value, now_s, reason, facts, numbers or NO_NUMBERS)
