"""Takes in readings as they arrived: believes or doubts each, and follows the health of sensors."""

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from statistics import median

from monitor.core.crossing import OpenLimits, hurrying
from monitor.core.early_belief import shown_by_another
from monitor.core.late_readings import collected, is_late
from monitor.core.mixing import Mixing, forget
from monitor.core.remembered import Remembered, of
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Effects, Silence, replace
from monitor.core.watch import of_sensor, of_track
from monitor.model.event import EventKind, NewEvent
from monitor.model.reading import Mark, Quantity, Reading, StoredReading
from monitor.model.sensor import SensorHealth
from monitor.physics.observer import observe
from monitor.physics.saturation import saturation_pressure_water_pa, vapour_of
from monitor.sensors.accuracy import humidity_std_frac, standard_uncertainty, temperature_std_k
from monitor.sensors.agreement import Apart, PeerReading, PeerSpread, alike, compare, remembered
from monitor.sensors.device_clock import dated, may_tell_of_the_past
from monitor.sensors.health import look_again_s as health_look_s
from monitor.sensors.health import says_nothing_new, still_good
from monitor.sensors.health import tick as health_tick
from monitor.sensors.judge import judge, plainly
from monitor.sensors.quality_rules import Judging, SensorRules
from monitor.sensors.track import DoubtReason, SensorTrack, Verdict, new_track, with_channels

ROUNDED = 1.0 - 1e-9  # of a bound that other sums are held against


def arrived(shop: Shop, state: CoreState, readings: tuple[StoredReading, ...]) -> tuple[CoreState, Effects]:
    """Judge readings in order; believed ones move the air of their zone, probes correct their body.

    Where one crosses a limit, the rest of its moment is taken and no more: that is judged first.
    """
    known, conditions = of(state.remembered, shop, math.inf), state.book.conditions
    hurry = known.hurrying
    if hurry is None or hurry[0] is not conditions:
        hurry = conditions, hurrying(conditions)
    limits = OpenLimits(shop, state, hurry[1])
    taken = _Taken(shop, state)
    for order, received in limits.up_to_crossed(readings):
        sensor = shop.sensors.get(received.key.source)
        if sensor is not None:  # else no longer in the settings; its readings stay in the store
            taken.take(order, received, sensor, limits)
    tracks = taken.tracks()
    heard, against = dict(state.heard), dict(known.against)
    for zone, believed in taken.by_zone.items():
        mixing = Mixing(heard[zone], shop.fresh_s[zone], shop.judged_to_c, against.get(zone))
        mixing.take(believed)
        heard[zone], against[zone] = mixing.air(), mixing.against
    if known.tracks is state.tracks:  # of the sensors that have not been heard since it stays true
        wanted = [name for name, own in taken.own.items() if own.wants_a_look]
        known = known.but(tracks=tracks, told=known.told.union(wanted))
    time_s = max(known.time_s, taken.latest_s)
    after = replace(
        state,
        order=limits.last.order,
        judged_s=limits.last.reading.time_s,
        tracks=tracks,
        heard=heard,
        late=collected(state.late, taken.late, shop.derived_every_s) if taken.late else state.late,
        hurried_s=limits.hurried_s,
        crossed=limits.crossed,
        remembered=known.but(against=against, hurrying=hurry, time_s=time_s),
    )
    return _probed(shop, after, taken.probes), Effects(marks=tuple(taken.marks))


class _Own:
    """One sensor while readings are taken in: its track as it was, its channels as they are by now."""

    __slots__ = ("channels", "speaks", "track", "wants_a_look")

    def __init__(self, track: SensorTrack) -> None:
        self.track, self.channels = track, track.channels
        self.speaks = _speaks(track)
        self.wants_a_look = False

    def now(self) -> SensorTrack:
        """Its track with all that was taken in; made once for many readings."""
        if self.channels is not self.track.channels:
            self.track = with_channels(self.track, self.channels)
        return self.track


