"""Tells a stuck value from a truly steady one: it is stuck only if a witness says the air moved."""

from collections.abc import Iterable, Sequence
from math import inf

from monitor.model.reading import Quantity
from monitor.sensors.quality_rules import QualityRules
from monitor.sensors.track import ChannelTrack, SensorTrack

_MIN_READINGS = 10  # a slow sensor's few equal values prove nothing
_LONG = 2.0  # how many times as long to wait where the evidence is weak
_SOON = 1.0 / 3.0  # and where it is strong: a fine device that stands still to the last digit in both
_FINE = 0.5  # its steps are smaller than this part of what counts as movement
_GRID = {Quantity.AIR_TEMPERATURE: 0.5, Quantity.RELATIVE_HUMIDITY: 0.01}  # of coarse devices
_ON_GRID = 1e-6
_KNOWN_S = 86_400.0  # a sensor's habits are known after a day
_LIVELY = 0.25  # it never stood still for more than this part of the wait
_TOGETHER_S = 3600.0  # a frozen device stops both its values at about the same time
_FREE_RH_FRAC = (0.10, 0.97)  # near dry and in fog a humidity value may rightly stand still
_AIR = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)
_CAN_STICK = frozenset({*_AIR, Quantity.SURFACE_TEMPERATURE})


def stands_still(
    quantity: Quantity, track: SensorTrack, rules: QualityRules, now_s: float, peers: Sequence[SensorTrack]
) -> bool:
    """Whether one channel is stuck rather than steady.

    Equal values alone prove nothing: an oven holds its temperature and a coarse sensor repeats itself.
    A witness is asked: other sensors in the same air, which moved; or the device's own other channel,
    which moved or stopped at the same time. How long to wait depends on the sensor's own habits.
    """
    channel = track.channels[quantity]
    if quantity not in _CAN_STICK or channel.still_n < _MIN_READINGS:
        return False
    still_s = channel.last_time_s - channel.still_since_s
    if still_s < _SOON * rules.stuck_after_s:
        return False
    if quantity is Quantity.RELATIVE_HUMIDITY and not _free(channel):
        return False
    if still_s >= rules.stuck_after_s and _moved_since(
        channel.still_since_s, (p.channels.get(quantity) for p in peers)
    ):
        return True
    return still_s >= _patience(quantity, track, rules, now_s) * rules.stuck_after_s


def _patience(quantity: Quantity, track: SensorTrack, rules: QualityRules, now_s: float) -> float:
    """How many times the usual wait the device's other channel calls for; inf where it proves nothing."""
    if quantity not in _AIR:
        return inf
    channel = track.channels[quantity]
    other_quantity = _AIR[1 - _AIR.index(quantity)]
    other = track.channels.get(other_quantity)
    if other is None or now_s - other.last_time_s > rules.stale_after_s:
        return inf
    usual = 1.0 if _lively(channel, rules) else _LONG
    moved = _moved_since(channel.still_since_s, (other,))
    if quantity is Quantity.RELATIVE_HUMIDITY and moved:
        return usual  # temperature cannot move by 1.5 K and leave humidity as it was to the last digit
    if rules.steady_place:
        return inf
    humid = other if quantity is Quantity.AIR_TEMPERATURE else channel
    together = other.still_since_s <= channel.still_since_s + _TOGETHER_S and _free(humid)
    if together and _fine(quantity, channel, rules) and _fine(other_quantity, other, rules):
        return _SOON
    return usual if moved or together else inf


def _fine(quantity: Quantity, channel: ChannelTrack, rules: QualityRules) -> bool:
    """Whether a channel shows small steps, so that standing still to the last digit is no habit of it."""
    if channel.longest_still_s > _FINE * _SOON * rules.stuck_after_s:
        return False
    limits = rules.channels.get(quantity)
    if channel.resolution > 0.0 and limits is not None:
        return channel.resolution < _FINE * limits.move_step
    steps = channel.last_value / _GRID[quantity]
    return abs(steps - round(steps)) > _ON_GRID


def _lively(channel: ChannelTrack, rules: QualityRules) -> bool:
    """Whether the channel is known to flicker even in still air; a coarse one or a thermostat's is not."""
    known = channel.still_since_s - channel.known_since_s >= _KNOWN_S
    return known and channel.longest_still_s < _LIVELY * rules.stuck_after_s


def _free(channel: ChannelTrack) -> bool:
    low, high = _FREE_RH_FRAC
    return low <= channel.last_value <= high


def _moved_since(time_s: float, channels: Iterable[ChannelTrack | None]) -> bool:
    """Whether any of these made three clear movements since a time."""
    return any(channel is not None and channel.moved_at_s[0] >= time_s for channel in channels)
