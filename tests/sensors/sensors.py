"""Sensors of the Ferrymoor Slipway for the quality tests."""

from typing import Any

from monitor.model.device import Measure, Sensor, Unit
from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.sensors.quality_rules import QualityDefaults, SensorRules, defaults_from, rules_from
from monitor.settings.reference import load_toml

START_S = 1_760_000_000.0
AIR, RH, SKIN, BATTERY = (
    Quantity.AIR_TEMPERATURE,
    Quantity.RELATIVE_HUMIDITY,
    Quantity.SURFACE_TEMPERATURE,
    Quantity.BATTERY,
)


_UNITS = {AIR: Unit.CELSIUS, SKIN: Unit.CELSIUS, RH: Unit.FRACTION, BATTERY: Unit.FRACTION}


def measure(quantity: Quantity, **said: float) -> Measure:
    """What the settings say of one quantity, in inside units."""
    return Measure(quantity=quantity, unit=_UNITS[quantity], **said)  # type: ignore[arg-type]


def device(**said: Any) -> Sensor:
    """What the settings say of one sensor."""
    usual = {"id": "bay-1", "zone": "slip-bay", "measures": (measure(AIR), measure(RH))}
    return Sensor(**(usual | said))


def defaults() -> QualityDefaults:
    """The real defaults."""
    return defaults_from(load_toml("quality.toml"))


def rules(sensor: Sensor | None = None, *, steady_place: bool = False) -> SensorRules:
    """Rules for a device."""
    return rules_from(sensor or device(), defaults(), steady_place=steady_place)


def reading(
    value: float, time_s: float, quantity: Quantity = AIR, *, arrived_s: float | None = None
) -> Reading:
    """One reading, arriving at once."""
    key = SeriesKey("slip-bay", "bay-1", quantity)
    return Reading(key, time_s, time_s if arrived_s is None else arrived_s, value)
