"""Recordings: readings in order of arrival as JSON lines, written from a store and read back for replay.

One object a line: `zone`, `source`, `quantity` (of `monitor.model.reading.Quantity`), `value` (inside units),
`time_s`, `arrived_s` (epoch seconds UTC), and `sequence` where the sensor sent one.
"""

import json
import math
from collections.abc import Callable, Iterator
from pathlib import Path

from monitor.model.errors import Fault, InputError
from monitor.model.reading import MEASURED, Quantity, Reading, SeriesKey
from monitor.store.contract import SeriesStore, StoreUnavailableError

AT_ONCE = 5_000
Progress = Callable[[int], object]


def write_recording(series: SeriesStore, file: Path, progress: Progress) -> int:
    """Write every reading of a store in order of arrival; returns how many.

    StoreUnavailableError where some of them cannot be read: without them it is no recording of this store.
    """
    order = written = 0
    with file.open("w", encoding="utf-8") as out:
        while batch := series.readings_after(order, AT_ONCE):
            for _, reading in batch:
                out.write(json.dumps(_row(reading), separators=(",", ":")) + "\n")
            order = batch[-1].order
            written += len(batch)
            progress(len(batch))
    why = series.unreadable(0.0, math.inf)
    if why:
        raise StoreUnavailableError(f"{file}: is not whole: {why}")
    return written


def _row(reading: Reading) -> dict[str, object]:
    row: dict[str, object] = {
        "zone": reading.key.zone,
        "source": reading.key.source,
        "quantity": str(reading.key.quantity),
        "value": reading.value,
        "time_s": reading.time_s,
        "arrived_s": reading.arrived_s,
    }
    if reading.sequence is not None:
        row["sequence"] = reading.sequence
    return row


def read_recording(file: Path) -> Iterator[Reading]:
    """The readings of a recording; InputError names the line where it is not one."""
    last_s = -1e18
    try:
        with file.open(encoding="utf-8") as lines:
            for number, line in enumerate(lines, 1):
                if not line.strip():
                    continue
                reading = _reading(f"{file}, line {number}", line)
                if reading.arrived_s < last_s:
                    fix = "is before the line above; a recording is in order of arrival"
                    raise InputError(
                        [Fault(f"{file}, line {number}: arrived_s", str(reading.arrived_s), fix)]
                    )
                last_s = reading.arrived_s
                yield reading
    except FileNotFoundError as error:
        raise InputError([Fault("recording", str(file), "no such file; give the path of one")]) from error
    except UnicodeDecodeError as error:
        raise InputError([Fault("recording", str(file), "is not UTF-8 text")]) from error


def _reading(place: str, line: str) -> Reading:
    try:
        row = json.loads(line)
        quantity = Quantity(row["quantity"])
        if quantity not in MEASURED:
            raise InputError(
                [Fault(f"{place}: quantity", quantity, "is derived; only measured ones are replayed")]
            )
        return Reading(
            key=SeriesKey(str(row["zone"]), str(row["source"]), quantity),
            time_s=round(float(row["time_s"]), 3),
            arrived_s=round(float(row["arrived_s"]), 3),
            value=float(row["value"]),
            sequence=row.get("sequence"),
        )
    except (ValueError, KeyError, TypeError) as error:
        shown = line.strip()[:60]
        raise InputError([Fault(place, repr(shown), f"is not a reading: {error!r}")]) from error
