"""What is remembered of a sensor between readings; frozen, so it can be stored and restored."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import NamedTuple

from monitor.model.reading import Quantity
from monitor.model.sensor import SensorHealth, SensorStatus

NEVER_S = -1.0e18  # before any reading; a plain number keeps the state encodable everywhere


class DoubtReason(StrEnum):
    """Stable codes of what can be wrong; the words beside them may change."""

    NONE = "none"
    NOT_DECLARED = "not_declared"
    CLOCK_AHEAD = "clock_ahead"
    CLOCK_WRONG = "clock_wrong"
    COMES_LATE = "comes_late"
    NOT_HEARD_YET = "not_heard_yet"
    OUT_OF_RANGE = "out_of_range"
    IMPLAUSIBLE = "implausible"
    AT_THE_END = "at_the_end"
    JUMP = "jump"
    SETTLING = "settling"
    STUCK = "stuck"
    STALE = "stale"
    NEVER_HEARD = "never_heard"
    NO_USABLE_VALUE = "no_usable_value"
    DISAGREES = "disagrees"
    ODD_ONE_OUT = "odd_one_out"
    NOISY = "noisy"
    BATTERY_LOW = "battery_low"
    CALIBRATION_DUE = "calibration_due"


class ChannelTrack(NamedTuple):
    """One quantity of one sensor. A tuple, because one is made for every reading."""

    last_time_s: float
    last_value: float
    believed_time_s: float  # NEVER_S: nothing believed yet
    believed_value: float
    trial_value: float  # a new level that has yet to hold
    trial_time_s: float
    trial_n: int
    bad_n: int  # unusable readings in a row
    good_n: int  # usable ones since
    still_since_s: float  # since when the value has been exactly the same
    still_n: int
    resolution: float  # smallest step seen; 0 until one was seen
    longest_still_s: float  # longest time it stood still in health, fading over a month
    known_since_s: float
    anchor: float  # last value that counted as movement
    moved_at_s: tuple[float, float, float]  # the last three movements, oldest first
    stuck: bool
    doubt_score: float  # doubtful readings, fading over an hour
    doubt_time_s: float
    cause: str = ""  # the likely cause of a run of unusable readings, where there is one
    highest: float = 0.0  # largest value ever; a fraction sent as percent never gets far
    end_since_s: float = NEVER_S  # since when it has stood at exactly 0 or full


class DeviceClock(NamedTuple):
    """What stamps say of a device's clock since none is sound. Lag: how far one lies behind its arrival."""

    arrived_s: float = NEVER_S  # of the last message
    stamp_s: float = NEVER_S  # the last one, as the device gave it
    seen: bool = False  # stamps are not sound now
    since_s: float = NEVER_S  # since when none was sound
    lag_s: float = 0.0  # at which it now stays
    lag_since_s: float = NEVER_S
    n: int = 0  # messages with this lag
    moved: bool = False  # the lag has changed since: it may be a backlog
    leaps: int = 0  # how often a stamp lay before the one before
    wrong: bool = False  # the lag has stayed the same: it is the clock's
    off_s: float = 0.0  # how far the clock is behind; negative: ahead
    jumps: bool = False


NO_STAMPS = DeviceClock()


@dataclass(frozen=True)  # without slots: see `with_channels`
class SensorTrack:
    """One sensor: its channels, and what was last said of it."""

    sensor: str
    watched_from_s: float  # silence counts from here at the earliest
    channels: dict[Quantity, ChannelTrack] = field(default_factory=dict)
    health: SensorHealth | None = None
    reason: DoubtReason = DoubtReason.NONE
    apart_since_s: float | None = None  # since when it differs from its neighbours
    apart_odd_one: bool = False  # it stands alone against two or more
    apart_words: str = ""
    clock: DeviceClock = NO_STAMPS


class Verdict(NamedTuple):
    """What is thought of one reading.

    `believed` readings may enter decisions. `current` readings are newer than anything before, so
    they may move the present state; a late one is stored and charted only.
    """

    believed: bool
    current: bool
    status: SensorStatus
    reason: DoubtReason
    words: str


def with_channels(track: SensorTrack, channels: dict[Quantity, ChannelTrack]) -> SensorTrack:
    """As `replace`, filled by hand: one is made for every message, and that takes several times as long."""
    after = object.__new__(SensorTrack)
    after.__dict__.update(track.__dict__, channels=channels)
    return after


def new_track(sensor: str, now_s: float) -> SensorTrack:
    """A sensor nothing is known of yet."""
    return SensorTrack(sensor=sensor, watched_from_s=now_s)
