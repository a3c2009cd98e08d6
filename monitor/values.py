"""The frozen values that travel between the rooms; nothing here decides anything."""

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple


class Quantity(StrEnum):
    """What a stored number is; the unit is in the name."""

    # measured
    AIR_TEMPERATURE = "air_temperature_c"
    RELATIVE_HUMIDITY = "relative_humidity_frac"
    SURFACE_TEMPERATURE = "surface_temperature_c"
    STATION_PRESSURE = "station_pressure_pa"
    DOOR_OPEN = "door_open_frac"
    BATTERY = "battery_frac"
    # derived from measured air
    DEW_POINT = "dew_point_c"
    FROST_POINT = "frost_point_c"
    VAPOUR_PRESSURE = "vapour_pressure_pa"
    ABSOLUTE_HUMIDITY = "absolute_humidity_gm3"
    HUMIDITY_RATIO = "humidity_ratio_kgkg"
    WET_BULB = "wet_bulb_c"
    # derived for bodies and packages
    SKIN_TEMPERATURE = "skin_temperature_c"
    MARGIN = "margin_k"
    WATER_FILM = "water_film_gm2"
    WET_PROBABILITY = "wet_probability_frac"
    EXPOSURE_USED = "exposure_used_h"
    EXPOSURE_FRACTION = "exposure_used_frac"
    UPTAKE = "uptake_frac"


MEASURED = frozenset(
    {
        Quantity.AIR_TEMPERATURE,
        Quantity.RELATIVE_HUMIDITY,
        Quantity.SURFACE_TEMPERATURE,
        Quantity.STATION_PRESSURE,
        Quantity.DOOR_OPEN,
        Quantity.BATTERY,
    }
)


class SensorStatus(StrEnum):
    """Status signals of NAMUR NE 107; GOOD is the absence of any."""

    GOOD = "good"
    MAINTENANCE_REQUIRED = "maintenance_required"
    OUT_OF_SPECIFICATION = "out_of_specification"
    FUNCTION_CHECK = "function_check"
    FAILURE = "failure"


class Level(StrEnum):
    """How bad a thing is, in the colours of ISO 22324; UNKNOWN never shows as safe."""

    SAFE = "safe"  # green
    CAUTION = "caution"  # yellow
    DANGER = "danger"  # red
    UNKNOWN = "unknown"  # grey


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


@dataclass(frozen=True, slots=True)
class AirState:
    """The believed air of one zone at one moment."""

    time_s: float
    temperature_c: float
    relative_humidity_frac: float
    dew_point_c: float
    frost_point_c: float
    vapour_pressure_pa: float
    absolute_humidity_gm3: float
    humidity_ratio_kgkg: float
    wet_bulb_c: float
    dew_point_std_k: float


@dataclass(frozen=True, slots=True)
class SensorHealth:
    """What is thought of one sensor: NE 107 status, the reason in words, and since when."""

    sensor: str
    status: SensorStatus
    reason: str
    since_s: float
    last_time_s: float | None


class EventKind(StrEnum):
    """What a ledger event records."""

    SERVICE_STARTED = "service_started"
    SERVICE_STOPPED = "service_stopped"
    SERVICE_GAP = "service_gap"
    SERVICE_ANEW = "service_anew"
    SENSOR_STATUS = "sensor_status"
    ALARM_TRANSITION = "alarm_transition"
    ALARM_COMMAND = "alarm_command"
    DELIVERY = "delivery"
    PACKAGE = "package"
    CYLINDER = "cylinder"
    STEEL = "steel"
    STORAGE = "storage"
    BEAD = "bead"
    SENSOR_CHECK = "sensor_check"
    PLAN = "plan"
    CORRECTION = "correction"
    RECOUNT = "recount"


@dataclass(frozen=True, slots=True)
class NewEvent:
    """An event about to be written: who, what, when it happened, why.

    `subject` is the id of the thing concerned; `key` makes the write idempotent: a second event
    with the same key changes nothing. `body` holds plain JSON values only.
    """

    kind: EventKind
    subject: str
    time_s: float
    who: str
    body: dict[str, object]
    why: str = ""
    key: str | None = None


@dataclass(frozen=True, slots=True)
class Notification:
    """What a person is told: short enough for a lock screen, and complete."""

    key: str  # idempotency key: the same key is the same message
    created_s: float
    expires_s: float  # after this it is not sent as if it were new
    priority: str  # "high" | "medium" | "low"
    title: str
    text: str  # at most 160 characters: what, where, how bad, by when, do what
    subject: str  # condition or shift concerned
    zone: str
    since_s: float
    action: str
    data: dict[str, object]
