"""What the pages are given to work with; the service fills it in."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.alarms.states import CommandKind
from monitor.outlook.shifts import ShiftSpan
from monitor.settings import Settings
from monitor.snapshot import Snapshot
from monitor.store.contract import Event, Ledger, SeriesStore
from monitor.values import NewEvent


@dataclass(frozen=True, slots=True)
class OperateRequest:
    """One person's answer to one condition.

    `since_s` names the occurrence answered (None: whichever stands); `key` makes it idempotent.
    Shelving always comes with `until_s` and `reason`, taking out of service with `reason`.
    """

    action: CommandKind
    condition: str
    who: str
    time_s: float
    key: str
    reason: str = ""
    until_s: float | None = None
    since_s: float | None = None


@dataclass(frozen=True, slots=True)
class OperateResult:
    """Whether it was done, and what to tell the person."""

    done: bool
    text: str


@dataclass(frozen=True, slots=True)
class WebDeps:
    """Everything the pages read, and the two ways in which they act.

    `key` signs forms and one-tap links. `shift_spans` gives the shifts that touch a stretch of time.
    `record` takes the entries of `monitor.things.entries` (`body_of(entry)` is an event's body), refuses
    with an InputError what cannot be true, and derives clocks and bodies anew;
    `monitor.things.histories` reads them back.
    """

    settings: Settings
    series: SeriesStore
    ledger: Ledger
    snapshot: Callable[[], Snapshot]
    operate: Callable[[OperateRequest], OperateResult]
    record: Callable[[NewEvent], Event]
    shift_spans: Callable[[float, float], Sequence[ShiftSpan]]
    clock: Callable[[], float]
    key: bytes
