"""What would be thought of a payload's numbers if they were a sensor's first: the judge's own word."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from typing import Any

from monitor.model.reading import Quantity, Reading
from monitor.mqtt.sensor_topics import SensorPlan
from monitor.sensors.judge import judge_many
from monitor.sensors.quality_rules import STEADY_PLACES, QualityRules, defaults_from, rules_from
from monitor.sensors.track import new_track
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings


@dataclass(frozen=True, slots=True)
class _Any:
    """One quantity of a sensor of which nothing is known."""

    quantity: Quantity
    accuracy: float | None = None
    min: float | None = None
    max: float | None = None
    max_rate_per_min: float | None = None


@dataclass(frozen=True, slots=True)
class _AnySensor:
    """A sensor of which nothing is known."""

    id: str
    measures: tuple[Any, ...]
    stale_after_s: float = 300.0
    stuck_after_s: float = 21_600.0
    calibrated_on: date | None = None
    calibration_days: int = 365


def doubts(
    settings: Settings | None, plans: tuple[SensorPlan, ...], readings: list[Reading]
) -> Iterator[str]:
    """Why readings would be stored and not believed; temperature is heard first, it says if air is hot."""
    for plan in plans:
        own = [one for one in readings if one.key.source == plan.sensor]
        rules = _rules(settings, plan, own)
        own.sort(key=lambda one: one.key.quantity is not Quantity.AIR_TEMPERATURE)
        _, verdicts = judge_many(new_track(plan.sensor, 0.0), own, rules)
        yield from (verdict.words for verdict in verdicts if not verdict.believed)


def _rules(settings: Settings | None, plan: SensorPlan, readings: list[Reading]) -> QualityRules:
    defaults = defaults_from(load_toml("quality.toml"))
    if settings is None:
        wall_c = defaults.limits[Quantity.AIR_TEMPERATURE]["maximum"]
        oven = any(r.key.quantity is Quantity.AIR_TEMPERATURE and r.value > wall_c for r in readings)
        anything = _AnySensor(plan.sensor, tuple(_Any(measure.quantity) for measure in plan.measures))
        return rules_from(anything, defaults, steady_place=oven)
    sensor = next(one for one in settings.sensors if one.id == plan.sensor)
    kind = next((zone.kind for zone in settings.zones if zone.id == sensor.zone), "")
    return rules_from(sensor, defaults, steady_place=kind in STEADY_PLACES)
