"""Which units fit which quantity, how they turn into inside units, and what no sensor can measure."""

from collections.abc import Mapping
from types import MappingProxyType
from typing import NamedTuple

from monitor.model.reading import MEASURED, Quantity


class Conversion(NamedTuple):
    """inside = (value - zero) / per_inside."""

    zero: float
    per_inside: float

    def from_inside(self, inside: float) -> float:
        """A value in the quantity's inside unit, in this unit."""
        return inside * self.per_inside + self.zero


class Bounds(NamedTuple):
    """A number outside these, in inside units, is a broken payload and not a measurement.

    They are wider than any shop: what a shop may see is set per sensor and judged later. Humidity
    goes to 1.10 because wet capacitive sensors truly report a little more than saturation, just
    when it matters. The lowest temperature is below any recorded on Earth and above the error
    codes (-127, -273.15) of common probes; the highest are an oven's air and a preheated plate's
    skin with room to spare.
    """

    low: float
    high: float


_TEMPERATURE = {"Cel": Conversion(0.0, 1.0), "degF": Conversion(32.0, 1.8), "K": Conversion(273.15, 1.0)}
_SHARE = {"/": Conversion(0.0, 1.0), "%": Conversion(0.0, 100.0)}
_PRESSURE = {"Pa": Conversion(0.0, 1.0), "hPa": Conversion(0.0, 0.01), "kPa": Conversion(0.0, 0.001)}

CONVERSIONS: Mapping[Quantity, Mapping[str, Conversion]] = MappingProxyType(
    {
        Quantity.AIR_TEMPERATURE: MappingProxyType(_TEMPERATURE),
        Quantity.SURFACE_TEMPERATURE: MappingProxyType(_TEMPERATURE),
        Quantity.RELATIVE_HUMIDITY: MappingProxyType({"%RH": Conversion(0.0, 100.0), **_SHARE}),
        Quantity.STATION_PRESSURE: MappingProxyType(_PRESSURE),
        Quantity.DOOR_OPEN: MappingProxyType(_SHARE),
        Quantity.WINDOW_OPEN: MappingProxyType(_SHARE),
        Quantity.EXTRACT_ON: MappingProxyType(_SHARE),
        Quantity.CARBON_DIOXIDE: MappingProxyType({"ppm": Conversion(0.0, 1.0)}),
        Quantity.PEOPLE: MappingProxyType({"count": Conversion(0.0, 1.0)}),
        Quantity.HEATER_POWER: MappingProxyType({"W": Conversion(0.0, 1.0), "kW": Conversion(0.0, 0.001)}),
        Quantity.DEHUMIDIFIER_POWER: MappingProxyType(
            {"W": Conversion(0.0, 1.0), "kW": Conversion(0.0, 0.001)}
        ),
        Quantity.COLD_PARTS: MappingProxyType({"kg": Conversion(0.0, 1.0)}),
        Quantity.SOLAR_RADIATION: MappingProxyType({"W/m2": Conversion(0.0, 1.0)}),
        Quantity.BATTERY: MappingProxyType({"%EL": Conversion(0.0, 100.0), **_SHARE}),
    }
)

BOUNDS: Mapping[Quantity, Bounds] = MappingProxyType(
    {
        Quantity.AIR_TEMPERATURE: Bounds(-100.0, 700.0),
        Quantity.SURFACE_TEMPERATURE: Bounds(-100.0, 1500.0),
        Quantity.RELATIVE_HUMIDITY: Bounds(-0.02, 1.10),
        Quantity.STATION_PRESSURE: Bounds(30_000.0, 120_000.0),
        Quantity.DOOR_OPEN: Bounds(0.0, 1.0),
        Quantity.WINDOW_OPEN: Bounds(0.0, 1.0),
        Quantity.EXTRACT_ON: Bounds(0.0, 1.0),
        Quantity.CARBON_DIOXIDE: Bounds(0.0, 1_000_000.0),
        Quantity.PEOPLE: Bounds(0.0, 10_000.0),
        Quantity.HEATER_POWER: Bounds(0.0, 10_000_000.0),
        Quantity.DEHUMIDIFIER_POWER: Bounds(0.0, 10_000_000.0),
        Quantity.COLD_PARTS: Bounds(0.0, 10_000_000.0),
        Quantity.SOLAR_RADIATION: Bounds(-100.0, 3_000.0),
        Quantity.BATTERY: Bounds(0.0, 1.0),
    }
)

# The name of a quantity in a payload: without its inside unit, for a payload names its own.
PAYLOAD_NAMES: Mapping[Quantity, str] = MappingProxyType({q: q.name.lower() for q in sorted(MEASURED)})
QUANTITIES: Mapping[str, Quantity] = MappingProxyType({name: q for q, name in PAYLOAD_NAMES.items()})

ALL_UNITS = frozenset(unit for conversions in CONVERSIONS.values() for unit in conversions)


def units_of(quantity: Quantity) -> str:
    """The units that fit, for a fault's fix."""
    return ", ".join(CONVERSIONS[quantity])
