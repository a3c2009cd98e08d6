"""Says by the clock what is thought of a sensor: stale, stuck, failed, in need of care, or good."""

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import NamedTuple

from monitor.model.reading import Reading
from monitor.model.sensor import SensorHealth, SensorStatus
from monitor.sensors.judge import faded, named, shown
from monitor.sensors.quality_rules import DAY_S, ChannelRules, SensorRules
from monitor.sensors.stillness import stands_still
from monitor.sensors.track import NEVER_S, NO_STAMPS, ChannelTrack, DoubtReason, SensorTrack

# Worst first. Sources differ on the last two; instrument manuals rank F, C, S, M.
RANK = (
    SensorStatus.FAILURE,
    SensorStatus.FUNCTION_CHECK,
    SensorStatus.OUT_OF_SPECIFICATION,
    SensorStatus.MAINTENANCE_REQUIRED,
    SensorStatus.GOOD,
)


_HOUR_S = 3600.0
_EARLY_S = 0.001  # sums of moments are rounded
_BELIEVED_REASONS = frozenset({DoubtReason.NONE, DoubtReason.DISAGREES})


class SensorFinding(NamedTuple):
    """One thing noticed about a sensor."""

    status: SensorStatus
    reason: DoubtReason
    words: str
    since_s: float


def resumed(track: SensorTrack, now_s: float) -> SensorTrack:
    """The track after a pause of the service itself: silence during the pause is not held against it."""
    return replace(track, watched_from_s=now_s)


def tick(
    track: SensorTrack, rules: SensorRules, now_s: float, peers: Sequence[SensorTrack] = ()
) -> tuple[SensorTrack, SensorHealth | None]:
    """The track at a time, and the sensor's health where it has changed.

    `peers` are the other sensors in the same air: a value that stands still while theirs move is stuck.
    """
    if still_good(track, rules, now_s):
        return track, None
    track = _not_ahead(track, now_s)
    track = _with_stuck_marks(track, rules, now_s, peers)
    findings = list(_findings(track, rules, now_s, peers))
    worst = min(findings, key=lambda finding: RANK.index(finding.status), default=None)
    if worst is None:
        worst = SensorFinding(SensorStatus.GOOD, DoubtReason.NONE, "", now_s)
    before = track.health
    if before is not None and before.status == worst.status and track.reason == worst.reason:
        return track, None
    also = [f.words for f in findings if f is not worst]
    health = SensorHealth(
        sensor=track.sensor,
        status=worst.status,
        reason="; also: ".join([worst.words, *also]),
        since_s=worst.since_s,
        last_time_s=newest_s(track),
    )
    return replace(track, health=health, reason=worst.reason), health


def still_good(track: SensorTrack, rules: SensorRules, now_s: float) -> bool:
    """Whether a closer look at a good sensor cannot find anything; in doubt it says no.

    Most sensors are good at most ticks, and a closer look costs ten times as much.
    """
    health, clock = track.health, track.clock
    if health is None or health.status is not SensorStatus.GOOD or track.reason is not DoubtReason.NONE:
        return False
    if track.apart_since_s is not None or clock.jumps or clock.wrong or not track.channels:
        return False
    due_s = rules.calibration_due_s
    if max(track.watched_from_s, clock.arrived_s) > now_s or (due_s is not None and now_s >= due_s):
        return False
    newest = NEVER_S
    for quantity, channel in track.channels.items():
        limits = rules.channels.get(quantity)
        if limits is None or not _sound(channel, limits, rules, now_s):
            return False
        if now_s - max(channel.believed_time_s, track.watched_from_s) > rules.stale_after_s:
            return False
        newest = max(newest, channel.last_time_s)
    return now_s - max(newest, track.watched_from_s) <= rules.stale_after_s


def look_again_s(track: SensorTrack, rules: SensorRules) -> float:
    """When time alone first calls for a closer look at a sensor that is good now; early rather than late."""
    last_s = min(one.believed_time_s for one in track.channels.values())
    silent_s = max(last_s, track.watched_from_s) + rules.stale_after_s
    due_s = rules.calibration_due_s
    return (silent_s if due_s is None else min(silent_s, due_s)) - _EARLY_S


def says_nothing_new(channel: ChannelTrack, reading: Reading, rules: SensorRules) -> bool:
    """Whether a plain reading, after which its channel is this, leaves a good sensor good."""
    if channel.still_n > 1 or channel.end_since_s != NEVER_S or reading.time_s > reading.arrived_s:
        return False
    limits = rules.channels[reading.key.quantity]
    return limits.low_warning is None and channel.doubt_score < rules.judging.noisy_per_h


def _sound(channel: ChannelTrack, limits: ChannelRules, rules: SensorRules, now_s: float) -> bool:
    """Whether one channel gives no reason for a closer look."""
    judging = rules.judging
    if channel.stuck or channel.last_time_s > now_s or channel.end_since_s != NEVER_S:
        return False
    if channel.bad_n >= judging.recover_n or channel.doubt_score >= judging.noisy_per_h:
        return False
    if limits.low_warning is not None and channel.believed_value < limits.low_warning:
        return False
    still = judging.stillness
    still_s = channel.last_time_s - channel.still_since_s
    return channel.still_n < still.least_n or still_s < still.strong * rules.stuck_after_s


