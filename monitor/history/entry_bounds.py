"""What sizes, temperatures and times an entry may hold: outside them a finger slipped."""

import math
from dataclasses import fields
from typing import Any, NamedTuple

from monitor.model.errors import Fault


class EntryBounds(NamedTuple):
    """The least and the greatest number that makes sense; `above` leaves the least itself out."""

    low: float
    high: float
    unit: str
    above: bool = False

    def fault(self, name: str, value: float) -> Fault | None:
        """What is wrong with a number, if anything."""
        within = self.low < value if self.above else self.low <= value
        if math.isfinite(value) and within and value <= self.high:
            return None
        low = f"above {self.low:g}" if self.above else f"{self.low:g}"
        unit = f" {self.unit}" if self.unit else ""
        return Fault(name, f"{value:g}{unit}", f"write {low} to {self.high:g}{unit}")


# One meaning a name, over all entries: these are limits of belief, not of any code.
BOUNDS = {
    "depth_m": EntryBounds(0.0, 0.3, "m", above=True),
    "minutes": EntryBounds(0.0, 600.0, "min"),
    "mass_kg": EntryBounds(0.0, 2000.0, "kg"),
    "wire_m": EntryBounds(0.0003, 0.01, "m"),
    "checked_temperature_c": EntryBounds(-60.0, 600.0, "°C"),
    "checked_rh_frac": EntryBounds(0.0, 1.0, ""),
    "temperature_c": EntryBounds(-60.0, 600.0, "°C"),
    "rh_frac": EntryBounds(0.0, 1.0, ""),
    "start_temperature_c": EntryBounds(-50.0, 90.0, "°C"),
    "pressure_pa": EntryBounds(0.0, 4.0e7, "Pa"),
    "thickness_m": EntryBounds(0.0, 1.0, "m", above=True),
    "width_m": EntryBounds(0.0, 30.0, "m", above=True),
    "length_m": EntryBounds(0.0, 30.0, "m", above=True),
    "throat_m": EntryBounds(0.0, 0.2, "m", above=True),
    "faces": EntryBounds(1, 2, ""),
    "stacked": EntryBounds(1, 500, "plates"),
}
LONGEST_TEXT = 80


def number_faults(entry: Any) -> list[Fault]:
    """Every number and name of an entry that cannot be."""
    faults = []
    for field in fields(entry):
        value = getattr(entry, field.name)
        bounds = BOUNDS.get(field.name)
        if bounds is not None and value is not None:
            faults.append(bounds.fault(field.name, value))
        elif field.name == "name" and not str(value).strip():
            faults.append(Fault("name", "nothing", "say what people call it"))
        elif field.name in {"name", "lot", "job", "machine"} and len(value) > LONGEST_TEXT:
            faults.append(Fault(field.name, f"{value[:20]}…", f"use at most {LONGEST_TEXT} signs"))
    return [fault for fault in faults if fault is not None]
