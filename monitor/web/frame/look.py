"""Words, shapes and order of the two kinds of mark: risk (ISO 22324) and sensor health (NAMUR NE 107)."""

from dataclasses import dataclass

from monitor.alarms.states import SET_ASIDE, AlarmState
from monitor.model.level import Level
from monitor.model.sensor import SensorStatus


@dataclass(frozen=True, slots=True)
class RiskMark:
    """How a level of risk is shown: a word, what it asks for, and a shape beside the colour."""

    word: str
    call: str
    rank: int  # 0 is shown first


RISK = {
    Level.DANGER: RiskMark("Danger", "act now", 0),
    Level.CAUTION: RiskMark("Caution", "prepare to act", 1),
    Level.UNKNOWN: RiskMark("Not known", "go and look", 2),
    Level.SAFE: RiskMark("Safe", "nothing to do", 3),
}


@dataclass(frozen=True, slots=True)
class HealthMark:
    """How a sensor's status is shown: the NE 107 letter and word, and what it means for its numbers."""

    letter: str
    word: str
    meaning: str
    rank: int


HEALTH = {
    SensorStatus.FAILURE: HealthMark("F", "Failure", "its numbers are not valid", 0),
    SensorStatus.FUNCTION_CHECK: HealthMark("C", "Function check", "not valid while work goes on", 1),
    SensorStatus.OUT_OF_SPECIFICATION: HealthMark("S", "Out of specification", "its numbers are doubtful", 2),
    SensorStatus.MAINTENANCE_REQUIRED: HealthMark("M", "Maintenance required", "valid, needs care soon", 3),
    SensorStatus.GOOD: HealthMark("", "Good", "nothing found", 4),
}

ALARM_STATES = {
    AlarmState.NORMAL: "Normal",
    AlarmState.UNACKNOWLEDGED: "Unacknowledged",
    AlarmState.ACKNOWLEDGED: "Acknowledged",
    AlarmState.RETURNED: "Returned to normal, unacknowledged",
    AlarmState.LATCHED_UNACKNOWLEDGED: "Latched, unacknowledged",
    AlarmState.LATCHED_ACKNOWLEDGED: "Latched, acknowledged",
    AlarmState.SHELVED: "Shelved",
    AlarmState.SUPPRESSED: "Quiet for now",
    AlarmState.OUT_OF_SERVICE: "Out of service",
}
SET_APART = frozenset(SET_ASIDE)
PRIORITIES = ("high", "medium", "low")


def state_words(state: str) -> str:
    """An alarm state as people read it."""
    return ALARM_STATES[AlarmState(state)]


def risk_rank(level: Level) -> int:
    """Worst first."""
    return RISK[level].rank
