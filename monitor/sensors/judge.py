"""Judges one reading after the other: range, jumps that do not hold, settling after a failure."""

from collections.abc import Iterable, Mapping
from math import exp

from monitor.model.reading import Quantity, Reading
from monitor.model.sensor import SensorStatus
from monitor.sensors.plausible import implausible, lived
from monitor.sensors.quality_rules import ChannelRules, SensorRules
from monitor.sensors.track import (
    NEVER_S,
    ChannelTrack,
    DoubtReason,
    SensorTrack,
    Verdict,
    with_channels,
)

BELIEVED = Verdict(True, True, SensorStatus.GOOD, DoubtReason.NONE, "")
BELIEVED_LATE = Verdict(True, False, SensorStatus.GOOD, DoubtReason.NONE, "")

_tuple = tuple.__new__  # a named one, without the call that its own making takes
_SAME = 1e-9  # changes below this are arithmetic, not measurement
_HOUR_S = 3600.0
_MONTH_S = 30 * 86_400.0

_UNITS = {
    Quantity.AIR_TEMPERATURE: ("air temperature", 1.0, " °C"),
    Quantity.SURFACE_TEMPERATURE: ("surface temperature", 1.0, " °C"),
    Quantity.RELATIVE_HUMIDITY: ("relative humidity", 100.0, " %"),
    Quantity.STATION_PRESSURE: ("pressure", 0.01, " hPa"),
    Quantity.DOOR_OPEN: ("door", 100.0, " %"),
    Quantity.WINDOW_OPEN: ("window", 100.0, " %"),
    Quantity.EXTRACT_ON: ("extraction", 100.0, " %"),
    Quantity.CARBON_DIOXIDE: ("carbon dioxide", 1.0, " ppm"),
    Quantity.PEOPLE: ("people", 1.0, ""),
    Quantity.HEATER_POWER: ("heater power", 0.001, " kW"),
    Quantity.DEHUMIDIFIER_POWER: ("dehumidifier power", 0.001, " kW"),
    Quantity.COLD_PARTS: ("cold parts", 1.0, " kg"),
    Quantity.SOLAR_RADIATION: ("solar radiation", 1.0, " W/m²"),
    Quantity.BATTERY: ("battery", 100.0, " %"),
}


def judge(
    track: SensorTrack, reading: Reading, rules: SensorRules, *, vouched: bool = False
) -> tuple[SensorTrack, Verdict]:
    """The sensor's track after this reading, and whether the reading can be believed.

    Where it is `vouched` for by another sensor a jump need not hold first; every other doubt stays.
    """
    quantity = reading.key.quantity
    if (plain := plainly(track, track.channels, reading, rules)) is not None:
        return with_channels(track, {**track.channels, quantity: plain}), BELIEVED
    limits = rules.channels.get(quantity)
    if limits is None:
        return track, _doubt(
            SensorStatus.OUT_OF_SPECIFICATION, DoubtReason.NOT_DECLARED, "not in the settings"
        )
    time_s = reading.time_s
    value = reading.value
    usable = limits.minimum <= value <= limits.maximum  # false for NaN
    if time_s > reading.arrived_s + rules.judging.ahead_s:
        return track, _ahead(reading)
    channel = track.channels.get(quantity)
    if channel is not None and time_s <= channel.last_time_s:
        if usable and (unlikely := implausible(track, value, limits, rules)):
            return track, _unlikely(unlikely, current=False)
        return track, BELIEVED_LATE if usable else _out_of_range(limits, value, current=False)
    unlikely = implausible(track, value, limits, rules) if usable else ""
    if not usable or unlikely:
        channel, verdict = _unusable(channel, time_s, value, limits, unlikely)
    elif channel is None:
        channel, verdict = first(time_s, value), BELIEVED
    else:
        channel, verdict = _usable(channel, time_s, value, limits, rules, vouched=vouched)
        if verdict is BELIEVED and track.reason is DoubtReason.ODD_ONE_OUT:
            verdict = _doubt(SensorStatus.OUT_OF_SPECIFICATION, DoubtReason.ODD_ONE_OUT, track.apart_words)
    if usable:
        channel = lived(track.channels.get(quantity), channel, value, limits)
    return with_channels(track, {**track.channels, quantity: channel}), verdict