def newest_s(track: SensorTrack) -> float | None:
    """When the sensor's newest reading was measured."""
    return max((channel.last_time_s for channel in track.channels.values()), default=None)


def _not_ahead(track: SensorTrack, now_s: float) -> SensorTrack:
    """After the clock was set back, remembered times must not lie in the future and block new readings."""
    if track.clock.arrived_s > now_s:
        track = replace(track, clock=NO_STAMPS)
    if all(channel.last_time_s <= now_s for channel in track.channels.values()):
        return track if track.watched_from_s <= now_s else replace(track, watched_from_s=now_s)
    channels = {
        quantity: channel._replace(
            last_time_s=min(channel.last_time_s, now_s),
            believed_time_s=min(channel.believed_time_s, now_s),
            trial_time_s=min(channel.trial_time_s, now_s),
            still_since_s=min(channel.still_since_s, now_s),
            doubt_time_s=min(channel.doubt_time_s, now_s),
        )
        for quantity, channel in track.channels.items()
    }
    return replace(track, channels=channels, watched_from_s=min(track.watched_from_s, now_s))


def _with_stuck_marks(
    track: SensorTrack, rules: SensorRules, now_s: float, peers: Sequence[SensorTrack]
) -> SensorTrack:
    newly = {
        quantity: channel._replace(stuck=True)
        for quantity, channel in track.channels.items()
        if not channel.stuck and stands_still(quantity, track, rules, now_s, peers)
    }
    return replace(track, channels={**track.channels, **newly}) if newly else track


def _findings(
    track: SensorTrack, rules: SensorRules, now_s: float, peers: Sequence[SensorTrack]
) -> Iterator[SensorFinding]:
    silent = _silence(track, rules, now_s)
    if silent is not None:
        yield silent
    yield from _clock(track)
    for quantity, channel in track.channels.items():
        limits = rules.channels.get(quantity)
        if limits is not None:
            yield from _channel_findings(track, channel, limits, rules, now_s)
            yield from _at_the_end(channel, limits, rules, now_s, peers)
    if track.apart_since_s is not None and now_s - track.apart_since_s >= rules.judging.disagree_after_s:
        reason = DoubtReason.ODD_ONE_OUT if track.apart_odd_one else DoubtReason.DISAGREES
        # of two that differ nobody can say which is wrong: both stay in use, both want checking
        status = (
            SensorStatus.OUT_OF_SPECIFICATION if track.apart_odd_one else SensorStatus.MAINTENANCE_REQUIRED
        )
        yield SensorFinding(status, reason, track.apart_words, track.apart_since_s)
    if rules.calibration_due_s is not None and now_s >= rules.calibration_due_s:
        words = "calibration is due"
        yield SensorFinding(
            SensorStatus.MAINTENANCE_REQUIRED, DoubtReason.CALIBRATION_DUE, words, rules.calibration_due_s
        )


def _silence(track: SensorTrack, rules: SensorRules, now_s: float) -> SensorFinding | None:
    last_s = newest_s(track)
    since_s = track.watched_from_s if last_s is None else last_s
    waited_s = now_s - max(since_s, track.watched_from_s)
    if waited_s <= rules.stale_after_s:
        if last_s is not None:
            return None
        words = "not heard yet since it was set up"
        return SensorFinding(
            SensorStatus.FUNCTION_CHECK, DoubtReason.NOT_HEARD_YET, words, track.watched_from_s
        )
    minutes = f"{rules.stale_after_s / 60.0:.0f} min"
    if now_s - track.clock.arrived_s <= rules.stale_after_s:
        words = f"speaks, but nothing it measured within {minutes}: a backlog, or set its clock"
        return SensorFinding(SensorStatus.FAILURE, DoubtReason.COMES_LATE, words, since_s)
    if last_s is None:
        words = "no reading since it was set up"
        return SensorFinding(SensorStatus.FAILURE, DoubtReason.NEVER_HEARD, words, since_s)
    # Told once, when the silence begins, so it says what will stay true while it lasts.
    return SensorFinding(
        SensorStatus.FAILURE, DoubtReason.STALE, f"no reading for more than {minutes}", since_s
    )


def _clock(track: SensorTrack) -> Iterator[SensorFinding]:
    clock = track.clock
    if clock.jumps:
        words = "its clock jumps about; judged by arrival, set its clock"
        yield SensorFinding(SensorStatus.MAINTENANCE_REQUIRED, DoubtReason.CLOCK_WRONG, words, clock.since_s)
    elif clock.wrong:
        side = "behind" if clock.off_s > 0.0 else "ahead"
        words = f"its clock is {_long(abs(clock.off_s))} {side}; judged by arrival, set its clock"
        yield SensorFinding(SensorStatus.MAINTENANCE_REQUIRED, DoubtReason.CLOCK_WRONG, words, clock.since_s)


