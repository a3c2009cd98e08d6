"""Makes the picture of now, which pages, API and metrics read."""

from collections.abc import Iterator
from dataclasses import replace

from monitor.alarms.messages import compose, say
from monitor.alarms.states import SET_ASIDE, Alarm, AlarmState, Transition, Trigger
from monitor.consumables.package_facts import PackageFacts
from monitor.core import levels
from monitor.core import package_clocks as package_stage
from monitor.core.body_figures import CLEAR, BodyPlace, Figures, Waits
from monitor.core.body_figures import waits as waits_of
from monitor.core.heated_stores import store_now
from monitor.core.names import wording_of
from monitor.core.outlook_notices import foretold
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Since
from monitor.model.errors import RangeError
from monitor.model.level import Level
from monitor.model.picture import AlarmNow, BodyNow, PackageNow, Picture, Wait, WarningNow, ZoneNow
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.physics.film import DRY_BELOW_GM2
from monitor.physics.night_sky import NO_FORECAST
from monitor.physics.placed_body import BodyFacts
from monitor.sensors.health import newest_s
from monitor.sensors.track import DoubtReason

AHEAD_S = 600.0  # what was just entered may lie a little ahead of the last tick
APART = frozenset({DoubtReason.DISAGREES, DoubtReason.ODD_ONE_OUT})
UNKNOWN_WAIT = Wait(None, "unknown")
UNKNOWN_WAITS = Waits(UNKNOWN_WAIT, UNKNOWN_WAIT, UNKNOWN_WAIT)


def picture(shop: Shop, state: CoreState) -> Picture:
    """The shop as of the last tick; shifts that have ended since the last look ahead are left out."""
    over = {shift.id for shift in state.shifts if shift.end_s <= state.time_s}
    return Picture(
        time_s=state.time_s,
        zones=tuple(_zones(shop, state)),
        bodies=tuple(_bodies(shop, state)),
        packages=tuple(_packages(shop, state)),
        alarms=tuple(_alarms(shop, state)),
        warnings=tuple(_warnings(shop, state)),
        shifts=tuple(shift for shift in state.shifts if shift.id not in over),
        actions=tuple(action for action in state.actions if action.shift not in over),
    )


def _since(state: CoreState, name: str) -> float:
    return state.since.get(name, Since(Level.UNKNOWN, state.time_s)).since_s


def _zones(shop: Shop, state: CoreState) -> Iterator[ZoneNow]:
    for zone in shop.zones.values():
        now = store_now(shop, state, zone, state.time_s)
        air = state.air.get(zone.id)
        judged = levels.of_zone(shop, zone, air, now, state.time_s)
        level, reason = levels.shown(judged, state.since.get(f"zone/{zone.id}"), state.time_s)
        sensors = shop.sensors_of(zone.id)
        if any(state.tracks[sensor.id].reason in APART for sensor in sensors):
            reason += "; its sensors differ, the worse counts"
        health = (_health(sensor.id, state) for sensor in sensors)
        yield ZoneNow(
            id=zone.id,
            name=zone.name,
            site=zone.site,
            kind=zone.kind,
            level=level,
            reason=reason,
            since_s=_since(state, f"zone/{zone.id}"),
            air=air,
            sensors=tuple(health),
            temperature_c=now.temperature_c,
            humidity_frac=now.humidity_frac,
            checked_s=now.checked_s,
            desiccant_due_s=zone.store.desiccant_due_s,
            action=levels.zone_action(zone, level, state.time_s),
        )


def _health(sensor: str, state: CoreState) -> SensorHealth:
    """What was last said of a sensor, with when it was last heard up to now."""
    track = state.tracks[sensor]
    if track.health is None:
        return SensorHealth(sensor, SensorStatus.FUNCTION_CHECK, "not heard yet", state.time_s, None)
    return replace(track.health, last_time_s=newest_s(track))


def _bodies(shop: Shop, state: CoreState) -> Iterator[BodyNow]:
    for body in shop.bodies.values():
        if not body.present:
            continue
        now = state.figures.get(body.id)
        known = body.zone in state.air
        judged = levels.of_body(now, shop, air_known=known)
        level, reason = levels.shown(judged, state.since.get(f"body/{body.id}"), state.time_s)
        waits = _waits(shop, state, body, now)
        yield BodyNow(
            id=body.id,
            name=body.name,
            kind=body.kind,
            zone=body.zone,
            level=level,
            reason=reason,
            since_s=state.time_s
            if now is None and known and level is Level.UNKNOWN
            else _since(state, f"body/{body.id}"),
            action=levels.body_action(body.kind, level, air_known=known),
            skin_temperature_c=None if now is None else now.skin_c,
            margin_k=None if now is None else now.margin_k,
            margin_std_k=None if now is None else now.margin_std_k,
            wet_probability_frac=None if now is None else now.wet_probability_frac,
            water_film_gm2=None if now is None else now.film_gm2,
            to_dew_point=waits.to_dew_point,
            to_margin=waits.to_margin,
            to_dry=waits.to_dry,
            open_sky=now is not None and now.open_sky,
            cloud_frac=None if now is None else now.cloud_frac,
        )


def _waits(shop: Shop, state: CoreState, facts: BodyFacts, now: Figures | None) -> Waits:
    """How long until a body is clear, as of its figures."""
    air, held = state.air.get(facts.zone), state.bodies.get(facts.id)
    if now is None or air is None or held is None:
        return UNKNOWN_WAITS
    caution_k = shop.limits.margin_caution_k
    if now.margin_k >= caution_k and now.film_gm2 < DRY_BELOW_GM2:
        return CLEAR
    zone = shop.zones[facts.zone]
    place = BodyPlace(air, zone, state.clouds.get(zone.site, NO_FORECAST))
    try:
        return waits_of(facts.body, held, place, now.time_s, caution_k)
    except (
        RangeError
    ):  # three days ahead lead out of what the formulas cover: nobody knows, and the page stands
        return UNKNOWN_WAITS


