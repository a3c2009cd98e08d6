"""Makes the daily word to everybody on call; whoever misses it one morning knows that the service is down."""

from collections.abc import Iterator
from datetime import datetime, time

from monitor.alarms.catalogue import RANK, Priority
from monitor.alarms.daily import Day, Sight, proof_words, say_day
from monitor.alarms.messages import say
from monitor.alarms.states import Alarm, AlarmState
from monitor.alarms.wording import Wording
from monitor.core import levels as standing
from monitor.core import watch
from monitor.core.heated_stores import store_now
from monitor.core.names import wording_of
from monitor.core.present import as_move, picture
from monitor.core.shop import Shop
from monitor.core.state import CoreState, replace
from monitor.core.working_hours import hours
from monitor.model.level import Level
from monitor.model.notification import Notification
from monitor.model.picture import ShiftNow
from monitor.outlook.shifts import upcoming
from monitor.sensors.health import newest_s

LATE_S = 2 * 3600.0  # a daily word that is later than this is left out
USEFUL_S = 6 * 3600.0
SIGHT_S = 48 * 3600.0
LINES = 30
SET_DOWN = frozenset({AlarmState.SHELVED, AlarmState.OUT_OF_SERVICE})
LATCHED = frozenset({AlarmState.LATCHED_ACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED})


Posted = tuple[tuple[str, Notification], ...]


def daily(shop: Shop, state: CoreState, now_s: float) -> tuple[CoreState, Posted]:
    """The daily words whose hour has come, by channel; after a break not before the shop was judged anew."""
    if shop.digest_at is None or not _judged_anew(shop, state, now_s):
        return state, ()
    return replace(state, digest_s=now_s), _digests(shop, state, shop.digest_at, now_s)


def _judged_anew(shop: Shop, state: CoreState, now_s: float) -> bool:
    """Whether since watching began every sensor has spoken, or has been silent long enough to be missed."""
    if state.derived_s <= state.watched_s:  # clocks and charts are as they were before
        return False
    if now_s - state.watched_s > shop.longest_fresh_s:
        return True
    return all(_heard(state, one.id) for one in shop.sensors.values() if shop.zones[one.zone].in_use)


def _heard(state: CoreState, sensor: str) -> bool:
    newest = newest_s(state.tracks[sensor])
    return newest is not None and newest > state.watched_s


def _digests(shop: Shop, state: CoreState, at: time, now_s: float) -> Posted:
    found: dict[tuple[str, str], Notification] = {}
    for site, on_call in shop.roster.on_call.items():
        zone = shop.roster.zones[site]
        day = datetime.fromtimestamp(now_s, zone).date()
        hour_s = datetime.combine(day, at, zone).timestamp()
        if not (state.digest_s < hour_s <= now_s and now_s - hour_s <= LATE_S):
            continue
        note = _digest(shop, state, site, now_s, f"digest/{site}/{day.isoformat()}")
        for person in dict.fromkeys((*on_call.steps, *on_call.by_shift.values())):
            for channel in shop.channels.get(person, ()):
                found.setdefault((channel, note.key), _after_quiet(note, shop, person, site))
    return tuple((channel, note) for (channel, _), note in found.items())


def _after_quiet(note: Notification, shop: Shop, person: str, site: str) -> Notification:
    """The word as it goes to one person: not before their quiet hours are over."""
    until_s = shop.roster.quiet_until_s(person, site, note.created_s) or note.created_s
    return Notification(
        key=note.key,
        created_s=until_s,
        expires_s=until_s + USEFUL_S,
        priority="low",
        title=note.title,
        text=note.text,
        subject=note.subject,
        zone="",
        since_s=note.since_s,
        action="",
        data={**note.data, "person": shop.roster.name(person)},
    )


def _digest(shop: Shop, state: CoreState, site: str, now_s: float, key: str) -> Notification:
    wording = wording_of(shop, state, site)
    standing_now = _open(state, site)
    day = say_day(_day(shop, state, site, now_s, standing_now), wording)
    said = (say(as_move(alarm, state), wording, now_s) for alarm in standing_now[:LINES])
    lines = [f"{one.title}: {one.text}" for one in said]
    return Notification(
        key=key,
        created_s=now_s,
        expires_s=now_s + USEFUL_S,
        priority="low",
        title=day.title,
        text=day.text,
        subject=f"digest:{site}",
        zone="",
        since_s=now_s,
        action="",
        data={
            "why": "digest",
            "site": site,
            "lines": [*lines, *_zone_lines(shop, state, site, now_s)],
            "proof": proof_words(wording, "{witness}"),
        },
    )


