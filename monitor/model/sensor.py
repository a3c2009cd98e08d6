"""What is thought of a sensor, in the status signals of NAMUR NE 107."""

from dataclasses import dataclass
from enum import StrEnum


class SensorStatus(StrEnum):
    """Status signals of NAMUR NE 107; GOOD is the absence of any."""

    GOOD = "good"
    MAINTENANCE_REQUIRED = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FUNCTION_CHECK = "function_check"
    FAILURE = "failure"


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """What is thought of one sensor: NE 107 status, the reason in words, and since when."""

    sensor: str
    status: SensorStatus
    reason: str
    since_s: float
    last_time_s: float | None
