"""What the core remembers between steps, what it is given, and what it wants done."""

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from monitor.alarms.escalation import EscalationBook
from monitor.alarms.grouping import GroupBook
from monitor.alarms.lifecycle import written_down
from monitor.alarms.states import AlarmBook, Command
from monitor.alarms.trend import Trend
from monitor.consumables.exposure_clock import ExposureClock
from monitor.core.body_figures import Figures
from monitor.core.remembered import Remembered
from monitor.core.supposed import Held, Supposed
from monitor.core.zone_air import Sample, ZoneAir, whole
from monitor.model.air import AirState
from monitor.model.event import NewEvent
from monitor.model.level import Level
from monitor.model.notification import Notification
from monitor.model.picture import ActionNow, ShiftNow
from monitor.model.reading import Mark, Point, Reading, StoredReading
from monitor.outlook.warning import WarningMemory
from monitor.physics.lag import BodyState
from monitor.physics.night_sky import Clouds
from monitor.sensors.track import SensorTrack

NOT_RUNNING = "the service was not running"


class Since(NamedTuple):
    """A level and when it began; the last that stood on evidence, when, and why it was so."""

    level: Level
    since_s: float
    known_s: float | None = None
    known: str = ""


class Use(NamedTuple):
    """How far a package's exposure has gone, as its conditions see it."""

    used_frac: float
    due_at_s: float | None
    counting: bool


class Silence(NamedTuple):
    """A stretch in which a zone had no believable air at any derived tick; `lasts`: it has none yet."""

    from_s: float
    to_s: float
    lasts: bool


@dataclass(frozen=True)
class CoreState:
    """Everything the core remembers; plain enough to be stored and read back."""

    order: int  # of the last reading judged; 0 where none was
    time_s: float  # of the last tick
    derived_s: float  # when derived series were last written
    tracks: dict[str, SensorTrack]
    heard: dict[str, ZoneAir]
    air: dict[str, AirState]
    dew_trends: dict[str, Trend]
    dew_rises: dict[str, float]  # K/h
    bodies: dict[str, BodyState]
    figures: dict[str, Figures]
    margin_trends: dict[str, Trend]
    clocks: dict[str, ExposureClock]
    uses: dict[str, Use]
    book: AlarmBook
    groups: GroupBook
    since: dict[str, Since]
    courses: EscalationBook = field(default_factory=EscalationBook)
    service: dict[str, float] = field(default_factory=dict)
    shifts: tuple[ShiftNow, ...] = ()
    actions: tuple[ActionNow, ...] = ()
    memory: WarningMemory = field(default_factory=WarningMemory)
    spoken: dict[str, Sample] = field(default_factory=dict)  # by zone: the last air that clocks have seen
    supposed: dict[str, Supposed] = field(default_factory=dict)  # by body
    watched_s: float = 0.0  # since when the shop has been watched without a break
    digest_s: float = 0.0  # up to when the hours of daily words have been looked at
    carried_s: float = 0.0  # when packages were last carried along
    silences: dict[str, tuple[Silence, ...]] = field(default_factory=dict)  # by zone, in order of time
    late: dict[str, tuple[Reading, ...]] = field(default_factory=dict)  # by zone: they tell of a silence
    filled: dict[str, tuple[float, float]] = field(
        default_factory=dict
    )  # by zone: clocks are to be recounted
    clouds: dict[str, Clouds] = field(default_factory=dict)  # by site, as last forecast
    store: int = 0  # which series store `order` counts in; 0: not known
    judged_s: float = 0.0  # the time that the last reading judged gives, so that its store is known again
    hurried_s: float = 0.0  # when a crossed limit is judged ahead of the grid; past: none waits
    crossed: tuple[str, ...] = ()  # conditions that have hurried since the grid's last moment
    remembered: Remembered | None = field(default=None, compare=False)  # see there: never stored


if TYPE_CHECKING:
    from dataclasses import replace as replace
else:

    def replace(record, /, **changes):
        """As `dataclasses.replace`, which for the many fields of the state takes most of a tick's time."""
        if not isinstance(record, CoreState):
            return dataclasses.replace(record, **changes)
        state = object.__new__(CoreState)
        state.__dict__.update(record.__dict__, **changes)
        return state


def as_stored(state: CoreState) -> CoreState:
    """The state as it is kept: nothing remembered beside it; every number and moment written down."""
    air = {zone: whole(one) for zone, one in state.air.items()}
    return replace(state, remembered=None, book=written_down(state.book), air=air)


@dataclass(frozen=True, slots=True)
class Arrived:
    """Readings in order of arrival; the step stops after the moment in which one crosses a limit.

    `order` of the state then says how many were taken; the rest is given again after that has been judged.
    """

    readings: tuple[StoredReading, ...]


@dataclass(frozen=True, slots=True)
class Tick:
    """A moment of the grid, or `hurried` ahead of it; everything that arrived before it has been given."""

    now_s: float
    hurried: bool = False


@dataclass(frozen=True, slots=True)
class Gap:
    """Nobody was watching from the last tick until `now_s`."""

    now_s: float
    why: str = NOT_RUNNING


@dataclass(frozen=True, slots=True)
class Resume:
    """The service has caught up after a start: what waits is worked in before clocks are derived anew."""

    now_s: float


@dataclass(frozen=True, slots=True)
class Afresh:
    """What was known cannot be believed any more: begin anew with the readings after `order` of a store."""

    now_s: float
    why: str
    order: int
    store: int


@dataclass(frozen=True, slots=True)
class Operate:
    """A person's answer to an alarm."""

    command: Command
    now_s: float


@dataclass(frozen=True, slots=True)
class ServiceFacts:
    """How the service itself is doing, by kind of condition."""

    values: dict[str, float]


@dataclass(frozen=True, slots=True)
class Foreseen:
    """What is expected of the coming shifts, what to do before them, and what has been told of them."""

    shifts: tuple[ShiftNow, ...]
    actions: tuple[ActionNow, ...]
    memory: WarningMemory
    clouds: dict[str, Clouds] = field(default_factory=dict)  # by site; none: no forecast of them


@dataclass(frozen=True, slots=True)
class Rederived:
    """Things as their whole history now tells them.

    A clock of None: the package is gone. A body without a state begins with the first air that is heard.
    `filled`: late readings had filled gaps of air, and this sees to them.
    """

    clocks: Mapping[str, ExposureClock | None] = field(default_factory=dict)
    bodies: Mapping[str, Held] = field(default_factory=dict)
    filled: bool = False


Input = Arrived | Tick | Gap | Resume | Afresh | Operate | ServiceFacts | Foreseen | Rederived


@dataclass(frozen=True, slots=True)
class Effects:
    """What is to be written; `outbox` pairs a channel with a message."""

    marks: tuple[Mark, ...] = ()
    points: tuple[Point, ...] = ()
    events: tuple[NewEvent, ...] = ()
    outbox: tuple[tuple[str, Notification], ...] = ()


NOTHING = Effects()
