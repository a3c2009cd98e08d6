"""What Ferrymoor's sensors would send, faults included: a seeded, repeatable stream of messages."""

import heapq
import json
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from monitor.demo.estuary import FloatArray, Outdoor, outdoor
from monitor.demo.yard import BUILDINGS, YardAir, lagging_skin_c, oven_air, zone_air
from monitor.model.device import Sensor
from monitor.model.reading import FORETOLD, Quantity
from monitor.mqtt.encode import encode_own, encode_senml
from monitor.settings.schema import Settings

HOUR_S = 3600.0
FAST_EVERY_S = 300.0
LIVE_EVERY_S = 30.0


@dataclass(frozen=True, slots=True, order=True)
class Send:
    """One message at the moment it leaves the sensor."""

    time_s: float
    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class World:
    """The simulated air by zone and the skin of probed bodies, minute by minute from `start_s`."""

    start_s: float
    hours: FloatArray  # since start_s; negative before it
    outside: Outdoor
    air: dict[str, YardAir]
    skin_c: dict[str, FloatArray]

    def at(self, series: FloatArray, time_s: float) -> float:
        """A series' value at a moment."""
        return float(np.interp((time_s - self.start_s) / HOUR_S, self.hours, series))


def make_world(seed: int, start_s: float, days: float, before_days: float = 0.0) -> World:
    """Simulate the yard from `before_days` before `start_s` on."""
    outside = outdoor(seed, days, before_days)
    air = {zone: zone_air(building, outside) for zone, building in BUILDINGS.items()}
    air["rod-oven"] = oven_air(outside)
    return World(start_s, outside.hours, outside, air, {"plate-keel": lagging_skin_c(air["slip-bay"], 1.6)})


@dataclass(frozen=True, slots=True)
class PlantedFault:
    """One sensor's misbehaviour between two hours of the week."""

    sensor: str
    kind: str  # "stuck" | "silent" | "late" | "repeated"
    from_h: float
    to_h: float


FAULTS = (
    PlantedFault("slip-2", "stuck", 82.0, 104.0),
    PlantedFault("hall-3", "silent", 98.0, 107.0),
    PlantedFault("cage-1", "late", 60.0, 72.0),
    PlantedFault("yard-1", "repeated", 30.0, 42.0),
)


def messages(world: World, settings: Settings, seed: int, fast_until_s: float) -> Iterator[Send]:
    """Every message of every sensor in order of sending."""
    streams = [
        _sensor_stream(
            world, sensor, _topic(settings, sensor), np.random.default_rng([seed, n]), fast_until_s
        )
        for n, sensor in enumerate(settings.sensors)
    ]
    return heapq.merge(*streams)


def _topic(settings: Settings, sensor: Sensor) -> str:
    site = next(zone.site for zone in settings.zones if zone.id == sensor.zone)
    return sensor.topic or f"{settings.mqtt.topic_root}/{site}/{sensor.zone}/{sensor.id}"


def _sensor_stream(
    world: World, sensor: Sensor, topic: str, rng: np.random.Generator, fast_until_s: float
) -> Iterator[Send]:
    faults = [fault for fault in FAULTS if fault.sensor == sensor.id]
    end_s = world.start_s + float(world.hours[-1]) * HOUR_S
    bias = {quantity: rng.normal(0.0, 0.4) for quantity in Quantity if quantity not in FORETOLD}
    time_s = world.start_s + float(rng.integers(0, 60))
    kept: dict[Quantity, float] = {}
    held: list[Send] = []
    sequence = 0
    while time_s < end_s:
        hour = (time_s - world.start_s) / HOUR_S
        kinds = {fault.kind for fault in faults if fault.from_h <= hour < fault.to_h}
        if not kept or "stuck" not in kinds:
            kept = _measure(world, sensor, time_s, rng, bias)
        payload = _payload(sensor, time_s, kept, sequence)
        sequence += 1
        if "late" in kinds and (held or rng.random() < 0.3):
            held.append(Send(time_s, topic, payload))
            if len(held) >= 5:  # comes through in a heap when the radio link is back
                yield from (Send(time_s, topic, late.payload) for late in reversed(held))
                held.clear()
        elif "silent" not in kinds:
            yield Send(time_s, topic, payload)
            if "repeated" in kinds:
                yield Send(time_s + 2.0, topic, payload)
        time_s += FAST_EVERY_S if time_s < fast_until_s else LIVE_EVERY_S


def _measure(
    world: World, sensor: Sensor, time_s: float, rng: np.random.Generator, bias: dict[Quantity, float]
) -> dict[Quantity, float]:
    """What the device reads: truth, a fixed bias within its accuracy, noise, and steps of its display."""
    air = world.air[sensor.zone]
    truth = {
        Quantity.AIR_TEMPERATURE: (air.temperature_c, 0.1, 0.03, 2),
        Quantity.RELATIVE_HUMIDITY: (air.relative_humidity_frac(), 0.006, 0.003, 4),
    }
    if sensor.body is not None:
        truth = {Quantity.SURFACE_TEMPERATURE: (world.skin_c[sensor.body], 0.15, 0.05, 2)}
    wanted = {measure.quantity for measure in sensor.measures}
    values = {}
    for quantity, (series, bias_std, noise_std, digits) in truth.items():
        if quantity in wanted:
            value = world.at(series, time_s) + bias[quantity] * bias_std + rng.normal(0.0, noise_std)
            values[quantity] = round(min(value, 1.0), digits) if "frac" in quantity else round(value, digits)
    return values


def _payload(sensor: Sensor, time_s: float, values: dict[Quantity, float], sequence: int) -> bytes:
    if sensor.format == "senml":
        return encode_senml(sensor.id, time_s, values)
    if sensor.format == "number":
        return f"{next(iter(values.values())):.2f}".encode()
    if sensor.format == "json":
        air = {
            "celsius": values[Quantity.AIR_TEMPERATURE],
            "humidity": round(100.0 * values[Quantity.RELATIVE_HUMIDITY], 2),
        }
        return json.dumps({"at": time_s, "air": air}).encode()
    return encode_own(time_s, values, sequence)