def _open(state: CoreState, site: str) -> list[Alarm]:
    """Every trouble that holds, the worst of each thing; rest hours do not make a wet plate well."""
    worst: dict[str, Alarm] = {}
    for alarm in state.book.alarms.values():
        condition = state.book.conditions[alarm.condition_id]
        counts = alarm.state in LATCHED or (alarm.active and alarm.state not in SET_DOWN)
        if alarm.state is AlarmState.SUPPRESSED and alarm.why != "off_shift":
            counts = False
        if not counts or condition.site != site:
            continue
        other = worst.get(condition.subject)
        if (
            other is None
            or RANK[condition.priority] > RANK[state.book.conditions[other.condition_id].priority]
        ):
            worst[condition.subject] = alarm
    return sorted(
        worst.values(),
        key=lambda a: (-RANK[state.book.conditions[a.condition_id].priority], a.began_s or a.since_s),
    )


def _stands(alarms: list[Alarm], state: CoreState, wording: Wording) -> Iterator[str]:
    """What stands, kind by kind: by name where it is one thing, else how many."""
    by_kind: dict[str, list[str]] = {}
    for alarm in alarms:
        condition = state.book.conditions[alarm.condition_id]
        if condition.priority is not Priority.LOW and condition.family != "outlook":
            by_kind.setdefault(condition.kind, []).append(wording.name(condition.subject, 24))
    for kind, names in by_kind.items():
        title = wording.text(wording.catalogue.kinds[kind].title)
        yield f"{title}: {names[0] if len(names) == 1 else len(names)}"


def _day(shop: Shop, state: CoreState, site: str, now_s: float, alarms: list[Alarm]) -> Day:
    zones = {zone.id for zone in shop.zones.values() if zone.site == site and zone.in_use}
    sensors = [sensor for sensor in shop.sensors.values() if sensor.zone in zones]
    health = [state.tracks[sensor.id].health for sensor in sensors]
    conditions = [state.book.conditions[alarm.condition_id] for alarm in alarms]
    sight, humid = _sight(shop, state, site, now_s)
    levels = list(_levels(shop, state, site))
    return Day(
        now_s=now_s,
        zones=len({sensor.zone for sensor in sensors}),
        stands=tuple(_stands(alarms, state, wording_of(shop, state, site))),
        notes=sum(c.priority is Priority.LOW and c.kind != "sensor_health" for c in conditions),
        sensors=len(sensors),
        sensors_bad=sum(
            1
            for sensor, one in zip(sensors, health, strict=True)
            if one is None or watch.of_sensor(one) > 0.0 or not _heard(state, sensor.id)
        ),
        unknown=levels.count(Level.UNKNOWN),
        red=levels.count(Level.DANGER),
        sight=sight,
        humid=humid,
    )


def _levels(shop: Shop, state: CoreState, site: str) -> Iterator[Level]:
    """What the page shows of everything in use: places that are measured, bodies and packages."""
    seen = picture(shop, state)
    for zone in seen.zones:
        if zone.site == site and shop.zones[zone.id].in_use and (zone.sensors or zone.level is Level.DANGER):
            yield zone.level
    things = [(one.zone, one.level) for one in seen.bodies]
    opened = [
        one
        for one in seen.packages
        if not shop.declared_ahead or one.opened_s is None or one.opened_s <= state.time_s
    ]
    for zone_id, level in (*things, *((one.zone, one.level) for one in opened)):
        if shop.zones[zone_id].site == site and shop.zones[zone_id].in_use:
            yield level


def _sight(shop: Shop, state: CoreState, site: str, now_s: float) -> tuple[Sight, ShiftNow | None]:
    """The next shift that looks humid, or what is known instead."""
    ahead = sorted(
        (shift for shift in state.shifts if shift.site == site and shift.start_s > now_s),
        key=lambda shift: (shift.start_s, shift.name),
    )
    known = [(shift, shift.probability_frac) for shift in ahead if shift.probability_frac is not None]
    for shift, odds in known:
        if odds > shop.shift_odds_frac:
            return Sight.HUMID, shift
    if known:
        return Sight.DRY, None
    coming = any(s.site == site and s.start_s > now_s for s in upcoming(shop.shifts, now_s, SIGHT_S))
    return Sight.UNKNOWN if coming or site in hours(shop, now_s).unknown else Sight.NO_SHIFT, None


def _zone_lines(shop: Shop, state: CoreState, site: str, now_s: float) -> Iterator[str]:
    for zone in shop.zones.values():
        if zone.site == site and zone.in_use:
            now = store_now(shop, state, zone, now_s)
            judged = standing.of_zone(shop, zone, state.air.get(zone.id), now, now_s)
            _, reason = standing.shown(judged, state.since.get(f"zone/{zone.id}"), now_s)
            yield f"{zone.name}: {reason}"