def _packages(shop: Shop, state: CoreState) -> Iterator[PackageNow]:
    for name, package in shop.packages.items():
        clock = package_stage.as_entered(package, state.clocks.get(name), state.spoken)
        if clock is None or package.opened_s > state.time_s + AHEAD_S:
            yield _not_yet_opened(package, state.time_s)
            continue
        verdict = package_stage.verdict(package, clock)
        level, _ = levels.shown(levels.of_package(verdict), None, state.time_s)
        yield PackageNow(
            id=name,
            name=package.name,
            consumable=package.rules.consumable.title,
            zone=package.zone,
            level=level,
            verdict=str(verdict.standing),
            rule=verdict.rule_text,
            action=verdict.action,
            used_h=verdict.used_h,
            limit_h=verdict.limit_h,
            weighted_h=clock.weighted_s / 3600.0,
            uptake_frac=None if verdict.uptake is None else verdict.uptake.of_reference_frac,
            unknown_h=verdict.unknown_h,
            open_now=verdict.counting,
            left_h=verdict.left_h,
            due_at_s=verdict.due_at_s,
            used_frac=verdict.used_frac,
            rebakes=verdict.rebakes,
            deviation=verdict.deviation,
            notes=verdict.notes,
            place=str(package.place),
            opened_s=package.opened_s,
            lot=package.lot,
            job=package.job,
        )


def _not_yet_opened(package: PackageFacts, now_s: float) -> PackageNow:
    """What nobody can have done yet is a slip; the package is there all the same, and is not vouched for."""
    level, verdict = levels.shown(levels.of_package(None), None, now_s)
    return PackageNow(
        id=package.id,
        name=package.name,
        consumable=package.rules.consumable.title,
        zone=package.zone,
        level=level,
        verdict=verdict,
        rule="",
        action="Put right when it was opened; until then count it as open too long.",
        used_h=0.0,
        limit_h=None,
        weighted_h=0.0,
        uptake_frac=None,
        unknown_h=0.0,
        open_now=True,
        place=str(package.place),
        opened_s=package.opened_s,
        lot=package.lot,
        job=package.job,
    )


def _alarms(shop: Shop, state: CoreState) -> Iterator[AlarmNow]:
    order = {"high": 0, "medium": 1, "low": 2}
    standing_alarms = [a for a in state.book.alarms.values() if _shows(a)]
    wordings = {site: wording_of(shop, state, site) for site in shop.wordings}
    for alarm in sorted(
        standing_alarms, key=lambda a: (order[state.book.conditions[a.condition_id].priority], a.since_s)
    ):
        condition = state.book.conditions[alarm.condition_id]
        said = say(as_move(alarm, state), wordings[condition.site], state.time_s)
        yield AlarmNow(
            condition=alarm.condition_id,
            state=str(alarm.state),
            priority=str(condition.priority),
            title=said.title,
            text=said.text,
            zone=condition.zone,
            since_s=alarm.began_s or alarm.since_s,
            action=said.action,
            acknowledged_by=alarm.who if alarm.state is AlarmState.ACKNOWLEDGED else "",
            shelved_until_s=alarm.until_s if alarm.state is AlarmState.SHELVED else None,
        )


def _warnings(shop: Shop, state: CoreState) -> Iterator[WarningNow]:
    """What people were told, as it was told."""
    for name, course in state.courses.courses.items():
        announcement = course.announcement
        wording = wording_of(shop, state, announcement.site)
        note = compose(announcement, wording)
        if announcement.family == "outlook":
            note = foretold(note, announcement, state, shop.telling, wording)
        alarms = [state.book.alarms.get(member.condition_id) for member in announcement.members]
        answerers = [alarm.who for alarm in alarms if alarm is not None and alarm.who]
        yield WarningNow(
            id=name,
            site=announcement.site,
            priority=str(announcement.priority),
            title=note.title,
            text=note.text,
            action=note.action,
            zone=announcement.cause.zone,
            since_s=announcement.began_s,
            conditions=tuple(member.condition_id for member in state.groups.groups[name].joined),
            told=tuple(shop.roster.name(person) for person in course.told),
            answered_by=answerers[-1] if answerers else "",
            unanswered=not course.answered,
        )


def as_move(alarm: Alarm, state: CoreState) -> Transition:
    """The standing alarm in the form that has words."""
    condition = state.book.conditions[alarm.condition_id]
    return Transition(
        key="",
        condition_id=condition.id,
        kind=condition.kind,
        family=condition.family,
        subject=condition.subject,
        zone=condition.zone,
        site=condition.site,
        from_state=alarm.state,
        to_state=alarm.state,
        trigger=Trigger.CONDITION_ACTIVE,
        time_s=alarm.since_s,
        cause_s=alarm.began_s or alarm.since_s,
        began_s=alarm.began_s,
        priority=condition.priority,
        value=alarm.value,
        limit=condition.limit,
        response=condition.response,
        occurrence=alarm.occurrence,
        numbers=alarm.numbers,
    )


def _shows(alarm: Alarm) -> bool:
    if alarm.state is AlarmState.NORMAL or alarm.state is AlarmState.SUPPRESSED:
        return False
    return alarm.state not in SET_ASIDE or alarm.active