def plainly(
    track: SensorTrack,
    channels: Mapping[Quantity, ChannelTrack],
    reading: Reading,
    rules: SensorRules,
) -> ChannelTrack | None:
    """The channel after a reading of which nothing can be doubted; None where `judge` has to look closer.

    `channels` are the track's, as they are by now.
    """
    (_, _, quantity), time_s, arrived_s, value, _, _ = reading
    limits, channel = rules.channels.get(quantity), channels.get(quantity)
    if limits is None or channel is None or track.reason is DoubtReason.ODD_ONE_OUT:
        return None
    if not limits.minimum <= value <= limits.maximum or not limits.driest <= value <= limits.hottest:
        return None
    if (
        not channel.last_time_s < time_s <= arrived_s + rules.judging.ahead_s
        or channel.stuck
        or channel.bad_n
    ):
        return None
    believed_s = channel.believed_time_s
    reach = limits.max_rate_per_s * (time_s - believed_s) + 2.0 * limits.accuracy
    if abs(value - channel.believed_value) > reach or believed_s == NEVER_S:
        return None
    return lived(channel, _seen(channel, time_s, value, limits, believed=True), value, limits)


def judge_many(
    track: SensorTrack, readings: Iterable[Reading], rules: SensorRules
) -> tuple[SensorTrack, list[Verdict]]:
    """`judge` over readings of one sensor in order of arrival."""
    verdicts = []
    for reading in readings:
        track, verdict = judge(track, reading, rules)
        verdicts.append(verdict)
    return track, verdicts


def shown(quantity: Quantity, value: float) -> str:
    """A value as people write it, with its unit."""
    _, factor, unit = _UNITS[quantity]
    return f"{value * factor:.1f}{unit}"


def named(quantity: Quantity) -> str:
    """What a quantity is called in words."""
    return _UNITS[quantity][0]


def _doubt(status: SensorStatus, reason: DoubtReason, words: str, *, current: bool = True) -> Verdict:
    return Verdict(False, current, status, reason, words)


def _unlikely(words: str, *, current: bool = True) -> Verdict:
    return _doubt(SensorStatus.OUT_OF_SPECIFICATION, DoubtReason.IMPLAUSIBLE, words, current=current)


def _ahead(reading: Reading) -> Verdict:
    ahead_s = reading.time_s - reading.arrived_s
    words = f"its time lies {ahead_s:.0f} s ahead of its arrival; set the sensor's clock"
    return _doubt(SensorStatus.OUT_OF_SPECIFICATION, DoubtReason.CLOCK_AHEAD, words, current=False)


def _out_of_range(limits: ChannelRules, value: float, *, current: bool) -> Verdict:
    quantity = limits.quantity
    words = (
        f"{named(quantity)} {shown(quantity, value)} lies outside "
        f"{shown(quantity, limits.minimum)} to {shown(quantity, limits.maximum)}"
    )
    return _doubt(SensorStatus.FAILURE, DoubtReason.OUT_OF_RANGE, words, current=current)


def first(time_s: float, value: float) -> ChannelTrack:
    """A channel after its first reading."""
    return ChannelTrack(
        last_time_s=time_s,
        last_value=value,
        believed_time_s=time_s,
        believed_value=value,
        trial_value=0.0,
        trial_time_s=NEVER_S,
        trial_n=0,
        bad_n=0,
        good_n=0,
        still_since_s=time_s,
        still_n=1,
        resolution=0.0,
        longest_still_s=0.0,
        known_since_s=time_s,
        anchor=value,
        moved_at_s=(NEVER_S, NEVER_S, NEVER_S),
        stuck=False,
        doubt_score=0.0,
        doubt_time_s=time_s,
    )


def faded(channel: ChannelTrack, time_s: float) -> float:
    """How many doubtful readings of the last hour still weigh at a time."""
    return channel.doubt_score * exp(-max(0.0, time_s - channel.doubt_time_s) / _HOUR_S)


def _unusable(
    channel: ChannelTrack | None, time_s: float, value: float, limits: ChannelRules, unlikely: str
) -> tuple[ChannelTrack, Verdict]:
    if channel is None:
        channel = first(time_s, 0.0)._replace(believed_time_s=NEVER_S, still_n=0)
    channel = channel._replace(
        last_time_s=time_s,
        bad_n=channel.bad_n + 1,
        good_n=0,
        trial_n=0,
        still_since_s=time_s,
        still_n=0,
        # a run of bad readings is one event; its length is told as a failure
        doubt_score=faded(channel, time_s) + (channel.bad_n == 0),
        doubt_time_s=time_s,
        cause=unlikely,
    )
    return channel, _unlikely(unlikely) if unlikely else _out_of_range(limits, value, current=True)


