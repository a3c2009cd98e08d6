"""What is watched: one condition per thing and trouble, and what was observed of it."""

from dataclasses import dataclass
from math import isfinite
from typing import NamedTuple

from monitor.alarms.catalogue import Catalogue, Direction, Priority
from monitor.model.errors import RangeError

SUPPOSED = "what had to be supposed decides it"  # why a value of something in a watched zone is unknown
MIN_CYCLE_S = 60.0  # chattering is three cycles in a minute; with this floor there can be one at most


@dataclass(frozen=True, slots=True)
class Condition:
    """One thing watched for one trouble.

    A value beyond `limit` without a break for `on_delay_s` is the trouble; it is over once the value
    has stayed clear of the limit by `dead_band` for `off_delay_s`. `unwatched_id` names the condition
    that speaks up when this one's value stays unknown. Where `stays_answered`, the same trouble needs no
    second answer when it comes back into play: it cannot have changed meanwhile.
    """

    id: str
    kind: str
    family: str
    subject: str  # id of the zone, body, package, sensor, shift or part of the service
    zone: str  # "" where it concerns the whole site
    site: str
    limit: float
    dead_band: float
    direction: Direction
    on_delay_s: float
    off_delay_s: float
    unknown_after_s: float
    rise_step: float
    priority: Priority
    latching: bool
    max_shelf_s: float
    response: str
    not_when: tuple[str, ...] = ()
    unwatched_id: str | None = None
    stays_answered: bool = False

    def __post_init__(self) -> None:
        if not (isfinite(self.limit) and self.dead_band >= 0.0):
            raise RangeError(f"{self.id}: limit and dead_band", (self.limit, self.dead_band), "finite, ≥ 0")
        if self.on_delay_s < 0.0 or self.on_delay_s + self.off_delay_s < MIN_CYCLE_S:
            delays = (self.on_delay_s, self.off_delay_s)
            raise RangeError(f"{self.id}: on and off delay", delays, f"together at least {MIN_CYCLE_S:g} s")

    def beyond(self, value: float) -> bool:
        """Whether a value lies in trouble; the limit itself is still allowed."""
        return value > self.limit if self.direction is Direction.ABOVE else value < self.limit

    def clear(self, value: float) -> bool:
        """Whether a value lies clear of the limit by more than the dead-band."""
        if self.direction is Direction.ABOVE:
            return value <= self.limit - self.dead_band
        return value >= self.limit + self.dead_band

    def worse_by(self, value: float, than: float) -> float:
        """How much further into trouble a value lies than another."""
        return value - than if self.direction is Direction.ABOVE else than - value


NO_NUMBERS: dict[str, float] = {}


class Observation(NamedTuple):
    """What is known of a condition at a time; no value means unknown, and unknown is never safe.

    `facts` are the truths that may put the condition out of play (see `Condition.not_when`).
    `numbers` travel with the alarm into its message: times end in `_s`.
    """

    condition_id: str
    value: float | None
    time_s: float
    unknown_reason: str = ""
    facts: tuple[str, ...] = ()
    numbers: dict[str, float] = NO_NUMBERS


class Tuning(NamedTuple):
    """Where a shop's settings depart from the catalogue; None keeps the catalogue's figure."""

    limit: float | None = None
    dead_band: float | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    priority: Priority | None = None


AS_CATALOGUED = Tuning()


class ConditionSubject(NamedTuple):
    """The thing a condition watches; `kind` picks the response (cylinder, plate, "")."""

    id: str
    zone: str
    site: str
    kind: str = ""


def condition_id(kind: str, subject: str) -> str:
    """The id of the one condition of a kind on a subject."""
    return f"{kind}.{subject}"


def condition(
    catalogue: Catalogue,
    kind_name: str,
    subject: ConditionSubject,
    tuning: Tuning = AS_CATALOGUED,
    *,
    unwatched_id: str | None = None,
) -> Condition:
    """A condition of a catalogued kind; delays are lifted to where chattering cannot happen."""
    kind = catalogue.kinds[kind_name]
    on_delay_s = kind.on_delay_s if tuning.on_delay_s is None else tuning.on_delay_s
    off_delay_s = kind.off_delay_s if tuning.off_delay_s is None else tuning.off_delay_s
    return Condition(
        id=condition_id(kind_name, subject.id),
        kind=kind_name,
        family=kind.family,
        subject=subject.id,
        zone=subject.zone,
        site=subject.site,
        limit=kind.limit if tuning.limit is None else tuning.limit,
        dead_band=kind.dead_band if tuning.dead_band is None else tuning.dead_band,
        direction=kind.direction,
        on_delay_s=on_delay_s,
        off_delay_s=max(off_delay_s, MIN_CYCLE_S - on_delay_s),
        unknown_after_s=kind.unknown_after_s,
        rise_step=kind.rise_step,
        priority=kind.priority if tuning.priority is None else tuning.priority,
        latching=kind.latching,
        max_shelf_s=kind.max_shelf_s,
        response=kind.response_for(subject.kind),
        not_when=kind.not_when,
        unwatched_id=unwatched_id,
        stays_answered=kind.stays_answered,
    )
