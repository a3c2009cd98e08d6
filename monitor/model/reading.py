"""What is measured and stored: quantities, series, readings, derived points, marks of doubt."""

from enum import StrEnum
from typing import NamedTuple

from monitor.model.sensor import SensorStatus


class Quantity(StrEnum):
    """What a stored number is; the unit is in the name."""

    # measured
    AIR_TEMPERATURE = "air_temperature_c"
    RELATIVE_HUMIDITY = "relative_humidity_frac"
    SURFACE_TEMPERATURE = "surface_temperature_c"
    STATION_PRESSURE = "station_pressure_pa"
    DOOR_OPEN = "door_open_frac"
    WINDOW_OPEN = "window_open_frac"
    EXTRACT_ON = "extract_on_frac"
    CARBON_DIOXIDE = "carbon_dioxide_ppmv"
    PEOPLE = "people_n"
    HEATER_POWER = "heater_power_w"
    DEHUMIDIFIER_POWER = "dehumidifier_power_w"
    COLD_PARTS = "cold_parts_kg"  # steel brought in colder than the air, as long as it is
    SOLAR_RADIATION = "solar_radiation_wm2"  # on a level surface outdoors
    BATTERY = "battery_frac"
    # derived from measured air
    DEW_POINT = "dew_point_c"
    DEW_POINT_STD = "dew_point_std_k"
    FROST_POINT = "frost_point_c"
    VAPOUR_PRESSURE = "vapour_pressure_pa"
    ABSOLUTE_HUMIDITY = "absolute_humidity_gm3"
    HUMIDITY_RATIO = "humidity_ratio_kgkg"
    WET_BULB = "wet_bulb_c"
    # derived for heated places
    HOTTEST_TEMPERATURE = "hottest_temperature_c"
    # derived for bodies and packages
    SKIN_TEMPERATURE = "skin_temperature_c"
    MARGIN = "margin_k"
    MARGIN_STD = "margin_std_k"
    WATER_FILM = "water_film_gm2"
    WET_PROBABILITY = "wet_probability_frac"
    EXPOSURE_USED = "exposure_used_h"
    EXPOSURE_FRACTION = "exposure_used_frac"
    UPTAKE = "uptake_frac"

    __hash__ = str.__hash__  # without a call: it is the key of much that every reading meets
    # what was foretold of an hour when there was still time to act: the middle, and where nine in ten lay
    DEW_POINT_TOLD = "dew_point_told_c"
    DEW_POINT_TOLD_LOW = "dew_point_told_low_c"
    DEW_POINT_TOLD_HIGH = "dew_point_told_high_c"
    MARGIN_TOLD = "margin_told_k"
    MARGIN_TOLD_LOW = "margin_told_low_k"
    MARGIN_TOLD_HIGH = "margin_told_high_k"


MEASURED = frozenset(
    {
        Quantity.AIR_TEMPERATURE,
        Quantity.RELATIVE_HUMIDITY,
        Quantity.SURFACE_TEMPERATURE,
        Quantity.STATION_PRESSURE,
        Quantity.DOOR_OPEN,
        Quantity.WINDOW_OPEN,
        Quantity.EXTRACT_ON,
        Quantity.CARBON_DIOXIDE,
        Quantity.PEOPLE,
        Quantity.HEATER_POWER,
        Quantity.DEHUMIDIFIER_POWER,
        Quantity.COLD_PARTS,
        Quantity.SOLAR_RADIATION,
        Quantity.BATTERY,
    }
)

FORETOLD = frozenset(quantity for quantity in Quantity if "_told_" in quantity)

# What judgements of now rest on; the others help the outlook alone.
OF_AIR_AND_SKIN = frozenset(
    {Quantity.AIR_TEMPERATURE, Quantity.RELATIVE_HUMIDITY, Quantity.SURFACE_TEMPERATURE}
)

# Open or shut, on or off: a device may say it with a truth value.
CONTACTS = frozenset({Quantity.DOOR_OPEN, Quantity.WINDOW_OPEN, Quantity.EXTRACT_ON})


class SeriesKey(NamedTuple):
    """Names one series. `source` is a sensor id, or `zone`, or a body's or package's id."""

    zone: str
    source: str
    quantity: Quantity


class Reading(NamedTuple):
    """One measured number, in inside units, as it arrived.

    `time_s` is when it was measured, `arrived_s` when the service got it (both epoch seconds UTC,
    whole milliseconds); `time_from_device` says whether the sensor's own clock was used.
    """

    key: SeriesKey
    time_s: float
    arrived_s: float
    value: float
    sequence: int | None = None
    time_from_device: bool = False


class StoredReading(NamedTuple):
    """A reading with its place in the order of arrival (rising, never reused)."""

    order: int
    reading: Reading


class Point(NamedTuple):
    """One derived number of a series."""

    key: SeriesKey
    time_s: float
    value: float


class Mark(NamedTuple):
    """Says that a stored reading is doubtful, and why."""

    order: int
    status: SensorStatus
    reason: str
