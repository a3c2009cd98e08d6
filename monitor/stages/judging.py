"""Takes in readings as they arrived: believes or doubts each, and follows the health of sensors."""

from collections import defaultdict
from dataclasses import asdict, replace

from monitor.physics.observer import observe
from monitor.quality.agreement import Witness, compare, remembered
from monitor.quality.health import tick as health_tick
from monitor.quality.judge import judge
from monitor.quality.track import SensorTrack, new_track
from monitor.stages import air as air_stage
from monitor.stages.facts import Shop
from monitor.stages.late import collected, is_late
from monitor.stages.state import CoreState, Effects
from monitor.stages.watch import of_sensor
from monitor.values import EventKind, Mark, NewEvent, Quantity, Reading, StoredReading


def arrived(shop: Shop, state: CoreState, readings: tuple[StoredReading, ...]) -> tuple[CoreState, Effects]:
    """Judge readings in order; believed ones move the air of their zone, probes correct their body."""
    tracks = dict(state.tracks)
    marks: list[Mark] = []
    by_zone: dict[str, list[Reading]] = defaultdict(list)
    probes: list[Reading] = []
    late: dict[str, list[Reading]] = defaultdict(list)
    for order, reading in readings:
        sensor = shop.sensors.get(reading.key.source)
        if sensor is None:  # no longer in the settings; its readings stay in the store
            continue
        track, verdict = judge(tracks[sensor.id], reading, sensor.rules)
        tracks[sensor.id] = track
        if not verdict.believed:
            marks.append(Mark(order, verdict.status, verdict.words))
            continue
        if is_late(state.silences.get(sensor.zone, ()), reading, track):
            late[sensor.zone].append(reading)
        if not verdict.current:
            continue
        if reading.key.quantity is Quantity.SURFACE_TEMPERATURE:
            probes.append(reading)
        elif of_sensor(track.health) == 0.0:
            by_zone[sensor.zone].append(reading)
    heard = dict(state.heard)
    for zone, believed in by_zone.items():
        heard[zone] = air_stage.hear(heard[zone], believed, shop.fresh_s[zone])
    kept = collected(state.late, late, shop.derived_every_s) if late else state.late
    after = replace(state, order=readings[-1].order, tracks=tracks, heard=heard, late=kept)
    return _probed(shop, after, probes), Effects(marks=tuple(marks))


def _probed(shop: Shop, state: CoreState, probes: list[Reading]) -> CoreState:
    if not probes:
        return state
    bodies = dict(state.bodies)
    for reading in probes:
        sensor = shop.sensors[reading.key.source]
        facts = shop.bodies.get(sensor.body or "")
        if facts is not None and facts.id in bodies:
            bodies[facts.id] = observe(facts.body, bodies[facts.id], reading.value, sensor.surface_std_k)
    return replace(state, bodies=bodies)


def health(
    shop: Shop, state: CoreState, now_s: float, *, compare_now: bool
) -> tuple[CoreState, list[NewEvent]]:
    """Every sensor's health by the clock; one that is no longer believed leaves its zone's air."""
    tracks, heard = dict(state.tracks), dict(state.heard)
    if compare_now:
        for zone in shop.zones:
            _compare(shop, zone, tracks, now_s)
    events: list[NewEvent] = []
    for sensor in shop.sensors.values():
        peers = [tracks[peer.id] for peer in shop.peers[sensor.id]]
        track, changed = health_tick(tracks[sensor.id], sensor.rules, now_s, peers)
        tracks[sensor.id] = track
        if changed is None:
            continue
        if of_sensor(changed) > 0.0:
            heard[sensor.zone] = air_stage.forget(heard[sensor.zone], sensor.id)
        if changed.reason or state.tracks[sensor.id].health is not None:
            key = f"sensor/{sensor.id}/{changed.status}/{changed.since_s:.3f}/{now_s:.3f}"
            events.append(
                NewEvent(
                    EventKind.SENSOR_STATUS,
                    sensor.id,
                    now_s,
                    "dryshift",
                    asdict(changed),
                    changed.reason,
                    key,
                )
            )
    return replace(state, tracks=tracks, heard=heard), events


def _compare(shop: Shop, zone: str, tracks: dict[str, SensorTrack], now_s: float) -> None:
    """Temperatures of sensors in the same air, against each other."""
    witnesses = []
    sensors = shop.sensors_of(zone)
    for sensor in sensors:
        channel = tracks[sensor.id].channels.get(Quantity.AIR_TEMPERATURE)
        fresh = channel is not None and now_s - channel.believed_time_s <= shop.fresh_s[zone]
        if channel is not None and fresh and sensor.accuracy is not None:
            witnesses.append(Witness(sensor.id, channel.believed_value, sensor.accuracy.temperature_std_k))
    if not sensors:
        return
    apart = compare(witnesses, sensors[0].rules.judging)
    for sensor in sensors:
        tracks[sensor.id] = remembered(tracks[sensor.id], apart.get(sensor.id), now_s)


def fresh_tracks(shop: Shop, kept: dict[str, SensorTrack], now_s: float) -> dict[str, SensorTrack]:
    """A track for every sensor of the settings: kept where there is one, new otherwise."""
    return {name: kept.get(name) or new_track(name, now_s) for name in shop.sensors}
