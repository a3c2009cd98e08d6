"""Takes in readings as they arrived: believes or doubts each, and follows the health of sensors."""

import math
from collections import defaultdict
from dataclasses import asdict
from statistics import median

from monitor.core import zone_air as air_stage
from monitor.core.crossing import OpenLimits
from monitor.core.early_belief import shown_by_another
from monitor.core.late_readings import collected, is_late
from monitor.core.remembered import Remembered, of
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Effects, replace
from monitor.core.watch import of_sensor, of_track
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Mark, Quantity, Reading, StoredReading
from monitor.model.sensor import SensorHealth
from monitor.physics.observer import observe
from monitor.physics.saturation import saturation_pressure_water_pa
from monitor.sensors.accuracy import humidity_std_frac, standard_uncertainty, temperature_std_k
from monitor.sensors.agreement import Apart, PeerReading, PeerSpread, compare, remembered
from monitor.sensors.device_clock import dated, may_tell_of_the_past
from monitor.sensors.health import look_again_s as health_look_s
from monitor.sensors.health import still_good
from monitor.sensors.health import tick as health_tick
from monitor.sensors.judge import judge
from monitor.sensors.quality_rules import Judging, SensorRules
from monitor.sensors.track import DoubtReason, SensorTrack, new_track


def arrived(shop: Shop, state: CoreState, readings: tuple[StoredReading, ...]) -> tuple[CoreState, Effects]:
    """Judge readings in order; believed ones move the air of their zone, probes correct their body.

    Where one crosses a limit, the rest of its moment is taken and no more: that is judged first.
    """
    tracks = dict(state.tracks)
    told: set[str] = set()
    marks: list[Mark] = []
    by_zone: dict[str, list[Reading]] = defaultdict(list)
    probes: list[Reading] = []
    late: dict[str, list[Reading]] = defaultdict(list)
    limits = OpenLimits(shop, state)
    for order, received in limits.up_to_crossed(readings):
        sensor = shop.sensors.get(received.key.source)
        if sensor is None:  # no longer in the settings; its readings stay in the store
            continue
        track, reading = dated(tracks[sensor.id], received, sensor)
        before = track
        track, verdict = judge(before, reading, sensor)
        if verdict.reason is DoubtReason.JUMP and shown_by_another(shop, tracks, sensor, reading):
            track, verdict = judge(before, reading, sensor, vouched=True)
        tracks[sensor.id] = track
        told.add(sensor.id)
        if not verdict.believed:
            marks.append(Mark(order, verdict.status, verdict.words))
            continue
        if may_tell_of_the_past(track.clock) and is_late(state.silences.get(sensor.zone, ()), reading, track):
            late[sensor.zone].append(reading)
        if not verdict.current:
            continue
        if reading.key.quantity is Quantity.SURFACE_TEMPERATURE:
            probes.append(reading)
        elif _speaks(track):
            by_zone[sensor.zone].append(reading)
            limits.look(sensor.zone, before, track, reading)
    heard = dict(state.heard)
    for zone, believed in by_zone.items():
        heard[zone] = air_stage.hear(heard[zone], believed, shop.fresh_s[zone], shop.judged_to_c)
    kept = collected(state.late, late, shop.derived_every_s) if late else state.late
    after = replace(
        state,
        remembered=_heard_of(of(state.remembered, shop, state.time_s), state, tracks, told),
        order=limits.last.order,
        judged_s=limits.last.reading.time_s,
        tracks=tracks,
        heard=heard,
        late=kept,
        hurried_s=limits.hurried_s,
        crossed=limits.crossed,
    )
    return _probed(shop, after, probes), Effects(marks=tuple(marks))


def _heard_of(
    known: Remembered, state: CoreState, tracks: dict[str, SensorTrack], told: set[str]
) -> Remembered:
    """What is remembered of sensors stays true of those that have not been heard since."""
    return known.but(tracks=tracks, told=known.told | told) if known.tracks is state.tracks else known


def _speaks(track: SensorTrack) -> bool:
    """Whether what a sensor says moves the air: it is believed, or this is its first word."""
    return track.reason is DoubtReason.NOT_HEARD_YET or of_sensor(track.health) == 0.0


def _probed(shop: Shop, state: CoreState, probes: list[Reading]) -> CoreState:
    if not probes:
        return state
    bodies, supposed = dict(state.bodies), dict(state.supposed)
    for reading in probes:
        sensor = shop.sensors[reading.key.source]
        facts = shop.bodies.get(sensor.body or "")
        if facts is not None and facts.id in bodies:
            std_k = standard_uncertainty(sensor.channels[Quantity.SURFACE_TEMPERATURE], reading.value)
            bodies[facts.id] = observe(facts.body, bodies[facts.id], reading.value, std_k)
            supposed.pop(facts.id, None)  # its temperature is measured now
    return replace(state, bodies=bodies, supposed=supposed)


