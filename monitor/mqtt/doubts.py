"""What would be thought of a payload's numbers if they were a sensor's first: the judge's own word."""

from collections.abc import Iterator

from monitor.model.device import Measure, Sensor, Unit
from monitor.model.reading import Quantity, Reading
from monitor.mqtt.sensor_topics import SensorPlan
from monitor.sensors.judge import judge_many
from monitor.sensors.quality_rules import STEADY_PLACES, SensorRules, defaults_from, rules_from
from monitor.sensors.track import new_track
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings


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


def _rules(settings: Settings | None, plan: SensorPlan, readings: list[Reading]) -> SensorRules:
    defaults = defaults_from(load_toml("quality.toml"))
    if settings is None:
        wall_c = defaults.limits[Quantity.AIR_TEMPERATURE]["maximum"]
        oven = any(r.key.quantity is Quantity.AIR_TEMPERATURE and r.value > wall_c for r in readings)
        return rules_from(_unknown(plan), defaults, steady_place=oven)
    sensor = next(one for one in settings.sensors if one.id == plan.sensor)
    kind = next((zone.kind for zone in settings.zones if zone.id == sensor.zone), "")
    return rules_from(sensor, defaults, steady_place=kind in STEADY_PLACES)


def _unknown(plan: SensorPlan) -> Sensor:
    """A sensor of which nothing is known but what it measures."""
    units = set(Unit)
    measures = tuple(
        Measure(quantity=one.quantity, unit=Unit(one.unit) if one.unit in units else Unit.PERCENT)
        for one in plan.measures
    )
    return Sensor(id=plan.sensor, zone=plan.sensor, measures=measures)