def _long(seconds: float) -> str:
    if seconds < 2.0 * _HOUR_S:
        return f"{seconds / 60.0:.0f} min"
    return f"{seconds / _HOUR_S:.0f} h" if seconds < 2.0 * DAY_S else f"{seconds / DAY_S:.0f} days"


def _channel_findings(
    track: SensorTrack, channel: ChannelTrack, limits: ChannelRules, rules: SensorRules, now_s: float
) -> Iterator[SensorFinding]:
    name = named(limits.quantity)
    if channel.stuck:
        value = shown(limits.quantity, channel.last_value)
        words = f"{name} has stood still at {value} for {(now_s - channel.still_since_s) / 3600.0:.1f} h"
        yield SensorFinding(SensorStatus.FAILURE, DoubtReason.STUCK, words, channel.still_since_s)
    elif channel.bad_n >= rules.judging.recover_n and not channel.good_n and channel.cause:
        status, since_s = SensorStatus.OUT_OF_SPECIFICATION, _bad_since_s(track, channel)
        yield SensorFinding(status, DoubtReason.IMPLAUSIBLE, channel.cause, since_s)
    elif channel.bad_n >= rules.judging.recover_n and not channel.good_n:
        words = f"{name} out of range {channel.bad_n} times in a row"
        yield SensorFinding(
            SensorStatus.FAILURE, DoubtReason.OUT_OF_RANGE, words, _bad_since_s(track, channel)
        )
    elif channel.bad_n >= rules.judging.recover_n:
        words = f"{name} settling after a failure"
        yield SensorFinding(SensorStatus.FUNCTION_CHECK, DoubtReason.SETTLING, words, channel.last_time_s)
    elif _without_value(track, channel, rules, now_s):
        words = f"no believable {name} for {rules.stale_after_s / 60.0:.0f} min"
        yield SensorFinding(
            SensorStatus.FAILURE, DoubtReason.NO_USABLE_VALUE, words, _bad_since_s(track, channel)
        )
    if faded(channel, now_s) >= rules.judging.noisy_per_h:
        words = f"{name}: {faded(channel, now_s):.0f} doubtful readings within the hour"
        yield SensorFinding(SensorStatus.MAINTENANCE_REQUIRED, DoubtReason.NOISY, words, channel.doubt_time_s)
    if limits.low_warning is not None and channel.believed_value < limits.low_warning:
        words = f"{name} down to {shown(limits.quantity, channel.believed_value)}"
        yield SensorFinding(
            SensorStatus.MAINTENANCE_REQUIRED, DoubtReason.BATTERY_LOW, words, channel.believed_time_s
        )


def _at_the_end(
    channel: ChannelTrack,
    limits: ChannelRules,
    rules: SensorRules,
    now_s: float,
    peers: Sequence[SensorTrack],
) -> Iterator[SensorFinding]:
    """Exactly 0 or 100 %RH for long: dry is not believed, wet is until a drier neighbour stands against it.

    What reads wet can calm nobody, and fog does the same.
    """
    since_s = channel.end_since_s
    if since_s == NEVER_S or channel.stuck:
        return
    lasted_s = channel.last_time_s - since_s
    name, value = named(limits.quantity), shown(limits.quantity, min(max(channel.last_value, 0.0), 1.0))
    words = f"{name} at exactly {value} for {lasted_s / 3600.0:.1f} h, the end of its range"
    out, care = SensorStatus.OUT_OF_SPECIFICATION, SensorStatus.MAINTENANCE_REQUIRED
    if channel.last_value <= 0.0:
        if lasted_s >= rules.judging.at_zero_s:
            yield SensorFinding(out, DoubtReason.AT_THE_END, f"{words}: dead? Hold it in room air", since_s)
    elif lasted_s >= rules.stuck_after_s and _drier_peer(limits, rules, peers, now_s):
        yield SensorFinding(
            out, DoubtReason.AT_THE_END, f"{words}, with a drier neighbour: wet or dead?", since_s
        )
    elif lasted_s >= rules.judging.at_full_s:
        yield SensorFinding(
            care, DoubtReason.AT_THE_END, f"{words}: taken as wet until it is checked", since_s
        )


def _drier_peer(limits: ChannelRules, rules: SensorRules, peers: Sequence[SensorTrack], now_s: float) -> bool:
    """Whether a believed neighbour in the same air is drier by more than both can err and rooms differ."""
    apart = rules.judging.room_spread_frac + limits.accuracy_outer
    others = (peer.channels.get(limits.quantity) for peer in peers if peer.reason in _BELIEVED_REASONS)
    return any(
        one is not None
        and now_s - one.believed_time_s <= rules.stale_after_s
        and one.believed_value < 1.0 - apart
        for one in others
    )


def _without_value(track: SensorTrack, channel: ChannelTrack, rules: SensorRules, now_s: float) -> bool:
    """Readings keep coming, yet none could be believed for as long as silence would be borne."""
    heard = now_s - channel.last_time_s <= rules.stale_after_s
    return heard and now_s - max(channel.believed_time_s, track.watched_from_s) > rules.stale_after_s


def _bad_since_s(track: SensorTrack, channel: ChannelTrack) -> float:
    return channel.believed_time_s if channel.believed_time_s != NEVER_S else track.watched_from_s
