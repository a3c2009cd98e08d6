"""The process in which a calendar is unrolled: `python -m monitor.weather.calendar_apart`."""

from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

from monitor.model.errors import InputError
from monitor.outlook.calendar_text import calendar_from_text
from monitor.wire.apart import answer_apart


def unroll(asked: dict[str, Any]) -> dict[str, Any]:
    """Events and days off as plain values, or the faults of the text."""
    asked = {**asked, "zone": ZoneInfo(asked["zone"])}
    try:
        found = calendar_from_text(asked.pop("text"), **asked)
    except InputError as error:
        return {"faults": [asdict(fault) for fault in error.faults]}
    return {"events": found.events, "days_off": [day.isoformat() for day in sorted(found.days_off)]}


if __name__ == "__main__":
    answer_apart(unroll)
