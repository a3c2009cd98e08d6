"""Sensors of the Ferrymoor Slipway for the quality tests."""

from dataclasses import dataclass, field
from datetime import date

from monitor.model.reading import Quantity, Reading, SeriesKey
from monitor.sensors.quality_rules import QualityDefaults, QualityRules, defaults_from, rules_from
from monitor.settings.reference import load_toml

START_S = 1_760_000_000.0
AIR, RH, SKIN, BATTERY = (
    Quantity.AIR_TEMPERATURE,
    Quantity.RELATIVE_HUMIDITY,
    Quantity.SURFACE_TEMPERATURE,
    Quantity.BATTERY,
)


@dataclass(frozen=True)
class Measure:
    """What the settings say of one quantity."""

    quantity: Quantity
    accuracy: float | None = None
    min: float | None = None
    max: float | None = None
    max_rate_per_min: float | None = None


@dataclass(frozen=True)
class Device:
    """What the settings say of one sensor."""

    id: str = "bay-1"
    stale_after_s: float = 300.0
    stuck_after_s: float = 21_600.0
    calibrated_on: date | None = None
    calibration_days: int = 365
    measures: tuple[Measure, ...] = field(default=(Measure(AIR), Measure(RH)))


def defaults() -> QualityDefaults:
    """The real defaults."""
    return defaults_from(load_toml("quality.toml"))


def rules(device: Device | None = None, *, steady_place: bool = False) -> QualityRules:
    """Rules for a device."""
    return rules_from(device or Device(), defaults(), steady_place=steady_place)


def reading(
    value: float, time_s: float, quantity: Quantity = AIR, *, arrived_s: float | None = None
) -> Reading:
    """One reading, arriving at once."""
    key = SeriesKey("slip-bay", "bay-1", quantity)
    return Reading(key, time_s, time_s if arrived_s is None else arrived_s, value)
