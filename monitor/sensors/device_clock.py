"""Tells a device whose clock is wrong from one that sends an old backlog, and dates its readings rightly.

A wrong clock runs on: what it stamps lies behind (or ahead of) the arrival by the same amount for as long as
one looks. A backlog catches up: its stamps run faster than the arrivals. So a lag that stays the same over
several arrivals, spread over a while, is a clock's; the readings are then dated by it, which is by their
arrival as long as they come at once. A clock that jumps about is not believed at all: arrival counts.
"""

from dataclasses import replace

from monitor.model.reading import Reading
from monitor.sensors.quality_rules import SensorRules
from monitor.sensors.track import NO_STAMPS, DeviceClock, SensorTrack


def dated(track: SensorTrack, reading: Reading, rules: SensorRules) -> tuple[SensorTrack, Reading]:
    """The track with what this stamp says of the device's clock, and the reading as it is to be judged."""
    if not reading.time_from_device or is_sound(reading.arrived_s - reading.time_s, rules):
        return (replace(track, clock=NO_STAMPS) if track.clock.seen else track), reading
    clock = _followed(track.clock, reading, rules)
    return replace(track, clock=clock), reading._replace(time_s=_time_s(clock, reading, rules))


def is_sound(lag_s: float, rules: SensorRules) -> bool:
    """Whether a stamp this far behind its arrival (negative: ahead) may simply have been under way."""
    return -rules.judging.ahead_s <= lag_s <= rules.judging.behind_s


def may_tell_of_the_past(clock: DeviceClock) -> bool:
    """Whether a late stamp may be a backlog's; one whose lag stays the same is as likely a wrong clock's."""
    return not clock.seen or clock.wrong or (clock.moved and clock.n <= 1)


def _time_s(clock: DeviceClock, reading: Reading, rules: SensorRules) -> float:
    if clock.jumps:
        return reading.arrived_s
    if not clock.wrong:
        return reading.time_s
    time_s = reading.time_s + clock.off_s
    at_once = abs(reading.arrived_s - time_s) <= rules.judging.same_lag_s
    return reading.arrived_s if at_once else min(time_s, reading.arrived_s)


def _followed(clock: DeviceClock, reading: Reading, rules: SensorRules) -> DeviceClock:
    """What one more stamp, which is not sound, says of the clock."""
    lag_s, same_s = reading.arrived_s - reading.time_s, rules.judging.same_lag_s
    new = reading.arrived_s > clock.arrived_s  # the next message, not another number of the same
    leaps = clock.leaps + (new and clock.seen and reading.time_s < clock.stamp_s - same_s)
    if not clock.seen:
        since_s, lag_since_s, first_lag_s, n = reading.arrived_s, reading.arrived_s, lag_s, 1
    elif abs(lag_s - clock.lag_s) <= same_s:
        since_s, lag_since_s, first_lag_s, n = clock.since_s, clock.lag_since_s, clock.lag_s, clock.n + new
    else:
        since_s, lag_since_s, first_lag_s, n = clock.since_s, reading.arrived_s, lag_s, 1
    patience_s = rules.judging.clock_after_s
    steady = n >= rules.judging.hold_n and reading.arrived_s - lag_since_s >= patience_s
    jumps = not steady and (
        clock.jumps or (leaps >= rules.judging.leaps_n and reading.arrived_s - since_s >= rules.stale_after_s)
    )
    return DeviceClock(
        arrived_s=max(clock.arrived_s, reading.arrived_s),
        stamp_s=reading.time_s,
        seen=True,
        since_s=since_s,
        lag_s=first_lag_s,
        lag_since_s=lag_since_s,
        n=n,
        moved=clock.seen and (clock.moved or abs(lag_s - clock.lag_s) > same_s),
        leaps=0 if steady else leaps,
        wrong=steady or (clock.wrong and not jumps),
        off_s=first_lag_s if steady else clock.off_s,
        jumps=jumps,
    )
