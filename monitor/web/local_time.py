"""Reads a time of day that a person entered, on the shop's clock."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.errors import Fault, InputError


def moment_of(text: str, tz: ZoneInfo) -> float:
    """A local time as the browser sends it ("2026-09-18T06:00"), in epoch seconds.

    A time that comes twice on the night of change is its first: an open package then counts the longer time.
    """
    try:
        naive = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError([Fault("time", text, "write day and time like 2026-09-18T06:00")]) from error
    if naive.tzinfo is not None:
        return naive.timestamp()
    if not 1970 <= naive.year <= 3000:
        raise InputError([Fault("time", text, "write a year from 1970 to 3000")])
    found = naive.replace(tzinfo=tz)
    if found.astimezone(UTC).astimezone(tz).replace(tzinfo=None) != naive:
        raise InputError([Fault("time", text, "does not exist: the clocks went forward then")])
    return found.timestamp()
