"""Reads a time of day that a person entered, on the shop's clock."""

from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from monitor.model.errors import Fault, InputError


class Turn(StrEnum):
    """Which of the two is meant where a time comes twice, the night the clocks go back."""

    FIRST = "first"
    SECOND = "second"
    ASK = "ask"


def moment_of(text: str, tz: ZoneInfo, turn: Turn) -> float:
    """A local time as the browser sends it ("2026-09-18T06:00"), in epoch seconds.

    `turn` says which is meant of a time that comes twice; with ASK it is refused, naming both.
    """
    try:
        naive = datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError([Fault("time", text, "write day and time like 2026-09-18T06:00")]) from error
    if naive.tzinfo is not None:
        return naive.timestamp()
    if not 1970 <= naive.year <= 3000:
        raise InputError([Fault("time", text, "write a year from 1970 to 3000")])
    first, second = (naive.replace(tzinfo=tz, fold=fold) for fold in (0, 1))
    if first.astimezone(UTC).astimezone(tz).replace(tzinfo=None) != naive:
        raise InputError([Fault("time", text, "does not exist: the clocks went forward then")])
    if turn is Turn.ASK and first.utcoffset() != second.utcoffset():
        both = f"{first.isoformat(timespec='minutes')} or {second.isoformat(timespec='minutes')}"
        raise InputError([Fault("time", text, f"came twice that night; say which, first or second: {both}")])
    return (second if turn is Turn.SECOND else first).timestamp()
