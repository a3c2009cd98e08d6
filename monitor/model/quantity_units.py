"""The unit of every stored quantity, in UCUM, for files that other programs read."""

from collections.abc import Mapping

from monitor.model.reading import Quantity

# The unit at the end of a quantity's name, in UCUM, the longest first.
UNITS: Mapping[str, str] = {
    "_kgkg": "kg/kg",
    "_ppmv": "[ppm]",
    "_frac": "1",
    "_wm2": "W/m2",
    "_gm3": "g/m3",
    "_gm2": "g/m2",
    "_pa": "Pa",
    "_kg": "kg",
    "_c": "Cel",
    "_k": "K",
    "_h": "h",
    "_w": "W",
    "_n": "1",
}


def unit_of(quantity: Quantity) -> str:
    """The unit of a quantity's numbers, in UCUM."""
    return next(unit for end, unit in UNITS.items() if quantity.value.endswith(end))