def _usable(
    channel: ChannelTrack,
    time_s: float,
    value: float,
    limits: ChannelRules,
    rules: SensorRules,
    *,
    vouched: bool,
) -> tuple[ChannelTrack, Verdict]:
    reach = limits.max_rate_per_s * (time_s - channel.believed_time_s) + 2.0 * limits.accuracy
    if abs(value - channel.believed_value) > reach and channel.believed_time_s != NEVER_S:
        held, channel = _on_trial(channel, time_s, value, limits)
        if held < rules.judging.hold_n and not vouched:
            words = (
                f"{named(limits.quantity)} jumped from {shown(limits.quantity, channel.believed_value)} "
                f"to {shown(limits.quantity, value)}; believed once it holds"
            )
            channel = _seen(channel, time_s, value, limits, believed=False)
            return channel, _doubt(SensorStatus.OUT_OF_SPECIFICATION, DoubtReason.JUMP, words)
    needed = min(channel.bad_n, rules.judging.recover_n)
    if channel.good_n + 1 < needed:
        channel = _seen(channel, time_s, value, limits, believed=False)
        words = f"settling after a failure: {channel.good_n + 1} of {needed} good readings"
        channel = channel._replace(good_n=channel.good_n + 1)
        return channel, _doubt(SensorStatus.FUNCTION_CHECK, DoubtReason.SETTLING, words)
    channel = _seen(channel, time_s, value, limits, believed=True)
    if channel.stuck:
        words = f"{named(limits.quantity)} has stood still at {shown(limits.quantity, value)}"
        return channel, _doubt(SensorStatus.FAILURE, DoubtReason.STUCK, words)
    return channel, BELIEVED


def _on_trial(
    channel: ChannelTrack, time_s: float, value: float, limits: ChannelRules
) -> tuple[int, ChannelTrack]:
    """How many readings in a row have held the new level, this one included."""
    reach = limits.max_rate_per_s * (time_s - channel.trial_time_s) + 2.0 * limits.accuracy
    held = channel.trial_n + 1 if channel.trial_n and abs(value - channel.trial_value) <= reach else 1
    return held, channel._replace(
        trial_value=value,
        trial_time_s=time_s,
        trial_n=held,
        doubt_score=faded(channel, time_s) + (held == 1),
        doubt_time_s=time_s,
    )


def _seen(
    channel: ChannelTrack, time_s: float, value: float, limits: ChannelRules, *, believed: bool
) -> ChannelTrack:
    """The track with this value remembered: stillness, resolution, movement."""
    change = abs(value - channel.last_value)
    still_since_s, still_n, stuck = channel.still_since_s, channel.still_n, channel.stuck
    resolution, longest_still_s = channel.resolution, channel.longest_still_s
    if change <= _SAME and still_n:
        still_n += 1
    else:
        if still_n:
            resolution = min(resolution, change) if resolution else change
            if not stuck:
                run_s = channel.last_time_s - still_since_s
                longest_still_s = max(run_s, longest_still_s * (1.0 - min(1.0, run_s / _MONTH_S)))
        still_since_s, still_n, stuck = time_s, 1, False
    anchor, moved_at_s = channel.anchor, channel.moved_at_s
    if abs(value - anchor) >= limits.move_step:
        anchor, moved_at_s = value, (moved_at_s[1], moved_at_s[2], time_s)
    accepted = believed and not stuck
    return _tuple(
        ChannelTrack,
        (
            time_s,
            value,
            time_s if accepted else channel.believed_time_s,
            value if accepted else channel.believed_value,
            channel.trial_value,
            channel.trial_time_s,
            0 if believed else channel.trial_n,
            0 if believed else channel.bad_n,
            0 if believed else channel.good_n,
            still_since_s,
            still_n,
            resolution,
            longest_still_s,
            channel.known_since_s,
            anchor,
            moved_at_s,
            stuck,
            channel.doubt_score,
            channel.doubt_time_s,
            channel.cause,
            channel.highest,
            channel.end_since_s,
        ),
    )
