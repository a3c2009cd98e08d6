"""What each topic means: the sensors of the settings, made ready for decoding."""

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from jsonpointer import JsonPointer, JsonPointerException

from monitor.model.device import Measure, Sensor
from monitor.model.errors import Fault, InputError
from monitor.model.reading import Quantity, SeriesKey
from monitor.mqtt import topic_filters
from monitor.mqtt.device_times import TimeRules
from monitor.mqtt.units import BOUNDS, CONVERSIONS, PAYLOAD_NAMES, Bounds, Conversion, units_of
from monitor.settings.schema import Settings


@dataclass(frozen=True, slots=True)
class MeasurePlan:
    """One quantity of one sensor: where its numbers go and how they are made comparable."""

    key: SeriesKey
    name: str  # in the own format
    record_name: str | None  # in SenML, resolved
    pointer: JsonPointer | None  # in foreign JSON
    unit: str  # where the payload names none
    conversions: Mapping[str, Conversion]
    bounds: Bounds
    gain: float
    offset: float

    @property
    def quantity(self) -> Quantity:
        """What is measured."""
        return self.key.quantity


@dataclass(frozen=True, slots=True)
class SensorPlan:
    """One sensor: its format and its measures."""

    sensor: str
    format: str
    measures: tuple[MeasurePlan, ...]
    time_pointer: JsonPointer | None
    by_name: Mapping[str, MeasurePlan] = field(repr=False)


@dataclass(frozen=True, slots=True)
class SensorCatalogue:
    """Every topic that a sensor publishes to, and the rules all of them share."""

    topics: Mapping[str, tuple[SensorPlan, ...]]
    rules: TimeRules = field(default_factory=TimeRules)
    root: str = "dryshift"
    interval_s: Mapping[str, float] = field(default_factory=dict)  # by sensor: how often it should speak

    @classmethod
    def from_settings(cls, settings: Settings) -> "SensorCatalogue":
        """The catalogue of a shop, or an InputError with every fault of its sensors."""
        faults: list[Fault] = []
        zones = {zone.id: zone.site for zone in settings.zones}
        topics: dict[str, tuple[SensorPlan, ...]] = {}
        for n, sensor in enumerate(settings.sensors):
            faults += _sensor_faults(f"sensors[{n}]", sensor)
            topic = sensor_topic(settings.mqtt.topic_root, zones.get(sensor.zone, ""), sensor)
            topics[topic] = (*topics.get(topic, ()), _sensor_plan(sensor, faults, f"sensors[{n}]"))
        for topic, plans in topics.items():
            faults += _topic_faults(topic, plans)
        faults += topic_filters.faults(settings.mqtt.topic_root, settings.mqtt.extra_topics, topics)
        if faults:
            raise InputError(faults)
        rules = TimeRules(settings.mqtt.future_tolerance_s, settings.mqtt.max_age_s)
        interval_s = {sensor.id: sensor.interval_s for sensor in settings.sensors}
        return cls(topics, rules, root=settings.mqtt.topic_root, interval_s=interval_s)


def sensor_topic(root: str, site: str, sensor: Sensor) -> str:
    """The topic a sensor publishes to."""
    return sensor.topic or f"{root}/{site}/{sensor.zone}/{sensor.id}"


def _sensor_plan(sensor: Sensor, faults: list[Fault], place: str) -> SensorPlan:
    measures = tuple(
        _measure_plan(sensor, measure, _pointer(measure.pointer, faults, f"{place}.measures[{n}].pointer"))
        for n, measure in enumerate(sensor.measures)
    )
    time_pointer = _pointer(sensor.time_pointer, faults, f"{place}.time_pointer")
    by_name = {plan.name: plan for plan in measures}
    return SensorPlan(sensor.id, sensor.format, measures, time_pointer, by_name)


def _measure_plan(sensor: Sensor, measure: Measure, pointer: JsonPointer | None) -> MeasurePlan:
    quantity = measure.quantity
    return MeasurePlan(
        key=SeriesKey(sensor.zone, sensor.id, quantity),
        name=PAYLOAD_NAMES[quantity],
        record_name=measure.name,
        pointer=pointer,
        unit=measure.unit.value,
        conversions=CONVERSIONS[quantity],
        bounds=BOUNDS[quantity],
        gain=measure.gain,
        offset=measure.offset,
    )


def _pointer(text: str | None, faults: list[Fault], place: str) -> JsonPointer | None:
    if text is None:
        return None
    try:
        return JsonPointer(text)
    except JsonPointerException as error:
        faults.append(
            Fault(place, repr(text), f"is not a JSON Pointer (RFC 6901), like /air/celsius: {error}")
        )
        return None


def _sensor_faults(place: str, sensor: Sensor) -> Iterator[Fault]:
    for n, measure in enumerate(sensor.measures):
        if measure.unit not in CONVERSIONS[measure.quantity]:
            fix = f"does not fit {measure.quantity}; use one of {units_of(measure.quantity)}"
            yield Fault(f"{place}.measures[{n}].unit", repr(measure.unit.value), fix)
        if sensor.format == "json" and measure.pointer is None:
            yield Fault(
                f"{place}.measures[{n}].pointer", "nothing", 'format = "json" needs a JSON Pointer here'
            )
    counted = Counter(measure.quantity for measure in sensor.measures)
    for quantity, count in counted.items():
        if count > 1:
            fix = "a sensor measures a quantity once; make a second sensor of the other"
            yield Fault(f"{place}.measures", f"{count} times {quantity}", fix)
    if sensor.format == "number" and len(sensor.measures) != 1:
        fix = 'format = "number" carries one measure; give each its own sensor and topic'
        yield Fault(f"{place}.measures", f"{len(sensor.measures)} measures", fix)
    if sensor.topic is not None and set(sensor.topic) & set("+#\0"):
        yield Fault(f"{place}.topic", repr(sensor.topic), "is a pattern; name the one topic it publishes to")


def _topic_faults(topic: str, plans: tuple[SensorPlan, ...]) -> Iterator[Fault]:
    if len(plans) == 1:
        return
    names = ", ".join(plan.sensor for plan in plans)
    formats = {plan.format for plan in plans}
    if len(formats) > 1 or not formats <= {"senml", "json"}:
        fix = 'only sensors that are all "senml" or all "json" may share a topic; give each its own'
        yield Fault(f"topic {topic}", f"the sensors {names}", fix)
    elif formats == {"senml"}:
        counted = Counter(measure.record_name for plan in plans for measure in plan.measures)
        if any(count > 1 for count in counted.values()):
            fix = "sensors that share a topic need a different SenML name for every measure"
            yield Fault(f"topic {topic}", f"the sensors {names}", fix)
