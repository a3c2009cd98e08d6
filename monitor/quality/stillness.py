"""Tells a stuck value from a truly steady one: it is stuck only if a witness says the air moved."""

from collections.abc import Iterable, Sequence
from math import inf

from monitor.quality.rules import QualityRules
from monitor.quality.track import ChannelTrack, SensorTrack
from monitor.values import Quantity

_MIN_READINGS = 10  # a slow sensor's few equal values prove nothing
_LONG = 4.0  # how many times as long to wait where the evidence is weak
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
    if still_s < rules.stuck_after_s or (quantity is Quantity.RELATIVE_HUMIDITY and not _free(channel)):
        return False
    if _moved_since(channel.still_since_s, (p.channels.get(quantity) for p in peers)):
        return True
    return still_s >= _patience(quantity, track, rules, now_s) * rules.stuck_after_s


def _patience(quantity: Quantity, track: SensorTrack, rules: QualityRules, now_s: float) -> float:
    """How many times the usual wait the device's other channel calls for; inf where it proves nothing."""
    if quantity not in _AIR:
        return inf
    channel = track.channels[quantity]
    other = track.channels.get(_AIR[1 - _AIR.index(quantity)])
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
    return usual if moved or together else inf


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
