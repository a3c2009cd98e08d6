"""How readings and derived points lie in InfluxDB: a stable layout that other tools may chart.

| measurement        | tags           | fields (one set for each quantity, unit in the name) |
|--------------------|----------------|------------------------------------------------------|
| `dryshift_reading` | `zone source`  | `air_temperature_c` float: the number                |
|                    |                | `air_temperature_c_status` int: 0 is believed        |
|                    |                | `air_temperature_c_delay_ms` int: arrival after it   |
|                    |                | `air_temperature_c_sequence` int: the device's count |
| `dryshift_derived` | `zone source`  | `dew_point_c` float: the number                      |

The status is 0 good, 1 maintenance required, 2 out of specification, 3 function check, 4 failure
(NAMUR NE 107); a chart of believed air asks for `air_temperature_c_status = 0`. The delay is left out
where the time is that of arrival, the sequence where the device sends none. Only zones and sensors
of the settings become tags. Times are whole milliseconds.
"""

import re
from functools import lru_cache
from typing import NamedTuple

from monitor.model.reading import SeriesKey

READING = "dryshift_reading"
DERIVED = "dryshift_derived"
LAST_MS = 9_223_372_036_000  # nanoseconds in 63 bits end in April 2262

_UNFIT = re.compile(r"[\\\x00-\x1f\x7f]")


class ReadingRow(NamedTuple):
    """A stored reading with its status code, as it is sent out and comes back."""

    key: SeriesKey
    time_ms: int
    value: float
    status: int
    delay_ms: int
    sequence: int | None
    from_device: bool


def reading_line(row: ReadingRow) -> str:
    """A reading in line protocol."""
    key, time_ms, value, status, delay_ms, sequence, from_device = row
    name = key.quantity.value
    fields = f"{name}={value!r},{name}_status={status}i"
    if from_device or delay_ms:
        fields += f",{name}_delay_ms={delay_ms}i"
    if sequence is not None:
        fields += f",{name}_sequence={sequence}i"
    return f"{READING}{_tags(key)} {fields} {time_ms}"


def point_line(key: SeriesKey, time_ms: int, value: float) -> str:
    """A derived point in line protocol."""
    return f"{DERIVED}{_tags(key)} {key.quantity.value}={value!r} {time_ms}"


@lru_cache(maxsize=10_000)
def _tags(key: SeriesKey) -> str:
    pairs = (("source", key.source), ("zone", key.zone))
    return "".join(f",{name}={_escaped(text)}" for name, text in pairs if text)


def _escaped(text: str) -> str:
    if _UNFIT.search(text):
        raise ValueError(f"{text!r} cannot be a tag: it holds a backslash or a control character")
    for sign in (",", "=", " "):
        text = text.replace(sign, "\\" + sign)
    return text


def measurement(*, derived: bool) -> str:
    """Where a series lies."""
    return DERIVED if derived else READING


def quoted(text: str) -> str:
    """A string in InfluxQL."""
    return "'" + text.replace("\\", "\\\\").replace("'", "\\'").replace("\n", "\\n") + "'"


def stretch(key: SeriesKey, start_ms: int, end_ms: int) -> str:
    """The condition for one source and start ≤ time < end, in InfluxQL."""
    first, last = min(start_ms, LAST_MS), min(end_ms, LAST_MS)
    return (
        f"zone = {quoted(key.zone)} AND source = {quoted(key.source)} "
        f"AND time >= {first}ms AND time < {last}ms"
    )
