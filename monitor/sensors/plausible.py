"""Air that no shop has, and what most likely made the number: a unit, a swap, a dead element.

A genuine reading near 0 %RH is told from a fraction sent as percent by the sensor's own past: a fraction
never gets above 1.1 "percent", so the first reading above that proves the unit, for good. In an open place
air so dry is not believed all the same; in a cabinet or oven it then is.
"""

from monitor.model.reading import Quantity
from monitor.sensors.quality_rules import ChannelRules, SensorRules
from monitor.sensors.track import NEVER_S, ChannelTrack, SensorTrack

_AS_FRACTION = (0.0, 1.0)
_PERCENT = 100.0
_FULL_FRAC = 1.0


def implausible(track: SensorTrack, value: float, limits: ChannelRules, rules: SensorRules) -> str:
    """Why no air is like this, with the likely cause; "" where it may well be."""
    if value > limits.hottest:
        words = f"air of {value:.1f} °C is hotter than any outside an oven"
        return f"{words}: degrees Fahrenheit sent as Celsius, or swapped with humidity?"
    if value >= limits.driest:
        return ""
    warm = track.channels.get(Quantity.AIR_TEMPERATURE)
    if warm is not None and warm.believed_time_s != NEVER_S and warm.believed_value > limits.judged_to_c:
        return ""
    channel = track.channels.get(limits.quantity)
    words = f"relative humidity {_PERCENT * value:.2f} % is drier than any open place"
    if channel is None or channel.highest < limits.driest:
        return f"{words}: {as_percent(value)}"
    return "" if rules.steady_place else f"{words}: humidity element dead or unplugged?"


def as_percent(humidity_frac: float) -> str:
    """The likely cause of a humidity near 0, with the cure."""
    meant = _PERCENT * humidity_frac
    if not _AS_FRACTION[0] < meant <= _AS_FRACTION[1]:
        return "a fraction sent as percent, or a dead element? Hold it in room air once"
    cure = f'send {_PERCENT * meant:.0f} or give the unit as "/"'
    return f"a fraction sent as percent? {cure}; if it is true, hold the sensor in room air once"


def lived(
    before: ChannelTrack | None, channel: ChannelTrack, value: float, limits: ChannelRules
) -> ChannelTrack:
    """The track of a humidity channel with what tells its unit, and how long it has stood at an end."""
    if limits.quantity is not Quantity.RELATIVE_HUMIDITY:
        return channel
    end_s = NEVER_S
    if value <= 0.0 or value >= _FULL_FRAC:
        end_s = channel.last_time_s
        if (
            before is not None
            and before.end_since_s != NEVER_S
            and (before.last_value > 0.0) == (value > 0.0)
        ):
            end_s = before.end_since_s
    highest = value if value > channel.highest else channel.highest
    if end_s == channel.end_since_s and highest == channel.highest:
        return channel
    return channel._replace(highest=highest, end_since_s=end_s)