def health(
    shop: Shop, state: CoreState, now_s: float, *, compare_now: bool
) -> tuple[CoreState, list[NewEvent]]:
    """Every sensor's health by the clock; one that is no longer believed leaves its zone's air."""
    known = of(state.remembered, shop, now_s)
    tracks, heard = dict(state.tracks), dict(state.heard)
    compared: set[str] = set()
    if compare_now:
        for zone in shop.zones:
            _compare(shop, zone, tracks, now_s)
        compared = {name for name, track in tracks.items() if track is not state.tracks[name]}
    if known.tracks is not state.tracks:
        known = known.but(told=frozenset(tracks), ill=frozenset(), look_again_s={}, first_look_s=-math.inf)
    look_again_s, ill, disbelieved = dict(known.look_again_s), set(known.ill), set(known.disbelieved)
    first_look_s = known.first_look_s
    events: list[NewEvent] = []
    for name in _looked_at(shop, known, compared, now_s):
        sensor = shop.sensors[name]
        if still_good(tracks[name], sensor, now_s):
            look_again_s[name] = health_look_s(tracks[name], sensor)
            first_look_s = min(first_look_s, look_again_s[name])
            ill.discard(name)
            disbelieved.discard(name)
            continue
        ill.add(name)
        look_again_s.pop(name, None)
        peers = [tracks[peer.id] for peer in shop.peers[name]]
        track, changed = health_tick(tracks[name], sensor, now_s, peers)
        tracks[name] = track
        (disbelieved.add if of_track(track) else disbelieved.discard)(name)
        if changed is None:
            continue
        if not _speaks(track):
            heard[sensor.zone] = air_stage.forget(
                heard[sensor.zone], name, shop.fresh_s[sensor.zone], shop.judged_to_c
            )
        if not _is_beginning(state.tracks[name], track):
            events.append(_status(name, changed, now_s))
    if now_s > known.first_look_s:
        first_look_s = min(look_again_s.values(), default=math.inf)
    left = known.but(
        tracks=tracks,
        told=frozenset(),
        ill=frozenset(ill),
        disbelieved=frozenset(disbelieved),
        look_again_s=look_again_s,
        first_look_s=first_look_s,
    )
    return replace(state, tracks=tracks, heard=heard, remembered=left), events


def _looked_at(shop: Shop, known: Remembered, compared: set[str], now_s: float) -> list[str]:
    """In order, the sensors in which more may be found than before: heard since, ill, or long silent."""
    names = known.told | known.ill | compared
    if now_s > known.first_look_s:
        names |= {name for name, due_s in known.look_again_s.items() if now_s > due_s}
    return sorted(names, key=shop.place_of_sensor.__getitem__)


def _status(sensor: str, changed: SensorHealth, now_s: float) -> NewEvent:
    key = f"sensor/{sensor}/{changed.status}/{changed.since_s:.3f}/{now_s:.3f}"
    return NewEvent(EventKind.SENSOR_STATUS, sensor, now_s, "dryshift", asdict(changed), changed.reason, key)


def _is_beginning(before: SensorTrack, after: SensorTrack) -> bool:
    """Not heard yet, or heard for the first time and well: nothing has happened to it."""
    new = before.health is None or before.reason is DoubtReason.NOT_HEARD_YET
    return new and after.reason in (DoubtReason.NONE, DoubtReason.NOT_HEARD_YET)


def _compare(shop: Shop, zone: str, tracks: dict[str, SensorTrack], now_s: float) -> None:
    """Sensors in the same air against each other: their temperatures, and the water they find in it."""
    sensors = shop.sensors_of(zone)
    if not sensors:
        return
    warm: list[PeerReading] = []
    damp: list[tuple[SensorRules, float, float]] = []
    for sensor in sensors:
        celsius = _believed_now(tracks[sensor.id], Quantity.AIR_TEMPERATURE, now_s, shop.fresh_s[zone])
        if celsius is None or Quantity.AIR_TEMPERATURE not in sensor.channels:  # taken off the settings
            continue
        warm.append(PeerReading(sensor.id, celsius, temperature_std_k(sensor, celsius)))
        humidity = _believed_now(tracks[sensor.id], Quantity.RELATIVE_HUMIDITY, now_s, shop.fresh_s[zone])
        if humidity is not None and celsius <= shop.judged_to_c:
            damp.append((sensor, celsius, min(max(humidity, 0.0), 1.0)))
    judging = sensors[0].judging
    apart = compare(warm, judging)
    if len(damp) > 1:
        apart = {**_water_apart(damp, judging), **apart}
    for sensor in sensors:
        tracks[sensor.id] = remembered(tracks[sensor.id], apart.get(sensor.id), now_s)


def _believed_now(track: SensorTrack, quantity: Quantity, now_s: float, fresh_s: float) -> float | None:
    channel = track.channels.get(quantity)
    if channel is None or now_s - channel.believed_time_s > fresh_s:
        return None
    return channel.believed_value


def _water_apart(damp: list[tuple[SensorRules, float, float]], judging: Judging) -> dict[str, Apart]:
    """Who differs in the water found, as relative humidity at one temperature.

    Dew points would not do: that of a dead element at 0 %RH is as unsure as it is low. One that stands alone
    on the wet side is not left out: it may be the only one that is right.
    """
    common_c = median(celsius for _, celsius, _ in damp)
    common_pa = saturation_pressure_water_pa(common_c)
    witnesses = []
    for sensor, celsius, humidity in damp:
        share = saturation_pressure_water_pa(celsius) / common_pa
        std = humidity_std_frac(sensor, humidity) * share
        witnesses.append(PeerReading(sensor.id, 100.0 * humidity * share, 100.0 * std))
    spread = PeerSpread(100.0 * judging.room_spread_frac, "humidity", "%RH")
    return compare(witnesses, judging, spread, drop_above=False)


def fresh_tracks(shop: Shop, kept: dict[str, SensorTrack], now_s: float) -> dict[str, SensorTrack]:
    """A track for every sensor of the settings: kept where there is one, new otherwise."""
    return {name: kept.get(name) or new_track(name, now_s) for name in shop.sensors}