class _Taken:
    """What has been taken of readings: the believed air by zone, probes, what tells of a silence."""

    def __init__(self, shop: Shop, state: CoreState) -> None:
        self.marks: list[Mark] = []
        self.by_zone: dict[str, list[Reading]] = defaultdict(list)
        self.probes: list[Reading] = []
        self.late: dict[str, list[Reading]] = defaultdict(list)
        self.own: dict[str, _Own] = {}
        self.latest_s = -math.inf  # arrival
        self._shop = shop
        self._tracks, self._silences = state.tracks, state.silences

    def tracks(self) -> dict[str, SensorTrack]:
        """Every sensor's track with all that was taken in."""
        return {**self._tracks, **{name: one.now() for name, one in self.own.items()}}

    def take(self, order: int, received: Reading, sensor: SensorRules, limits: OpenLimits) -> None:
        """Judge one reading, and put it where it counts."""
        own = self.own.get(sensor.id)
        if own is None:
            own = self.own[sensor.id] = _Own(self._tracks[sensor.id])
        before, quantity = own.channels, received.key.quantity
        if received.arrived_s > self.latest_s:
            self.latest_s = received.arrived_s
        track, reading = dated(own.track, received, sensor)
        plain = plainly(track, before, reading, sensor) if track is own.track else None
        if plain is None:
            verdict, reading = self._judged(own, received, sensor)
            if not verdict.believed:
                self.marks.append(Mark(order, verdict.status, verdict.words))
                return
            current = verdict.current
        else:
            own.channels = {**before, quantity: plain}
            current = True
            if not says_nothing_new(plain, reading, sensor):
                own.wants_a_look = True
        silences = self._silences.get(sensor.zone)
        if silences and reading.time_s <= silences[-1].to_s and self._tells_of(silences, own, reading):
            self.late[sensor.zone].append(reading)
        if not current:
            return
        if quantity is Quantity.SURFACE_TEMPERATURE:
            self.probes.append(reading)
        elif own.speaks:
            self.by_zone[sensor.zone].append(reading)
            limits.look(sensor.zone, before, own.channels, reading)

    @staticmethod
    def _tells_of(silences: Sequence[Silence], own: _Own, reading: Reading) -> bool:
        return may_tell_of_the_past(own.track.clock) and is_late(silences, reading, own.now())

    def _judged(self, own: _Own, received: Reading, sensor: SensorRules) -> tuple[Verdict, Reading]:
        """A closer look at a reading, if need be with the others of its zone."""
        before, reading = dated(own.now(), received, sensor)
        track, verdict = judge(before, reading, sensor)
        if verdict.reason is DoubtReason.JUMP:
            tracks = {**self.tracks(), sensor.id: before}
            if shown_by_another(self._shop, tracks, sensor, reading):
                track, verdict = judge(before, reading, sensor, vouched=True)
        own.track, own.channels, own.speaks = track, track.channels, _speaks(track)
        own.wants_a_look = True
        return verdict, reading


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
            heard[sensor.zone] = forget(heard[sensor.zone], name, shop.fresh_s[sensor.zone], shop.judged_to_c)
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
    warm: list[tuple[SensorRules, float]] = []
    damp: list[tuple[SensorRules, float, float]] = []
    for sensor in sensors:
        celsius = _believed_now(tracks[sensor.id], Quantity.AIR_TEMPERATURE, now_s, shop.fresh_s[zone])
        if celsius is None or Quantity.AIR_TEMPERATURE not in sensor.channels:  # taken off the settings
            continue
        warm.append((sensor, celsius))
        humidity = _believed_now(tracks[sensor.id], Quantity.RELATIVE_HUMIDITY, now_s, shop.fresh_s[zone])
        if humidity is not None and celsius <= shop.judged_to_c:
            damp.append((sensor, celsius, min(max(humidity, 0.0), 1.0)))
    judging, apart = sensors[0].judging, {}
    if not alike([celsius for _, celsius in warm], judging.room_spread_k):
        apart = compare([PeerReading(s.id, c, temperature_std_k(s, c)) for s, c in warm], judging)
    if len(damp) > 1:
        apart = {**_water_apart(damp, judging), **apart}
    for sensor in sensors:
        track = tracks[sensor.id]
        if apart or track.apart_since_s is not None:
            tracks[sensor.id] = remembered(track, apart.get(sensor.id), now_s)


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
    vapours_pa = [vapour_of(celsius, humidity) for _, celsius, humidity in damp]
    if alike(vapours_pa, ROUNDED * judging.room_spread_frac * common_pa):
        return {}
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
