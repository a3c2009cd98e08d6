"""Tells a stuck value from a truly steady one: it is stuck only if a witness says the air moved."""

from collections.abc import Iterable, Sequence

from monitor.quality.rules import QualityRules
from monitor.quality.track import ChannelTrack, SensorTrack
from monitor.values import Quantity

_MIN_READINGS = 10  # a slow sensor's few equal values prove nothing
_PATIENCE = 4.0  # how much longer to wait where a value's own resolution is not known to be fine
_FREE_RH_FRAC = (0.10, 0.97)  # near dry and in fog a humidity value may rightly stand still
_AIR = (Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY)


def stands_still(
    quantity: Quantity, track: SensorTrack, rules: QualityRules, now_s: float, peers: Sequence[SensorTrack]
) -> bool:
    """Whether one channel is stuck rather than steady.

    Equal values alone prove nothing: an oven holds its temperature and a coarse sensor repeats itself.
    A witness is asked: the device's own other channel, which moved (temperature cannot move 1.5 K while
    relative humidity stays the same to the last digit) or stood as still (air outside an oven never holds
    both); or other sensors in the same air, which moved.
    """
    channel = track.channels[quantity]
    limits = rules.channels.get(quantity)
    if limits is None or quantity not in (*_AIR, Quantity.SURFACE_TEMPERATURE):
        return False
    still_s = channel.last_time_s - channel.still_since_s
    if still_s < rules.stuck_after_s or channel.still_n < _MIN_READINGS:
        return False
    if quantity is Quantity.RELATIVE_HUMIDITY and not _free(channel):
        return False
    if _moved_since(channel.still_since_s, (p.channels.get(quantity) for p in peers)):
        return True
    fine = 0.0 < channel.resolution < limits.accuracy
    patience = 1.0 if fine else _PATIENCE
    return still_s >= patience * rules.stuck_after_s and _device_says_so(quantity, track, rules, now_s)


def _device_says_so(quantity: Quantity, track: SensorTrack, rules: QualityRules, now_s: float) -> bool:
    if quantity not in _AIR:
        return False
    channel = track.channels[quantity]
    other_quantity = _AIR[1 - _AIR.index(quantity)]
    other = track.channels.get(other_quantity)
    if other is None or now_s - other.last_time_s > rules.stale_after_s:
        return False
    moved = _moved_since(channel.still_since_s, (other,))
    if quantity is Quantity.RELATIVE_HUMIDITY and moved:
        return True
    if rules.steady_place:
        return False
    if moved:
        return True
    both_still_s = other.last_time_s - max(other.still_since_s, channel.still_since_s)
    both = both_still_s >= rules.stuck_after_s and other.still_n >= _MIN_READINGS
    return both and (other_quantity is not Quantity.RELATIVE_HUMIDITY or _free(other))


def _free(channel: ChannelTrack) -> bool:
    low, high = _FREE_RH_FRAC
    return low <= channel.last_value <= high


def _moved_since(time_s: float, channels: Iterable[ChannelTrack | None]) -> bool:
    """Whether any of these made three clear movements since a time."""
    return any(channel is not None and channel.moved_at_s[0] >= time_s for channel in channels)
