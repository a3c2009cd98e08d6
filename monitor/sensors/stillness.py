"""Tells a stuck value from a truly steady one: it is stuck only if a witness says the air moved."""

from collections.abc import Iterable, Sequence
from math import inf

from monitor.model.reading import Quantity
from monitor.sensors.quality_rules import SensorRules, Stillness
from monitor.sensors.track import ChannelTrack, SensorTrack

_ON_GRID = 1e-6  # of a step: arithmetic
_AIR = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
_CAN_STICK = frozenset({*_AIR, Quantity.SURFACE_TEMPERATURE})


def stands_still(
    quantity: Quantity, track: SensorTrack, rules: SensorRules, now_s: float, peers: Sequence[SensorTrack]
) -> bool:
    """Whether one channel is stuck rather than steady.

    Equal values alone prove nothing: an oven holds its temperature and a coarse sensor repeats itself.
    A witness is asked: other sensors in the same air, which moved; or the device's own other channel,
    which moved or stopped at the same time. How long to wait depends on the sensor's own habits.
    """
    channel, still = track.channels[quantity], rules.judging.stillness
    if quantity not in _CAN_STICK or channel.still_n < still.least_n:
        return False
    still_s = channel.last_time_s - channel.still_since_s
    if still_s < still.strong * rules.stuck_after_s:
        return False
    if quantity is Quantity.RELATIVE_HUMIDITY and not _free(channel, still):
        return False
    if still_s >= rules.stuck_after_s and _moved_since(
        channel.still_since_s, (p.channels.get(quantity) for p in peers)
    ):
        return True
    return still_s >= _patience(quantity, track, rules, now_s) * rules.stuck_after_s


def _patience(quantity: Quantity, track: SensorTrack, rules: SensorRules, now_s: float) -> float:
    """How many times the usual wait the device's other channel calls for; inf where it proves nothing."""
    if quantity not in _AIR:
        return inf
    channel, still = track.channels[quantity], rules.judging.stillness
    other_quantity = _AIR[1 - _AIR.index(quantity)]
    other = track.channels.get(other_quantity)
    if other is None or now_s - other.last_time_s > rules.stale_after_s:
        return inf
    usual = 1.0 if _lively(channel, rules) else still.weak
    moved = _moved_since(channel.still_since_s, (other,))
    if quantity is Quantity.RELATIVE_HUMIDITY and moved:
        return usual  # temperature cannot move by 1.5 K and leave humidity as it was to the last digit
    if rules.steady_place:
        return inf
    humid = other if quantity is Quantity.AIR_TEMPERATURE else channel
    together = other.still_since_s <= channel.still_since_s + still.together_s and _free(humid, still)
    if together and _fine(quantity, channel, rules) and _fine(other_quantity, other, rules):
        return still.strong
    return usual if moved or together else inf


def _fine(quantity: Quantity, channel: ChannelTrack, rules: SensorRules) -> bool:
    """Whether a channel shows small steps, so that standing still to the last digit is no habit of it."""
    still = rules.judging.stillness
    if channel.longest_still_s > still.fine * still.strong * rules.stuck_after_s:
        return False
    limits = rules.channels.get(quantity)
    if channel.resolution > 0.0 and limits is not None:
        return channel.resolution < still.fine * limits.move_step
    coarse = still.coarse_step_k if quantity is Quantity.AIR_TEMPERATURE else still.coarse_step_frac
    steps = channel.last_value / coarse
    return abs(steps - round(steps)) > _ON_GRID


def _lively(channel: ChannelTrack, rules: SensorRules) -> bool:
    """Whether the channel is known to flicker even in still air; a coarse one or a thermostat's is not."""
    still = rules.judging.stillness
    known = channel.still_since_s - channel.known_since_s >= still.known_s
    return known and channel.longest_still_s < still.lively * rules.stuck_after_s


def _free(channel: ChannelTrack, still: Stillness) -> bool:
    return still.free_from_frac <= channel.last_value <= still.free_to_frac


def _moved_since(time_s: float, channels: Iterable[ChannelTrack | None]) -> bool:
    """Whether any of these made three clear movements since a time."""
    return any(channel is not None and channel.moved_at_s[0] >= time_s for channel in channels)
