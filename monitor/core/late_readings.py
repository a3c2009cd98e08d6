"""Fills stretches in which a zone was not heard with readings that came late.

Only what was measured fills a gap: late readings go through the same checks and the same mixing as timely
ones, at the moments at which the air would have been kept. A stretch once filled stays as it is.
"""

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence

from monitor.core.derived_series import air_points, warmth_points
from monitor.core.mixing import hear
from monitor.core.shop import Shop
from monitor.core.state import CoreState, Silence, replace
from monitor.core.zone_air import Sample, ZoneAir, air_state, temperature_only
from monitor.model.reading import Point, Quantity, Reading
from monitor.sensors.judge import judge_many
from monitor.sensors.track import DoubtReason, SensorTrack, new_track

REACH_S = 7 * 86_400.0  # a gap that ended longer ago stays as it is
SILENCES = 50  # kept for each zone
ENOUGH = 5_000  # late readings of a zone that are worked in without waiting for more
PATIENCE_S = 600.0  # at most so long are they collected
KEEP = 60_000  # a week of three sensors; what is more stays not known
NEAR = 200  # of those waiting, looked through for one of the same moment
AIR = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)


def is_late(silences: Sequence[Silence], reading: Reading, track: SensorTrack) -> bool:
    """Whether a believed reading tells of a time in which its zone was not heard."""
    if not silences or reading.time_s > silences[-1].to_s or reading.key.quantity not in AIR:
        return False
    if track.reason is DoubtReason.ODD_ONE_OUT:
        return False
    return any(one.from_s < reading.time_s <= one.to_s for one in reversed(silences))


def collected(
    late: dict[str, tuple[Reading, ...]], found: dict[str, list[Reading]], every_s: float
) -> dict[str, tuple[Reading, ...]]:
    """What waits to be worked in, with what has come since; one of each series for each derived tick."""
    new: dict[str, tuple[Reading, ...]] = {}
    for zone, readings in found.items():
        waiting = late.get(zone, ())
        seen = {(one.key, one.time_s // every_s) for one in waiting[-NEAR:]}
        kept: list[Reading] = []
        for one in readings:
            mark = (one.key, one.time_s // every_s)
            if mark not in seen:
                seen.add(mark)
                kept.append(one)
        new[zone] = (*waiting, *kept)[-KEEP:]
    return {**late, **new}


def unheard(shop: Shop, state: CoreState, heard: frozenset[str], now_s: float) -> CoreState:
    """The stretches without air after a derived tick at which these zones had some."""
    silences: dict[str, tuple[Silence, ...]] = {}
    for zone in shop.zones:
        kept = [one for one in state.silences.get(zone, ()) if one.to_s > now_s - REACH_S]
        if zone in heard:
            kept = [one._replace(lasts=False) for one in kept]
        elif kept and kept[-1].lasts:
            kept[-1] = kept[-1]._replace(to_s=now_s)
        else:
            kept.append(Silence(state.carried_s or now_s, now_s, lasts=True))
        silences[zone] = tuple(kept[-SILENCES:])
    return replace(state, silences=silences, carried_s=now_s)


def filled(shop: Shop, state: CoreState, now_s: float) -> tuple[CoreState, tuple[Point, ...]]:
    """The air of gaps that late readings fill; `state.filled` says which, until clocks are counted again."""
    late, silences, fills = dict(state.late), dict(state.silences), dict(state.filled)
    points: list[Point] = []
    for zone, readings in state.late.items():
        if not _complete(readings, now_s, shop.derived_every_s):
            continue
        del late[zone]
        believed = _believed(shop, readings)
        left: list[Silence] = []
        for silence in silences.get(zone, ()):
            told = dict(_air_of(shop, zone, silence, believed, now_s))
            points += [point for found in told.values() for point in found]
            left += _left(silence, list(_grid(shop, silence, now_s)), told)
            if told:
                before = fills.get(zone)
                first, last = min(told), max(told)
                fills[zone] = (
                    (first, last) if before is None else (min(before[0], first), max(before[1], last))
                )
        silences[zone] = tuple(left[-SILENCES:])
    return replace(state, late=late, silences=silences, filled=fills), tuple(points)


def _complete(readings: Sequence[Reading], now_s: float, pause_s: float) -> bool:
    """Nothing more has come for a while, or there is enough to begin with."""
    first_s, last_s = readings[0].arrived_s, readings[-1].arrived_s
    return len(readings) >= ENOUGH or now_s - last_s >= pause_s or now_s - first_s >= PATIENCE_S


def _believed(shop: Shop, readings: Sequence[Reading]) -> list[Reading]:
    """In order of time, each sensor's judged as if they had come in time."""
    by_sensor: dict[str, list[Reading]] = defaultdict(list)
    for reading in sorted(readings, key=lambda one: one.time_s):
        by_sensor[reading.key.source].append(reading)
    kept: list[Reading] = []
    for sensor, own in by_sensor.items():
        facts = shop.sensors.get(sensor)
        if facts is None:
            continue
        _, verdicts = judge_many(new_track(sensor, own[0].time_s), own, facts)
        kept += [one for one, verdict in zip(own, verdicts, strict=True) if verdict.believed]
    return sorted(kept, key=lambda one: one.time_s)


def _grid(shop: Shop, silence: Silence, now_s: float) -> Iterator[float]:
    """The moments of a stretch at which its air would have been kept."""
    n, every_s = 1, shop.derived_every_s
    while (time_s := silence.from_s + n * every_s) <= silence.to_s:
        if time_s > now_s - REACH_S:
            yield time_s
        n += 1


def _air_of(
    shop: Shop, zone: str, silence: Silence, readings: Sequence[Reading], now_s: float
) -> Iterator[tuple[float, list[Point]]]:
    facts, fresh_s = shop.zones[zone], shop.fresh_s[zone]
    air, at = ZoneAir(), 0
    for time_s in _grid(shop, silence, now_s):
        new: list[Reading] = []
        while at < len(readings) and readings[at].time_s <= time_s:
            new.append(readings[at])
            at += 1
        if new:
            air = hear(replace(air, samples=()), new, fresh_s, shop.judged_to_c)
        now = air_state(air, time_s, fresh_s, facts.pressure_pa, shop.sensors, shop.judged_to_c)
        warm = temperature_only(air, time_s, fresh_s)
        if now is not None:
            yield time_s, list(air_points(zone, now, time_s))
        elif warm is not None:
            told = Sample(warm.time_s, warm.coldest_c, math.nan, warm.hottest_c)
            yield time_s, list(warmth_points(zone, told))


def _left(silence: Silence, grid: Sequence[float], told: dict[float, list[Point]]) -> Iterator[Silence]:
    """What of a stretch is still without air."""
    if not told:
        yield silence
        return
    begin_s = silence.from_s
    last_s = begin_s
    for time_s in grid:
        if time_s in told:
            if last_s > begin_s:
                yield Silence(begin_s, last_s, lasts=False)
            begin_s = time_s
        last_s = time_s
    if silence.to_s > begin_s and last_s > begin_s:
        yield Silence(begin_s, silence.to_s, lasts=silence.lasts)
