"""Decides whether a device's clock can be trusted for one reading."""

import math
from dataclasses import dataclass
from datetime import datetime

DAY_S = 86_400.0
MILLISECONDS_FROM = 1e11  # as seconds this would be the year 5138, so it is milliseconds


@dataclass(frozen=True, slots=True)
class TimeRules:
    """How far a device's time may lie from the arrival before the arrival is used in its place.

    The oldest age also catches a clock that was never set and counts from 1970 or 2000.
    """

    future_s: float = 300.0
    max_age_s: float = 30 * DAY_S

    def is_sound(self, device_s: float, arrived_s: float) -> bool:
        """Whether the device's time is believed (NaN never is)."""
        return arrived_s - self.max_age_s <= device_s <= arrived_s + self.future_s


def whole_ms(time_s: float) -> float:
    """The time rounded to whole milliseconds; negative times do not occur."""
    return int(time_s * 1000.0 + 0.5) / 1000.0


def device_time(given: object) -> float | None:
    """Epoch seconds from a payload's time: a number, or RFC 3339 text with its offset; else None."""
    if isinstance(given, datetime):
        return None if given.tzinfo is None else given.timestamp()
    if isinstance(given, float):
        seconds = given / 1000.0 if given >= MILLISECONDS_FROM else given
        return seconds if math.isfinite(seconds) else None
    try:
        if isinstance(given, str):
            return device_time(datetime.fromisoformat(given))
        if isinstance(given, int) and not isinstance(given, bool):
            return device_time(float(given))
    except (ValueError, OverflowError):
        return None
    return None
