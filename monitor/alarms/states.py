"""The values of an alarm's life: states, triggers, the book of alarms, transitions and commands."""

import math
from dataclasses import dataclass, field
from enum import StrEnum

from monitor.alarms.catalogue import Priority
from monitor.alarms.conditions import Condition
from monitor.model.errors import DryshiftError


class AlarmState(StrEnum):
    """States of ISA-18.2 / IEC 62682."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned_unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched_unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched_acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed_by_design"
    OUT_OF_SERVICE = "out_of_service"


SET_ASIDE = frozenset({AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
WITH_THE_BOOK = math.inf  # observed at the very time the book is of; so nobody need write that time into each
UNANSWERED = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED, AlarmState.LATCHED_UNACKNOWLEDGED})
STANDING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED})


class Trigger(StrEnum):
    """What moves an alarm from one state to another."""

    CONDITION_ACTIVE = "condition_active"
    CONDITION_CLEARS = "condition_clears"
    RISING = "rising"
    ACKNOWLEDGE = "acknowledge"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SHELF_TIME_OVER = "shelf_time_over"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"
    WITHDRAW = "withdraw"


@dataclass(frozen=True)  # without slots: see `lifecycle._noted`
class Alarm:
    """Where one condition stands. `active` is the trouble itself, after delay and dead-band."""

    condition_id: str
    state: AlarmState
    since_s: float  # in this state
    active: bool = False
    began_s: float | None = None  # when the value went beyond the limit; kept until it does so again
    crossing_since_s: float | None = None  # running on- or off-delay
    observed_s: float | None = None  # WITH_THE_BOOK: at its `now_s`
    value: float | None = None  # last one known
    worst: float | None = None  # of this activation
    answered_value: float | None = None  # worst when it was acknowledged
    unknown_since_s: float | None = None
    unknown_reason: str = ""
    held: bool = False  # latched, or will be once seen
    out_of_play: bool = False  # the condition does not apply now
    who: str = ""  # who acknowledged, shelved or took it out of service
    why: str = ""
    until_s: float | None = None  # end of shelf time
    occurrence: int = 0
    numbers: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class AlarmBook:
    """Every condition and where it stands, in order of id, as of a time."""

    now_s: float
    conditions: dict[str, Condition] = field(default_factory=dict)
    alarms: dict[str, Alarm] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Transition:
    """One move of one alarm; `key` is the same whenever the same history is run again."""

    key: str
    condition_id: str
    kind: str
    family: str
    subject: str
    zone: str
    site: str
    from_state: AlarmState
    to_state: AlarmState
    trigger: Trigger
    time_s: float
    cause_s: float  # the moment in the data, or of the command, that caused it
    began_s: float | None  # when the trouble itself last began
    priority: Priority
    value: float | None
    limit: float
    response: str
    occurrence: int
    who: str = ""
    why: str = ""
    until_s: float | None = None
    numbers: dict[str, float] = field(default_factory=dict)


class CommandKind(StrEnum):
    """What a person can do with an alarm."""

    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    RESET = "reset"
    TAKE_OUT_OF_SERVICE = "take_out_of_service"
    RETURN_TO_SERVICE = "return_to_service"


@dataclass(frozen=True, slots=True)
class Command:
    """A person's act on one alarm; shelving needs `why` and `until_s`, out of service needs `why`.

    `began_s` names the occurrence that was answered, so that an old message cannot answer a later one;
    None answers whichever stands.
    """

    kind: CommandKind
    condition_id: str
    who: str
    why: str = ""
    until_s: float | None = None
    began_s: float | None = None


class RefusalCode(StrEnum):
    """Why a command was not carried out."""

    UNKNOWN_CONDITION = "unknown_condition"
    NOBODY = "nobody"
    LATER_OCCURRENCE = "later_occurrence"
    NOTHING_TO_ACKNOWLEDGE = "nothing_to_acknowledge"
    ALREADY_ACKNOWLEDGED = "already_acknowledged"
    NO_REASON = "no_reason"
    NO_END = "no_end"
    END_PASSED = "end_passed"
    TOO_LONG = "too_long"
    ALREADY_SHELVED = "already_shelved"
    NOT_SHELVED = "not_shelved"
    NOT_LATCHED = "not_latched"
    STILL_ACTIVE = "still_active"
    ACKNOWLEDGE_FIRST = "acknowledge_first"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out_of_service"
    NOT_OUT_OF_SERVICE = "not_out_of_service"


class CommandRefusedError(DryshiftError):
    """A command that is not legal now; nothing was changed."""

    def __init__(self, command: Command, code: RefusalCode, reason: str, state: AlarmState | None) -> None:
        self.command = command
        self.code = code
        self.reason = reason
        self.state = state
        super().__init__(f"{command.kind} {command.condition_id}: {reason}")
