"""A small yard for the ingest tests: one sensor of each format, and a memory store that can fail."""

import threading
from collections.abc import Sequence
from typing import Any

from hypothesis import settings

from monitor.model.reading import Quantity, Reading, SeriesKey, StoredReading
from monitor.mqtt.sensor_topics import SensorCatalogue
from monitor.settings.schema import MqttSection, Settings
from monitor.store.contract import AppendResult, SetAside, StoreUnavailableError

NOW_S = 1_788_759_610.0
UNHURRIED = settings(deadline=None)  # a busy machine is no failure
AIR = Quantity.AIR_TEMPERATURE
HUMIDITY = Quantity.RELATIVE_HUMIDITY
AIR_AND_HUMIDITY: list[dict[str, Any]] = [
    {"quantity": "air_temperature_c", "unit": "Cel"},
    {"quantity": "relative_humidity_frac", "unit": "%RH"},
]
EVERYTHING: list[dict[str, Any]] = [
    *AIR_AND_HUMIDITY,
    {"quantity": "surface_temperature_c", "unit": "Cel"},
    {"quantity": "station_pressure_pa", "unit": "hPa"},
    {"quantity": "door_open_frac", "unit": "/"},
    {"quantity": "window_open_frac", "unit": "/"},
    {"quantity": "extract_on_frac", "unit": "/"},
    {"quantity": "carbon_dioxide_ppmv", "unit": "ppm"},
    {"quantity": "people_n", "unit": "count"},
    {"quantity": "heater_power_w", "unit": "kW"},
    {"quantity": "dehumidifier_power_w", "unit": "W"},
    {"quantity": "cold_parts_kg", "unit": "kg"},
    {"quantity": "solar_radiation_wm2", "unit": "W/m2"},
    {"quantity": "battery_frac", "unit": "%"},
]


def sensor(name: str, form: str = "own", **more: Any) -> dict[str, Any]:
    """A sensor of the settings, in Slip Bay."""
    measures = AIR_AND_HUMIDITY[:1] if form == "number" else AIR_AND_HUMIDITY
    return {"id": name, "zone": "slip-bay", "format": form, "measures": measures} | more


def settings_with(*sensors: dict[str, Any], **mqtt: Any) -> Settings:
    """A yard of one zone."""
    return Settings(
        mqtt=MqttSection(**mqtt),
        sites=[{"id": "ferrymoor", "name": "Ferrymoor Slipway"}],
        zones=[{"id": "slip-bay", "site": "ferrymoor", "name": "Slip Bay"}],
        sensors=sensors,
    )


def catalogue_with(*sensors: dict[str, Any], **mqtt: Any) -> SensorCatalogue:
    """What the topics of such a yard mean."""
    return SensorCatalogue.from_settings(settings_with(*sensors, **mqtt))


def topic(name: str) -> str:
    """Where a sensor of the yard publishes."""
    return f"dryshift/ferrymoor/slip-bay/{name}"


def key(name: str, quantity: Quantity) -> SeriesKey:
    """The series of a sensor of the yard."""
    return SeriesKey("slip-bay", name, quantity)


class MemoryStore:
    """As much of a series store as ingest uses; fails while `failing` is set."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.stored: list[Reading] = []
        self.kept: list[SetAside] = []
        self.failing: str | None = None
        self.attempts = 0

    def append(self, readings: Sequence[Reading], set_aside: Sequence[SetAside] = ()) -> AppendResult:
        with self.lock:
            self.attempts += 1
            if self.failing is not None:
                raise StoreUnavailableError(self.failing)
            known = {(reading.key, reading.time_s): reading.value for reading in self.stored}
            repeated = contradicting = 0
            for reading in readings:
                value = known.setdefault((reading.key, reading.time_s), reading.value)
                if any(r.key == reading.key and r.time_s == reading.time_s for r in self.stored):
                    repeated += value == reading.value
                    contradicting += value != reading.value
                else:
                    self.stored.append(reading)
            self.kept += set_aside
            new = len(readings) - repeated - contradicting
            return AppendResult(new, repeated, contradicting, len(self.stored))

    def last_order(self) -> int:
        return len(self.stored)

    def readings_after(self, order: int, limit: int) -> list[StoredReading]:
        later = self.stored[order : order + limit]
        return [StoredReading(order + n + 1, reading) for n, reading in enumerate(later)]
